"""Propagation of distributions by Monte Carlo (JCGM 101:2008)."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Literal

from msgspec import Struct

from sheetlab.metrology.budget import COVERAGE_PROBABILITY, Budget, Source

TRIALS = 10_000
"""Trials to begin with (JCGM 101:2008, 7.9.4 b): some 250 in each tail."""
MOST_TRIALS = 1_000_000
SEED = 101
BLOCK = 10_000
"""Trials at a time, for one thread: few enough for the cache of a processor."""
FEWEST_DOF_OF_ERROR = 4.0
THIN = 50
FEW_THIN = 20
NORMAL_FACTOR = 1.96
"""Half-width of a 95 % interval over the standard deviation, of a normal distribution."""
NOTABLE = 0.15
"""Part of the expanded uncertainty from which a difference of intervals is looked into."""
THREADS = 2
"""numpy lets go of the interpreter while it draws, so that threads share the work."""

Samples = Any
"""Array of shape (trials,)."""


class Affine(Struct, frozen=True):
    """A quantity as its estimate and its sensitivity to each source (by source key)."""

    value: float
    sensitivities: Mapping[str, float]


class Propagated(Struct, frozen=True):
    """Result of the trials, in the unit of the model."""

    mean: float
    standard_uncertainty: float
    low: float
    high: float
    """Ends of the probabilistically symmetric coverage interval."""
    shortest: tuple[float, float]
    """Ends of the shortest coverage interval (JCGM 101:2008, 7.7.1)."""
    coverage_probability: float
    trials: int
    seed: int
    tolerance: float = 0.0
    """Numerical tolerance that the figures were to reach (JCGM 101:2008, 7.9.2 and 8.2)."""
    stable: bool = True
    """Whether they did: twice the standard error of each that has one is within the tolerance."""


def propagate(
    models: Sequence[Callable[[Mapping[str, Samples]], Samples]],
    quantities: Mapping[str, Affine],
    sources: Sequence[Source],
    trials: int = TRIALS,
    seed: int = SEED,
    probability: float = COVERAGE_PROBABILITY,
    most: int = 0,
) -> tuple[Propagated | None, ...]:
    """Sample every source from its distribution and run the models on the same samples.

    Sources of distribution t are scaled-and-shifted t with their degrees of freedom (JCGM 101:2008,
    6.4.9), normal ones if those are infinite; others as stated. Quantities that share a source
    share its samples.

    Parameters
    ----------
    models
        For each result: samples by quantity, shape (n,), -> samples of the result, shape (n,).
    quantities
        What the models take, in the coherent unit.
    sources
        Independent sources, shape (m,); those to which no quantity is sensitive are not sampled.
    trials
        Number of trials to begin with, so many that some fall outside the interval.
    seed
        Seed of the generators: the same seed gives the same results.
    probability
        Coverage probability of the intervals, between 0 and 1.
    most
        More trials are made, in multiples of ``trials``, as many as the standard errors so far
        call for, until all figures are stable or more would exceed this number (after the adaptive
        procedure of JCGM 101:2008, 7.9, with a fifth of the tolerance of one digit, 8.2; standard
        errors come from all trials, those of the ends from order statistics; mean and deviation
        are not judged where a source of distribution t has no more than four degrees of freedom).
        0: no more.

    Returns
    -------
    tuple[Propagated | None, ...]
        One for each model, in its unit; None for one that some trial gives no number, such as the
        root of what may be negative.

    Raises
    ------
    ValueError
        If there are fewer than two trials, a source of distribution t that is sampled has no
        positive degrees of freedom, the seed is negative, the probability is 0 or less or above 1,
        or a model returns samples of another shape, a single number apart.
    """
    import numpy as np

    if trials < 2:
        raise ValueError(f"{trials} trials have no spread")
    if not 0.0 < probability <= 1.0:
        raise ValueError(f"a coverage probability of {probability}")
    used = [
        source
        for source in sources
        if source.standard_uncertainty
        and any(q.sensitivities.get(source.key) for q in quantities.values())
    ]
    seeds = np.random.SeedSequence(seed)
    least_dof = min((s.dof for s in used if s.distribution == "t"), default=math.inf)
    if not least_dof > 0.0:
        raise ValueError(f"a source of distribution t has {least_dof} degrees of freedom")
    results = np.empty((len(models), 0))
    wanted = trials
    while True:
        more = _run(models, quantities, used, wanted - results.shape[1], seeds)
        results = np.concatenate([results, more], axis=1) if results.size else more
        pairs = [
            _summary(row, seed, probability, least_dof) if np.isfinite(row).all() else None
            for row in results
        ]
        done = results.shape[1]
        open_ones = [pair for pair in pairs if pair is not None and not pair[0].stable]
        if done + trials > most or not open_ones:
            return tuple(None if pair is None else pair[0] for pair in pairs)
        # a standard error falls as the root of the number
        short = max((e / one.tolerance if one.tolerance else math.inf) for one, e in open_ones)
        steps = most / trials
        if math.isfinite(short):
            steps = min(steps, done * short**2 / trials)
        wanted = trials * max(math.ceil(steps), done // trials + 1)
        wanted = min(wanted, trials * (most // trials))


def _run(
    models: Sequence[Callable[[Mapping[str, Samples]], Samples]],
    quantities: Mapping[str, Affine],
    used: Sequence[Source],
    trials: int,
    seeds: Any,
) -> Any:
    """Samples of every result, shape (models, trials)."""
    import numpy as np

    starts = range(0, trials, BLOCK)
    # rectangular deviates count from the lower end of their distribution
    lowest = {
        key: q.value
        - math.fsum(
            q.sensitivities.get(s.key, 0.0) * s.half_width
            for s in used
            if s.distribution == "rectangular"
        )
        for key, q in quantities.items()
    }
    together = _estimates(used)
    # a generator of its own for each block: the samples do not depend on who draws first
    streams = seeds.spawn(len(starts))
    results = np.empty((len(models), trials))

    def run(start: int, stream: Any) -> None:
        count = min(BLOCK, trials - start)
        generator = np.random.Generator(np.random.SFC64(stream))
        totals: dict[str, Samples] = {k: np.full(count, value) for k, value in lowest.items()}
        kept: dict[str, Samples] = {}
        for source in used:
            draws, scale = _draw(generator, source, count, kept, together)
            moved = [
                (totals[key], factor * scale)
                for key, q in quantities.items()
                if (factor := q.sensitivities.get(source.key))
            ]
            for i, (total, factor) in enumerate(moved):
                # the last use of the draws may change them
                total += np.multiply(draws, factor, out=draws if i == len(moved) - 1 else None)
        with np.errstate(all="ignore"):
            for k, model in enumerate(models):
                results[k, start : start + count] = model(totals)

    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(run, starts, streams))
    return results


def _estimates(used: Sequence[Source]) -> dict[str, tuple[int, float]]:
    """Estimates of variance: sources that rest on each, and the fewest degrees of freedom."""
    found: dict[str, tuple[int, float]] = {}
    for source in used:
        estimate = source.estimate or source.key
        count, dof = found.get(estimate, (0, math.inf))
        found[estimate] = count + 1, min(dof, source.dof)
    return found


def _summary(
    result: Samples, seed: int, probability: float, least_dof: float
) -> tuple[Propagated, float]:
    """Figures of the trials, and twice the greatest standard error of those that have one."""
    import numpy as np

    trials = len(result)
    # some lie outside
    covered = min(max(round(probability * trials), 1), trials - 1)
    outside = trials - covered
    first = outside // 2
    lower, upper = _tails(result, outside)
    # intervals that cover so many begin in one tail and end in the other
    widths = upper - lower
    at = int(np.argmin(widths))
    mean = float(result.mean())
    squares = (result - mean) ** 2
    spread = math.sqrt(float(squares.sum()) / (trials - 1))
    end = 0.5 * (1.0 - probability)
    errors = [
        _end_error(lower, first, trials, end),
        _end_error(upper[::-1], outside - 1 - first, trials, end),
    ]
    if least_dof > FEWEST_DOF_OF_ERROR:
        # below, the standard deviation has no standard error, and the mean hardly one
        fourth = float(np.mean(squares**2))
        errors.append(math.sqrt(max(fourth - spread**4, 0.0) / trials) / (2.0 * (spread or 1.0)))
        errors.append(spread / math.sqrt(trials))
    # judged on the width of the interval, which has a size for any number of degrees of freedom
    width = 0.5 * float(widths[first])
    tolerance = numerical_tolerance(width / NORMAL_FACTOR, 1) / 5.0
    error = 2.0 * max(errors)
    found = Propagated(
        mean=mean,
        standard_uncertainty=spread,
        low=float(lower[first]),
        high=float(upper[first]),
        shortest=(float(lower[at]), float(upper[at])),
        coverage_probability=probability,
        trials=trials,
        seed=seed,
        tolerance=tolerance,
        stable=error <= tolerance,
    )
    return found, error


def _tails(result: Samples, count: int) -> tuple[Samples, Samples]:
    """The lowest and the highest samples, so many of each, in ascending order.

    Sorted are those beyond limits from a thin sample, which are a few more; all of them if that
    misses.
    """
    import numpy as np

    thin = np.sort(result[::THIN])
    place = min(int(1.3 * count / THIN) + FEW_THIN, len(thin) - 1)
    lower = np.sort(result[result <= thin[place]])
    upper = np.sort(result[result >= thin[-1 - place]])
    if min(len(lower), len(upper)) < count:
        lower = upper = np.sort(result)
    return lower[:count], upper[-count:]


def _end_error(tail: Samples, index: int, trials: int, probability: float) -> float:
    """Standard error of an end of the interval, from the order statistics beside it.

    ``tail`` begins at its outermost sample; ``probability`` is that of lying beyond the end.
    """
    reach = max(1, index // 3)
    low, high = max(index - reach, 0), min(index + reach, len(tail) - 1)
    # standard deviation of the rank, times the distance of neighbouring samples
    rank = math.sqrt(trials * probability * (1.0 - probability))
    return rank * abs(float(tail[high] - tail[low])) / (high - low) if high > low else math.inf


def _draw(
    generator: Any,
    source: Source,
    count: int,
    kept: dict[str, Samples],
    together: Mapping[str, tuple[int, float]],
) -> tuple[Samples, float]:
    """Samples of a standard form of the distribution, and the scale that it takes.

    ``together`` tells how many sources have an estimate of variance in common, with its degrees of
    freedom, and ``kept`` holds what the first of them leaves to the others.
    """
    match source.distribution:
        case "rectangular":
            return generator.random(count), 2.0 * source.half_width
        case "triangular":
            draws = generator.random(count)
            draws -= generator.random(count)
            return draws, source.half_width
        case "t" if not math.isinf(source.dof):
            estimate = source.estimate or source.key
            sharing, dof = together[estimate]
            if sharing > 2:
                draws = _with_one_variance(generator, dof, count, estimate, kept)
            elif estimate in kept:
                draws = kept.pop(estimate)
            else:
                draws, second = _student_pair(generator, dof, count, sharing > 1)
                if second is not None:
                    kept[estimate] = second
            return draws, source.standard_uncertainty
        case _:
            return generator.standard_normal(count), source.standard_uncertainty


def _student_pair(
    generator: Any, dof: float, count: int, both: bool
) -> tuple[Samples, Samples | None]:
    """Deviates of Student's t, and others with the same estimate of variance if asked for.

    Coordinates of a point whose direction is uniform and whose squared radius is twice F with 2
    and ``dof`` degrees of freedom: the polar way to normal deviates for Student's t (Bailey, Math.
    Comp. 62 (1994) 779; title and page from memory, the distribution is tested). Twice as fast as
    a normal deviate over the root of chi-squared. Single precision is enough for a direction.
    """
    import numpy as np

    # 1 - U is never zero
    radius = 1.0 - generator.random(count)
    np.log(radius, out=radius)
    radius *= -2.0 / dof
    np.expm1(radius, out=radius)
    radius *= dof
    np.sqrt(radius, out=radius)
    angle = generator.random(count, dtype=np.float32)
    angle *= np.float32(2.0 * math.pi)
    second = radius * np.sin(angle) if both else None
    radius *= np.cos(angle, out=angle)
    return radius, second


def _with_one_variance(
    generator: Any, dof: float, count: int, estimate: str, kept: dict[str, Samples]
) -> Samples:
    """Deviates of Student's t that share their estimate of variance with two or more others."""
    import numpy as np

    if estimate not in kept:
        kept[estimate] = np.sqrt(generator.chisquare(dof, count) / dof)
    draws = generator.standard_normal(count)
    draws /= kept[estimate]
    return draws


