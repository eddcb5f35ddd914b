"""A million trials of ours against a million trials of a general-purpose library.

The library is monaco, which knows nothing of metrology. It shares no step with ours but numpy:
its samples are inverse distribution functions of scipy at uniform deviates of another generator,
where ours are made directly, and it calls a model of plain floats once a trial.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from typing import Any

import numpy as np
import pytest
from scipy import stats

from sheetlab.metrology.budget import Source
from sheetlab.metrology.montecarlo import Affine, propagate

pytestmark = pytest.mark.slow

TRIALS = 1_000_000
BLOCK = 100_000
"""Trials of monaco at a time: it keeps a few kilobytes of each."""
WORKERS = 2
SEED_STEP = 1000
"""monaco gives its variables the seeds next to that of the simulation."""
PROBABILITY = 0.95
TAIL = 0.025
ERRORS = 4.0
"""Standard errors of the difference that two runs of the same model may show.

Seeds are fixed, so the tests always pass or always fail. By chance alone one of the 16
comparisons would be beyond four standard errors in one of 1000 choices of seeds.
"""

Model = Callable[[Mapping[str, Any]], Any]


@dataclass(frozen=True, slots=True)
class Cause:
    """One source of uncertainty, as each of the two programs is told of it."""

    quantity: str
    ours: Source
    theirs: Any
    keywords: Mapping[str, float]


def normal(quantity: str, key: str, u: float) -> Cause:
    return Cause(quantity, Source(key, key, "B", "normal", u), stats.norm, {"scale": u})


def rectangular(quantity: str, key: str, half_width: float) -> Cause:
    ours = Source(key, key, "B", "rectangular", half_width / math.sqrt(3.0))
    return Cause(quantity, ours, stats.uniform, {"loc": -half_width, "scale": 2.0 * half_width})


def triangular(quantity: str, key: str, half_width: float) -> Cause:
    ours = Source(key, key, "B", "triangular", half_width / math.sqrt(6.0))
    shape = {"c": 0.5, "loc": -half_width, "scale": 2.0 * half_width}
    return Cause(quantity, ours, stats.triang, shape)


def scaled_t(quantity: str, key: str, scale: float, dof: float) -> Cause:
    ours = Source(key, key, "A", "t", scale, dof)
    return Cause(quantity, ours, stats.t, {"df": dof, "scale": scale})


@dataclass(frozen=True, slots=True)
class Example:
    model: Model
    estimates: Mapping[str, float]
    causes: tuple[Cause, ...]


def wire_model(q: Mapping[str, Any]) -> Any:
    return 4.0 * q["g"] * q["L"] / (math.pi * q["d"] ** 2 * q["s"])


def wire(limit: float, zero: float, scatter: float) -> Example:
    """An invented wire; half-widths and scale of what is uncertain in its diameter, in m.

    The shape of one source shows in the ends of an interval only where it dominates, so each
    shape has a wire of its own. Uncertainties are large, so that the model bends within them. With
    less than eight degrees of freedom in d a single trial near d = 0 could make up the standard
    deviation of 1 / d².
    """
    return Example(
        wire_model,
        {"g": 9.81, "L": 2.4, "d": 0.5e-3, "s": 1.09e-3},
        (
            rectangular("g", "local g", 0.005),
            rectangular("L", "grip", 0.001),
            scaled_t("L", "scatter of L", 0.4e-3, 8.0),
            rectangular("d", "limit of the screw gauge", limit),
            triangular("d", "zero of the screw gauge", zero),
            scaled_t("d", "scatter of d", scatter, 8.0),
            scaled_t("s", "scatter of s", 0.01e-3, 13.0),
            normal("s", "masses and pitch", 0.005e-3),
        ),
    )


def mass_model(q: Mapping[str, Any]) -> Any:
    buoyancy = (q["air"] - 1.2) * (1.0 / q["weight"] - 1.0 / q["reference"])
    return (q["m"] + q["dm"]) * (1.0 + buoyancy) - 100_000.0


# JCGM 101:2008, 9.3: model and figures as in tests/reference/jcgm_101.json; mg and kg/m³
MASS = Example(
    mass_model,
    {"m": 100_000.0, "dm": 1.234, "air": 1.2, "weight": 8000.0, "reference": 8000.0},
    (
        normal("m", "m", 0.050),
        normal("dm", "dm", 0.020),
        rectangular("air", "air", 0.1),
        rectangular("weight", "weight", 1000.0),
        rectangular("reference", "reference", 50.0),
    ),
)


EXAMPLES = {
    "wire, rectangular": wire(limit=25e-6, zero=7e-6, scatter=2e-6),
    "wire, triangular": wire(limit=4e-6, zero=35e-6, scatter=2e-6),
    "wire, scaled t": wire(limit=4e-6, zero=7e-6, scatter=6e-6),
    "mass calibration": MASS,
}


def trials_of_monaco(name: str, seed: int) -> np.ndarray[Any, Any]:
    """A block of trials, shape (BLOCK,)."""
    # here, so that a run without simulations need not wait for it and for matplotlib
    import monaco

    example = EXAMPLES[name]

    def preprocess(case: Any) -> tuple[dict[str, float]]:
        values = dict(example.estimates)
        for cause in example.causes:
            values[cause.quantity] += case.invals[cause.ours.key].val
        return (values,)

    def postprocess(case: Any, result: float) -> None:
        case.addOutVal("result", result)

    simulation = monaco.Sim(
        name="independent",
        ndraws=BLOCK,
        fcns={"preprocess": preprocess, "run": example.model, "postprocess": postprocess},
        samplemethod="random",
        seed=seed,
        verbose=False,
    )
    for cause in example.causes:
        simulation.addInVar(cause.ours.key, cause.theirs, dict(cause.keywords))
    simulation.runSim()
    return np.array(simulation.outvars["result"].nums)


@pytest.fixture(scope="module")
def workers() -> Iterator[ProcessPoolExecutor]:
    # they start afresh: a fork of a process with threads is a risk
    with ProcessPoolExecutor(WORKERS, get_context("spawn")) as pool:
        yield pool


@dataclass(frozen=True, slots=True)
class Figures:
    mean: float
    deviation: float
    low: float
    high: float


def standard_errors(samples: np.ndarray[Any, Any]) -> Figures:
    """Standard errors of one run, from the samples.

    The mean has σ / √N; the standard deviation σ √((κ - 1) / 4N) with kurtosis κ; a quantile of
    probability p √(p (1 - p) / N) / f with the density f there. (Textbook formulas, from memory.)
    """
    n, deviation = len(samples), float(np.std(samples))
    kurtosis = float(stats.kurtosis(samples, fisher=False))

    def of_end(probability: float) -> float:
        # density: trials within a twentieth of a standard deviation on either side
        end, near = float(np.quantile(samples, probability)), 0.05 * deviation
        density = float(np.mean(np.abs(samples - end) < near)) / (2.0 * near)
        return math.sqrt(TAIL * (1.0 - TAIL) / n) / density

    return Figures(
        mean=deviation / math.sqrt(n),
        deviation=deviation * math.sqrt((kurtosis - 1.0) / (4.0 * n)),
        low=of_end(TAIL),
        high=of_end(1.0 - TAIL),
    )


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_million_trials_agree_with_a_million_of_monaco(
    workers: ProcessPoolExecutor, name: str
) -> None:
    """Mean, standard deviation and both ends of the 95 % interval within sampling error.

    Two independent runs of one model differ by √2 standard errors of a run. Four of these are,
    in parts of the standard deviation, 0.6 % for the mean, 0.3 to 0.5 % for the standard
    deviation and 0.6 to 1.9 % for the ends. The shape that dominates, taken for a normal one of
    the same standard uncertainty or scale, would shift the ends by 4 % or more.
    """
    example = EXAMPLES[name]
    quantities = {
        key: Affine(
            estimate, {cause.ours.key: 1.0 for cause in example.causes if cause.quantity == key}
        )
        for key, estimate in example.estimates.items()
    }
    sources = [cause.ours for cause in example.causes]
    (ours,) = propagate(
        [example.model], quantities, sources, TRIALS, seed=2008, probability=PROBABILITY
    )
    seeds = [17 + SEED_STEP * block for block in range(TRIALS // BLOCK)]
    samples = np.concatenate(list(workers.map(trials_of_monaco, [name] * len(seeds), seeds)))
    assert len(samples) == ours.trials == TRIALS
    low, high = np.quantile(samples, [TAIL, 1.0 - TAIL])
    error = standard_errors(samples)
    print(f"\n{name}")
    pairs = {
        "mean": (ours.mean, float(np.mean(samples)), error.mean),
        "standard deviation": (
            ours.standard_uncertainty,
            float(np.std(samples, ddof=1)),
            error.deviation,
        ),
        "low": (ours.low, float(low), error.low),
        "high": (ours.high, float(high), error.high),
    }
    for what, (found, expected, one) in pairs.items():
        within = ERRORS * math.sqrt(2.0) * one
        print(
            f"{what:20} {found:.8g} {expected:.8g}  difference / standard error "
            f"{(found - expected) / (math.sqrt(2.0) * one):+.2f}, "
            f"tolerance / u {within / error.mean / math.sqrt(TRIALS):.2%}"
        )
        assert found == pytest.approx(expected, rel=0.0, abs=within), what
