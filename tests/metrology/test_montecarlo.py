"""Propagation of distributions: the examples of JCGM 101:2008, and exact distributions.

Seeds are fixed, so a run always passes or always fails; tolerances are a few standard errors.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import published
import pytest
from scipy import stats

from sheetlab.metrology import montecarlo
from sheetlab.metrology.budget import Distribution, Source, budget, student_t
from sheetlab.metrology.montecarlo import (
    Affine,
    Propagated,
    numerical_tolerance,
    propagate,
    validate,
)

TRIALS = 1_000_000


def _source(key: str, distribution: Distribution, u: float, dof: float = math.inf) -> Source:
    return Source(key, key, "B", distribution, u, dof)


def _one(model: Any, *arguments: Any, **keywords: Any) -> Propagated:
    (found,) = propagate([model], *arguments, **keywords)
    return found


def _single(distribution: Distribution, u: float = 1.0, dof: float = math.inf) -> Propagated:
    return _one(
        lambda q: q["x"],
        {"x": Affine(5.0, {"s": 1.0})},
        [_source("s", distribution, u, dof)],
        trials=TRIALS,
    )


def _sum(q: Mapping[str, Any]) -> Any:
    return q["x0"] + q["x1"] + q["x2"] + q["x3"]


class TestAdditiveModel:
    """JCGM 101:2008, 9.2: Y = X1 + X2 + X3 + X4. Results from memory, recomputed exactly."""

    @pytest.mark.parametrize(
        ("key", "distribution", "deviations", "validated"),
        [
            ("9.2.2_additive_normal", "normal", (1, 1, 1, 1), True),
            ("9.2.3_additive_rectangular_same_width", "rectangular", (1, 1, 1, 1), True),
            ("9.2.4_additive_rectangular_different_width", "rectangular", (1, 1, 1, 10), False),
        ],
    )
    def test_published_values(
        self,
        key: str,
        distribution: Distribution,
        deviations: tuple[float, ...],
        validated: bool,
    ) -> None:
        sources = [_source(f"s{k}", distribution, float(u)) for k, u in enumerate(deviations)]
        quantities = {f"x{k}": Affine(0.0, {f"s{k}": 1.0}) for k in range(4)}
        trials = _one(_sum, quantities, sources, trials=TRIALS)
        law = budget(0.0, [(s, 1.0) for s in sources])
        # symmetric about zero: the shortest interval and the symmetric one are the same
        half_width = (trials.high - trials.low) / 2.0
        computed = {
            "y": trials.mean,
            "u": law.standard_uncertainty,
            "u exact": trials.standard_uncertainty,
            "95 % half-width, GUM framework": law.expanded_uncertainty,
        }
        for what, value, tolerance in published.expected("jcgm_101.json", key):
            found = computed.get(what, half_width)
            assert found == pytest.approx(value, abs=tolerance, rel=0.0), what
            if "half-width exact" in what:
                assert trials.high == pytest.approx(value, abs=tolerance, rel=0.0)
                assert trials.low == pytest.approx(-value, abs=tolerance, rel=0.0)
        assert trials.standard_uncertainty == pytest.approx(
            law.standard_uncertainty, rel=3.0 / math.sqrt(2.0 * TRIALS)
        )
        # two significant digits of u: 0.05 of 2.0, 0.5 of 10
        assert validate(law, trials, digits=2).agrees is validated


def test_mass_calibration() -> None:
    # JCGM 101:2008, 9.3: at 1.2 kg/m³ every first derivative by a density is zero, so the law of
    # propagation misses a third of the uncertainty. Results from memory, recomputed
    quantities = {
        "m": Affine(100_000.0, {"m": 1.0}),
        "dm": Affine(1.234, {"dm": 1.0}),
        "air": Affine(1.2, {"air": 1.0}),
        "weight": Affine(8000.0, {"weight": 1.0}),
        "reference": Affine(8000.0, {"reference": 1.0}),
    }
    sources = [
        _source("m", "normal", 0.050),
        _source("dm", "normal", 0.020),
        _source("air", "rectangular", 0.1 / math.sqrt(3.0)),
        _source("weight", "rectangular", 1000.0 / math.sqrt(3.0)),
        _source("reference", "rectangular", 50.0 / math.sqrt(3.0)),
    ]

    def model(q: Mapping[str, Any]) -> Any:
        buoyancy = (q["air"] - 1.2) * (1.0 / q["weight"] - 1.0 / q["reference"])
        return (q["m"] + q["dm"]) * (1.0 + buoyancy) - 100_000.0

    trials = _one(model, quantities, sources, trials=TRIALS)
    law = budget(1.234, [(s, 1.0 if s.key in ("m", "dm") else 0.0) for s in sources])
    computed = {
        "y": trials.mean,
        "u, first-order GUM": law.standard_uncertainty,
        "95 % interval first-order low": law.value - law.expanded_uncertainty,
        "95 % interval first-order high": law.value + law.expanded_uncertainty,
        "u, Monte Carlo": trials.standard_uncertainty,
        "u, exact second moment": trials.standard_uncertainty,
        "95 % shortest interval Monte Carlo low": trials.low,
        "95 % shortest interval Monte Carlo high": trials.high,
    }
    values = {
        what: one for what, *one in published.expected("jcgm_101.json", "9.3_mass_calibration")
    }
    for what, found in computed.items():
        value, tolerance = values[what]
        if what == "y":
            # the standard error of the mean is 0.75e-4, the printed figure has no more digits
            tolerance = 3.0 * 0.0755 / math.sqrt(TRIALS)
        assert found == pytest.approx(value, abs=tolerance, rel=0.0), what
    found = validate(law, trials)
    assert not found.agrees
    assert found.tolerance == 0.005
    assert found.low_difference == pytest.approx(0.0451, abs=0.003)
    assert found.high_difference == pytest.approx(0.0430, abs=0.003)


class TestOneSource:
    """Ends of the 95 % interval against exact quantiles; four standard errors of each."""

    @staticmethod
    def tolerance(density: float) -> float:
        return 4.0 * math.sqrt(0.025 * 0.975 / TRIALS) / density

    def test_rectangular(self) -> None:
        found = _single("rectangular", u=0.1 / math.sqrt(3.0))
        within = self.tolerance(1.0 / 0.2)
        assert found.low == pytest.approx(5.0 - 0.095, abs=within)
        assert found.high == pytest.approx(5.0 + 0.095, abs=within)

    def test_triangular(self) -> None:
        # the tail beyond x of half-width 1 is (1 - x)² / 2
        end = 1.0 - math.sqrt(0.05)
        found = _single("triangular", u=1.0 / math.sqrt(6.0))
        within = self.tolerance(1.0 - end)
        assert found.low == pytest.approx(5.0 - end, abs=within)
        assert found.high == pytest.approx(5.0 + end, abs=within)

    def test_normal(self) -> None:
        found = _single("normal", u=2.0)
        within = self.tolerance(0.0584451 / 2.0)
        assert found.low == pytest.approx(5.0 - 2.0 * 1.959964, abs=within)
        assert found.high == pytest.approx(5.0 + 2.0 * 1.959964, abs=within)

    def test_t_has_its_variance_and_its_quantiles(self) -> None:
        # JCGM 101:2008, 6.4.9: variance ν / (ν - 2) of the squared scale; kurtosis 3 + 6 / (ν - 4)
        found = _single("t", u=0.3, dof=10.0)
        assert found.standard_uncertainty**2 == pytest.approx(
            0.09 * 10.0 / 8.0, rel=3.0 * math.sqrt(3.0 / TRIALS)
        )
        # density of t at its 97.5 % point, ν = 10: Γ(5.5) / (Γ(5) √(10 π)) (1 + t² / 10)^-5.5
        end = student_t(0.95, 10.0)
        density = math.gamma(5.5) / math.gamma(5.0) / math.sqrt(10.0 * math.pi)
        density *= (1.0 + end * end / 10.0) ** -5.5
        within = self.tolerance(density / 0.3)
        assert found.low == pytest.approx(5.0 - 0.3 * end, abs=within)
        assert found.high == pytest.approx(5.0 + 0.3 * end, abs=within)

    def test_t_with_infinite_degrees_of_freedom_is_normal(self) -> None:
        assert _single("t") == _single("normal")


@pytest.mark.parametrize(
    "dof", [3.0, *(pytest.param(d, marks=pytest.mark.slow) for d in (1.0, 2.0, 5.5, 13.0, 400.0))]
)
@pytest.mark.parametrize("together", [1, 2, 3])
def test_deviates_of_t_have_its_distribution_and_share_their_estimate(
    together: int, dof: float
) -> None:
    """Against scipy: each deviate alone, and the sum of squares of those with one estimate of
    variance, which over their number is F with that number and ``dof`` degrees of freedom."""
    seen: list[Any] = []
    names = [f"x{i}" for i in range(together)]
    sources = [
        Source(name, name, "A", "t", 1.0, dof, estimate="" if together == 1 else "line")
        for name in names
    ]

    def model(q: Mapping[str, Any]) -> Any:
        seen.append([q[name].copy() for name in names])
        return q["x0"]

    _one(model, {n: Affine(0.0, {n: 1.0}) for n in names}, sources, trials=100_000)
    samples = np.concatenate(seen, axis=1)
    assert samples.shape == (together, 100_000)
    for row in samples:
        assert stats.kstest(row, stats.t(dof).cdf).pvalue > 1e-3
    squares = (samples**2).mean(axis=0)
    assert stats.kstest(squares, stats.f(together, dof).cdf).pvalue > 1e-3
    if together > 1:
        # the direction is uniform
        angle = np.arctan2(samples[1], samples[0]) / (2.0 * np.pi) + 0.5
        assert stats.kstest(angle, "uniform").pvalue > 1e-3


def test_t_without_degrees_of_freedom_is_refused() -> None:
    with pytest.raises(ValueError, match="degrees of freedom"):
        propagate([lambda q: q["x"]], {"x": Affine(5.0, {"s": 1.0})}, [_source("s", "t", 1.0, 0.0)])


def _two(model: Any, first: dict[str, float], second: dict[str, float], **keywords: int) -> Any:
    return _one(
        model,
        {"a": Affine(7.0, first), "b": Affine(3.0, second)},
        [_source("zero", "rectangular", 0.5), _source("own", "normal", 0.01)],
        **keywords,
    )


def _difference(q: Mapping[str, Any]) -> Any:
    return q["a"] - q["b"]


def test_a_shared_source_cancels_in_a_difference() -> None:
    found = _two(_difference, {"zero": 1.0}, {"zero": 1.0})
    assert found.standard_uncertainty < 1e-15
    assert (found.low, found.high) == pytest.approx((4.0, 4.0), rel=1e-15)


def test_what_is_not_shared_stays() -> None:
    found = _two(_difference, {"zero": 1.0, "own": -2.0}, {"zero": 1.0}, trials=200_000)
    assert found.standard_uncertainty == pytest.approx(0.02, rel=3.0 / math.sqrt(2.0 * 200_000))


def test_a_shared_source_adds_in_a_sum() -> None:
    found = _two(lambda q: q["a"] + q["b"], {"zero": 1.0}, {"zero": 1.0}, trials=200_000)
    # kurtosis 1.8 of a rectangular distribution makes u more certain than a normal one would
    assert found.standard_uncertainty == pytest.approx(1.0, rel=3.0 * math.sqrt(0.2 / 200_000))


def test_the_same_seed_gives_the_same_result() -> None:
    sensitivities = {"zero": 1.0, "own": 1.0}, {"own": 2.0}
    # also where several threads share the trials
    for trials in (1000, 100_000):
        first = _two(_difference, *sensitivities, trials=trials, seed=5)
        assert first == _two(_difference, *sensitivities, trials=trials, seed=5)
        assert first.mean != _two(_difference, *sensitivities, trials=trials, seed=6).mean
        assert (first.trials, first.seed, first.coverage_probability) == (trials, 5, 0.95)


def test_sources_of_no_effect_do_not_shift_the_draws() -> None:
    idle = [_source("idle", "normal", 1.0), _source("certain", "normal", 0.0)]
    own = _source("own", "normal", 1.0)
    quantities = {"a": Affine(0.0, {"certain": 1.0, "own": 1.0})}
    alone = _one(lambda q: q["a"], quantities, [own], trials=1000)
    assert _one(lambda q: q["a"], quantities, [*idle, own], trials=1000) == alone


def test_without_sources_the_result_is_certain() -> None:
    found = _one(lambda q: 2.0 * q["a"], {"a": Affine(1.5, {})}, [], trials=1000)
    assert (found.mean, found.standard_uncertainty, found.low, found.high) == (3.0, 0.0, 3.0, 3.0)


def test_models_run_on_the_same_samples() -> None:
    quantities = {"a": Affine(7.0, {"s": 1.0})}
    sources = [_source("s", "normal", 0.5)]
    plain, doubled = propagate(
        [lambda q: q["a"], lambda q: 2.0 * q["a"]], quantities, sources, trials=1000
    )
    assert (doubled.low, doubled.high) == (2.0 * plain.low, 2.0 * plain.high)
    assert plain == _one(lambda q: q["a"], quantities, sources, trials=1000)


def test_the_interval_covers_its_part_of_the_trials() -> None:
    drawn: list[Any] = []

    def model(q: Mapping[str, Any]) -> Any:
        drawn.append(q["x"] ** 2)
        return drawn[-1]

    # many draws come in several blocks, the last one not full
    found = _one(
        model,
        {"x": Affine(1.0, {"s": 1.0})},
        [_source("s", "normal", 0.5)],
        trials=100_001,
        probability=0.9,
    )
    samples = [float(one) for block in drawn for one in block]
    assert len(samples) == 100_001
    assert found.mean == pytest.approx(math.fsum(samples) / 100_001, rel=1e-12)
    # JCGM 101:2008, 7.7: symmetric in probability, although the distribution is not
    below, above = sum(x < found.low for x in samples), sum(x > found.high for x in samples)
    assert below == 5000
    assert abs(below - above) <= 1


@pytest.mark.parametrize("trials", [2, 3, 40, 999, 20_000])
@pytest.mark.parametrize("kind", ["all alike", "few values", "in order", "backwards", "long tails"])
def test_intervals_are_those_of_the_sorted_samples(kind: str, trials: int) -> None:
    """JCGM 101:2008, 7.7, done with every sample in order."""
    rng = np.random.default_rng(7)
    samples = {
        "all alike": np.zeros(trials),
        "few values": rng.integers(0, 5, trials).astype(float),
        "in order": np.arange(trials) * 1.0,
        "backwards": -np.arange(trials) * 1.0,
        "long tails": rng.standard_cauchy(trials),
    }[kind]
    given = iter(np.split(samples, range(montecarlo.BLOCK, trials, montecarlo.BLOCK)))
    with pytest.MonkeyPatch.context() as patch:
        # blocks come in order
        patch.setattr(montecarlo, "THREADS", 1)
        found = _one(lambda q: next(given), {"x": Affine(0.0, {})}, [], trials=trials)
    samples.sort()
    covered = min(round(0.95 * trials), trials - 1)
    first = (trials - covered) // 2
    widths = samples[covered:] - samples[: trials - covered]
    least = int(np.argmin(widths))
    assert (found.low, found.high) == (samples[first], samples[first + covered])
    assert found.shortest == (samples[least], samples[least + covered])


@pytest.mark.parametrize(("trials", "probability"), [(1, 0.95), (100, 0.0), (100, 1.5)])
def test_what_has_no_interval_is_refused(trials: int, probability: float) -> None:
    with pytest.raises(ValueError, match=r"trials|probability"):
        propagate(
            [lambda q: q["x"]], {"x": Affine(0.0, {})}, [], trials=trials, probability=probability
        )


@pytest.mark.parametrize(
    ("uncertainty", "digits", "tolerance"),
    [
        # JCGM 101:2008, 7.9.2: 0.000 35 with two digits is 35 × 10⁻⁵
        (0.00035, 2, 0.5e-5),
        (0.00035, 1, 0.5e-4),
        (2.0, 2, 0.05),
        (10.15, 1, 5.0),
        (0.096, 1, 0.05),
        (0.0996, 2, 0.005),
        (0.0, 1, 0.0),
    ],
)
def test_numerical_tolerance(uncertainty: float, digits: int, tolerance: float) -> None:
    assert numerical_tolerance(uncertainty, digits) == pytest.approx(tolerance, rel=1e-12)


@pytest.mark.parametrize(
    ("low", "high", "agrees"),
    [(8.0, 12.0, True), (8.08, 11.92, True), (8.1, 12.0, False), (8.0, 11.9, False)],
)
def test_validation_needs_both_ends(low: float, high: float, agrees: bool) -> None:
    # u = 1.0 with two digits: each end may be 0.05 away from 10 ± 1.96
    law = budget(10.0, [(_source("s", "normal", 1.0), 1.0)])
    found = validate(law, Propagated(10.0, 1.0, low, high, (low, high), 0.95, 1000, 1), digits=2)
    assert found.agrees is agrees
    assert found.low_difference == pytest.approx(abs(10.0 - 1.959964 - low), abs=1e-6)
    assert found.high_difference == pytest.approx(abs(10.0 + 1.959964 - high), abs=1e-6)


class TestAdaptive:
    """The adaptive procedure of JCGM 101:2008, 7.9."""

    @staticmethod
    def found(dof: float, most: int, trials: int = 50_000):
        source = Source("a", "a", "A", "t", 9.0, dof)
        (result,) = propagate(
            [lambda q: q["x"]], {"x": Affine(0.0, {"a": 1.0})}, [source], trials, most=most
        )
        return result

    def test_no_more_than_needed(self) -> None:
        # u = 9: a fifth of half a unit; the ends of n normal trials are known to 24 / √n
        found = self.found(math.inf, 2_000_000, 10_000)
        assert found.tolerance == pytest.approx(0.1)
        assert found.stable
        assert found.trials == pytest.approx((2.0 * 24.0 / 0.1) ** 2, rel=0.3)

    def test_few_trials_suffice_where_a_digit_is_coarse(self) -> None:
        # u = 1.1: the same tolerance is ten times wider in parts of u
        source = Source("a", "a", "B", "normal", 1.1)
        quantities = {"x": Affine(0.0, {"a": 1.0})}
        found = _one(lambda q: q["x"], quantities, [source], 10_000, most=1_000_000)
        assert (found.trials, found.stable) == (10_000, True)

    def test_figures_called_stable_are_within_the_tolerance(self) -> None:
        """Stopping when the standard errors allow it does not make the ends worse than said.

        Twice the standard error is within the tolerance, so 95 % of ends should be within it of
        the exact ones (60 seeds, two ends each: fewer than 106 of 120 by chance in 1 of 1000).
        """
        source = Source("a", "a", "B", "normal", 4.0)
        inside, trials = 0, []
        for seed in range(60):
            (found,) = propagate(
                [lambda q: q["x"]], {"x": Affine(0.0, {"a": 1.0})}, [source],
                montecarlo.TRIALS, seed, most=montecarlo.MOST_TRIALS,
            )  # fmt: skip
            assert found.stable
            assert found.tolerance == pytest.approx(0.1)
            trials.append(found.trials)
            for end, exact in ((found.low, -7.839856), (found.high, 7.839856)):
                inside += abs(end - exact) <= found.tolerance
        assert inside >= 106
        # it takes (2 · 2.68 u / tolerance)²; of two estimated standard errors the greater counts
        assert 46_000 <= np.mean(trials) <= 70_000

    def test_stops_at_the_limit_and_says_so(self) -> None:
        found = self.found(1.0, 200_000)
        assert found.trials == 200_000
        assert not found.stable

    def test_more_trials_of_a_seed_begin_with_the_same(self) -> None:
        fixed = self.found(math.inf, 0, 100_000)
        grown = self.found(math.inf, 100_000, 50_000)
        assert grown.trials == 100_000
        assert (grown.low, grown.high) == (fixed.low, fixed.high)

    def test_standard_errors_are_those_of_repeated_runs(self) -> None:
        ends = []
        for seed in range(40):
            source = Source("a", "a", "B", "rectangular", 1.0)
            (one,) = propagate(
                [lambda q: q["x"]], {"x": Affine(0.0, {"a": 1.0})}, [source], 20_000, seed
            )
            ends.append(one.low)
        # a rectangular density is flat: standard error of the 2.5 % end by the binomial rank
        density = 1.0 / (2.0 * math.sqrt(3.0))
        wanted = math.sqrt(0.025 * 0.975 / 20_000) / density
        assert float(np.std(ends, ddof=1)) == pytest.approx(wanted, rel=0.3)
        rng = np.random.default_rng(1)
        samples = np.sort(rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), 20_000))
        found = montecarlo._end_error(samples[:1000], 500, 20_000, 0.025)
        assert found == pytest.approx(wanted, rel=0.15)