Reason = Literal["", "bent", "bounded", "few"]
"""Why an interval of trials is another than that of the budget by a notable part: the formula bends
over the uncertainties; errors with limits make most of it; estimates of scatter from few readings
are sampled as t. Empty: it is much the same."""


class Validation(Struct, frozen=True):
    """Whether the budget's interval agrees with the trials (JCGM 101:2008, clause 8)."""

    low_difference: float
    high_difference: float
    tolerance: float
    agrees: bool
    wider: float
    """Width of the interval of the trials over that of the budget, less 1."""
    reason: Reason


def validate(
    found: Budget, trials: Propagated, digits: int = 1, seed: int = SEED, number: int = TRIALS
) -> Validation:
    """Compare the interval of a budget with that of the trials (JCGM 101:2008, 8.1.3).

    JCGM 101 asks whether the propagation of uncertainties can be trusted for this formula and these
    distributions. A difference of its own kind comes from few readings: 6.4.9 samples each mean
    from a t distribution, which for one mean gives Student's interval, but for the sum of several a
    wider one than 95 % of repeated experiments need (that of Behrens and Fisher), while the
    effective degrees of freedom of Welch and Satterthwaite keep to 95 %. Where the interval is
    notably another, trials of the first-order formula with the same sources tell the reasons apart.

    Parameters
    ----------
    found, trials
        Both in one unit and of one coverage probability, which is not checked. Compared is the
        interval that is symmetric in probability.
    digits
        Significant digits of the standard uncertainty that count: 1 or 2.
    seed, number
        Of the trials of the first-order formula.

    Returns
    -------
    Validation
        Differences of the ends and their tolerance, in that unit.
    """
    low = abs(found.value - found.expanded_uncertainty - trials.low)
    high = abs(found.value + found.expanded_uncertainty - trials.high)
    tolerance = numerical_tolerance(found.standard_uncertainty, digits)
    half = found.expanded_uncertainty
    wider = 0.5 * (trials.high - trials.low) / half - 1.0 if half else 0.0
    reason: Reason = ""
    if max(low, high) > NOTABLE * half > 0.0:
        reason = _reason(found, trials, seed, number)
    return Validation(low, high, tolerance, low <= tolerance and high <= tolerance, wider, reason)


