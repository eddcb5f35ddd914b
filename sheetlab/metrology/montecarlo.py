"""Propagation of distributions by Monte Carlo (JCGM 101:2008)."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sheetlab.metrology.budget import COVERAGE_PROBABILITY, Budget, Source

TRIALS = 200_000
SEED = 101

Samples = Any
"""Array of shape (trials,)."""


@dataclass(frozen=True, slots=True)
class Affine:
    """A quantity as its estimate and its sensitivity to each source (by source key)."""

    value: float
    sensitivities: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Propagated:
    """Result of the trials, in the unit of the model."""

    mean: float
    standard_uncertainty: float
    low: float
    high: float
    """Ends of the probabilistically symmetric coverage interval."""
    coverage_probability: float
    trials: int
    seed: int


def propagate(
    model: Callable[[Mapping[str, Samples]], Samples],
    quantities: Mapping[str, Affine],
    sources: Sequence[Source],
    trials: int = TRIALS,
    seed: int = SEED,
    probability: float = COVERAGE_PROBABILITY,
) -> Propagated:
    """Sample every source from its distribution and run the model.

    Type A sources are scaled-and-shifted t with their degrees of freedom (JCGM 101, 6.4.9), B
    sources as stated. Quantities that share a source share its samples.

    Parameters
    ----------
    model
        Samples by quantity, shape (trials,), -> samples of the result, shape (trials,).
    quantities
        What the model takes, in the coherent unit.
    trials
        Number of trials.
    seed
        Seed of the generator: the same seed gives the same result.
    """
    import numpy as np

    generator = np.random.Generator(np.random.SFC64(seed))
    totals: dict[str, Samples] = {key: q.value for key, q in quantities.items()}
    for source in sources:
        takers = [
            (key, q.sensitivities[source.key])
            for key, q in quantities.items()
            if q.sensitivities.get(source.key)
        ]
        if not takers or source.standard_uncertainty == 0.0:
            continue
        draws = _draw(generator, source, trials)
        for key, sensitivity in takers:
            totals[key] = totals[key] + sensitivity * draws
    with np.errstate(all="ignore"):
        result = np.broadcast_to(np.asarray(model(totals), dtype=float), (trials,))
    # partition instead of sort: only two order statistics are wanted (JCGM 101, 7.7)
    covered = round(probability * trials)
    first = (trials - covered) // 2
    last = min(first + covered, trials - 1)
    placed = np.partition(result, (first, last))
    return Propagated(
        mean=float(result.mean()),
        standard_uncertainty=float(result.std(ddof=1)),
        low=float(placed[first]),
        high=float(placed[last]),
        coverage_probability=probability,
        trials=trials,
        seed=seed,
    )


def _draw(generator: Any, source: Source, trials: int) -> Samples:
    scale = source.standard_uncertainty
    match source.distribution:
        case "rectangular":
            return generator.uniform(-source.half_width, source.half_width, trials)
        case "triangular":
            width = source.half_width
            return generator.triangular(-width, 0.0, width, trials)
        case "t" if not math.isinf(source.dof):
            return scale * generator.standard_t(source.dof, trials)
        case _:
            return scale * generator.standard_normal(trials)


@dataclass(frozen=True, slots=True)
class Validation:
    """Whether the budget's interval agrees with the trials (JCGM 101:2008, clause 8)."""

    low_difference: float
    high_difference: float
    tolerance: float
    agrees: bool


def validate(found: Budget, trials: Propagated, digits: int = 1) -> Validation:
    """Compare the interval of a budget with that of the trials (JCGM 101:2008, 8.1.3).

    Parameters
    ----------
    digits
        Significant digits of the standard uncertainty that count: 1 or 2.
    """
    low = abs(found.value - found.expanded_uncertainty - trials.low)
    high = abs(found.value + found.expanded_uncertainty - trials.high)
    tolerance = numerical_tolerance(found.standard_uncertainty, digits)
    return Validation(low, high, tolerance, low <= tolerance and high <= tolerance)


def numerical_tolerance(uncertainty: float, digits: int) -> float:
    """Half a unit in the last significant digit of an uncertainty (JCGM 101:2008, 7.9.2)."""
    if uncertainty <= 0.0:
        return 0.0
    exponent = math.floor(math.log10(uncertainty)) - (digits - 1)
    if round(uncertainty / 10.0**exponent) >= 10**digits:
        exponent += 1
    return 0.5 * 10.0**exponent
