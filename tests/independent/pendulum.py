"""A pendulum that really swings: from true lengths and true hands to typed cells.

All ranges stand in ``draw``. Lengths in m, the bob in mm, angles in degrees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from independent.scales import (
    Cells,
    Moving,
    gravity,
    observed,
    put_readings,
    put_zeros,
    rounded,
    zero_error,
)

SIDES = ("right of the main zero or on it", "left of the main zero")


@dataclass(frozen=True)
class Pendulum:
    """What is true at one bench, and every chance event of its measurement."""

    g: float
    bob: float
    """Diameter, mm."""
    caliper: Moving
    zeros: np.ndarray
    """Positions of the caliper with closed jaws, mm."""
    across: np.ndarray
    """Positions of the caliper across the bob, mm."""
    lengths: np.ndarray
    """From the clamp to the middle of the bob."""
    thread_noise: np.ndarray
    """Of the reading of each thread, with what all threads share."""
    scale_part: float
    """What is read of the metre scale, cm."""
    angle: float
    swings: int
    counted: np.ndarray
    """Swings really counted in each timing, lengths × 3."""
    time_noise: np.ndarray
    """Of hand and watch, lengths × 3, with what all timings share."""
    scatter: float
    """Standard deviation of a timing by hand."""
    watch: float
    """Last digit of the stopwatch, s."""
    extra: Cells

    def periods(self) -> np.ndarray:
        """Seconds. Amplitude by the series of the exact integral, the bob as a sphere."""
        theta, radius = math.radians(self.angle), self.bob / 2000
        wide = 1 + theta**2 / 16 + 11 * theta**4 / 3072 + 173 * theta**6 / 737280
        return (
            2 * math.pi * np.sqrt((self.lengths + 0.4 * radius**2 / self.lengths) / self.g) * wide
        )


def draw(rng: np.random.Generator) -> Pendulum:
    """A clean bench out of the real range."""
    latitude, height = rng.uniform(-60, 65), rng.uniform(0, 2000)
    g = gravity(latitude, height)
    bob = rng.uniform(12, 32)
    caliper = Moving(1.0, int(rng.choice([10, 20, 50])))
    zero = float(rng.uniform(-0.1, 0.1) if rng.random() < 0.7 else rng.uniform(-0.5, 0.5))
    touch = rng.uniform(0.01, 0.03)
    rows = int(rng.integers(6, 11))
    shortest, longest = rng.uniform(0.2, 0.45), rng.uniform(0.8, 1.5)
    lengths = np.linspace(shortest, longest, rows) + rng.uniform(-0.02, 0.02, rows)
    if rng.random() < 0.3:
        lengths = lengths[::-1]
    swings = int(rng.choice([10, 20, 25, 30, 40, 50]))
    scatter, shape = rng.uniform(0.05, 0.15), (rows, 3)
    share, rate = rng.uniform(-0.0005, 0.0005), rng.uniform(-0.0001, 0.0001)
    noise = rng.normal(0, scatter, shape) + rng.uniform(-0.05, 0.05)
    angle = rng.uniform(2, 12)
    extra: Cells = {}
    if rng.random() < 0.6:
        extra["amplitude"] = [float(max(1, round(angle + rng.uniform(-1.5, 1.5))))]
    if rng.random() < 0.5:
        extra["latitude"] = [round(latitude, int(rng.integers(0, 3)))]
        extra["altitude"] = [round(height / 50) * 50.0]
    zeros = zero + rng.normal(0, touch, int(rng.integers(2, 4)))
    across = bob + zero + rng.uniform(-0.02, 0.02) + rng.normal(0, touch, int(rng.integers(3, 6)))
    thread_noise = lengths * share + rng.normal(0, 0.0005, rows) + rng.uniform(-0.0005, 0.0005)
    story = Pendulum(
        g=g, bob=bob, caliper=caliper, zeros=zeros, across=across, lengths=lengths,
        thread_noise=thread_noise, scale_part=float(rng.choice([0.1, 0.1, 0.05])), angle=angle,
        swings=swings, counted=np.full(shape, swings), time_noise=noise, scatter=scatter,
        watch=float(rng.choice([0.01, 0.01, 0.1, 0.2])), extra=extra,
    )  # fmt: skip
    times = story.periods()[:, None] * story.counted
    return replace(story, time_noise=noise + times * rate)


def typed(story: Pendulum) -> Cells:
    """The cells that careful hands fill at this bench, own results apart."""
    cells: Cells = {
        "caliper_main_division": [story.caliper.main],
        "caliper_vernier_divisions": [float(story.caliper.divisions)],
        "metre_scale_least_count": [0.1],
        "stopwatch_least_count": [story.watch],
        "swings": [float(story.swings)],
    }
    put_zeros(cells, "caliper_zero_reading", story.caliper, story.zeros, SIDES)
    put_readings(cells, "bob_d", story.caliper, story.across)
    threads = 100 * (story.lengths - story.bob / 2000 + story.thread_noise)
    cells["timing_thread"] = [rounded(float(one), story.scale_part) for one in threads]
    times = story.periods()[:, None] * story.counted + story.time_noise
    for trial in range(3):
        cells[f"timing_t_{trial + 1}"] = [
            rounded(float(one), story.watch) for one in times[:, trial]
        ]
    return cells | story.extra


def _own_bob(cells: Cells, story: Pendulum) -> float:
    zero = zero_error(cells, "caliper_zero_reading", story.caliper, SIDES)
    return float(np.mean(observed(cells, "bob_d", story.caliper))) - zero


def line(cells: Cells, story: Pendulum) -> tuple[np.ndarray, np.ndarray]:
    """Lengths and squares of the period as a student plots them: m and s²."""
    lengths = np.array(cells["timing_thread"]) / 100 + _own_bob(cells, story) / 2000
    times = np.mean([cells[f"timing_t_{trial}"] for trial in (1, 2, 3)], axis=0)
    theta = math.radians(float(cells.get("amplitude", [5.0])[0]))
    return lengths, (times / float(cells["swings"][0]) / (1 + theta**2 / 16)) ** 2


def own_sums(cells: Cells, story: Pendulum) -> dict[str, float]:
    """The student's sums from the typed readings: D in mm, k in s²/m, g in m/s²."""
    k = float(np.polyfit(*line(cells, story), 1)[0])
    g = 4 * math.pi**2 / k
    return {"least_count": story.caliper.least_count, "D": _own_bob(cells, story), "k": k, "g": g}


def own_uncertainty(sums: dict[str, float]) -> float:
    """One percent, as schools do."""
    return 0.01 * sums["g"]