def _reason(found: Budget, trials: Propagated, seed: int, number: int) -> Reason:
    sources = [row.source for row in found.rows]
    straight = Affine(found.value, {row.source.key: row.sensitivity for row in found.rows})
    (first,) = propagate(
        [lambda samples: samples["y"]],
        {"y": straight},
        sources,
        number,
        seed,
        trials.coverage_probability,
    )
    assert first is not None  # a sum of finite figures
    notable = NOTABLE * found.expanded_uncertainty
    if max(abs(trials.low - first.low), abs(trials.high - first.high)) > notable:
        return "bent"
    half = 0.5 * (first.high - first.low) - found.expanded_uncertainty
    return "few" if half > 0.0 else "bounded"


def numerical_tolerance(uncertainty: float, digits: int) -> float:
    """Half a unit in the last significant digit of an uncertainty (JCGM 101:2008, 7.9.2).

    Parameters
    ----------
    uncertainty
        In any unit; the tolerance comes in the same, 0 if it is not positive.
    digits
        Significant digits that count: 1 or 2.
    """
    if uncertainty <= 0.0:
        return 0.0
    exponent = math.floor(math.log10(uncertainty)) - (digits - 1)
    if round(uncertainty / 10.0**exponent) >= 10**digits:
        exponent += 1
    return 0.5 * 10.0**exponent
