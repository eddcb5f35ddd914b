"""Real scales: from a true length or time to what a person reads off and types.

Nothing here knows the program that is judged. The rule of the zero error (positive: subtracted,
negative: added; 47 of 50 for three divisions past the line) is the one of the textbooks that
``test_physics.py`` quotes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

Cells = dict[str, list[float | str | None]]
"""What is typed: a column of cells under each defined name, without its "in_"."""


@dataclass(frozen=True)
class Moving:
    """A main scale with a moving one beside it: a screw or a vernier; lengths in mm."""

    main: float
    """One step of the main scale; of a screw its pitch."""
    divisions: int
    part: float = 1.0
    """What the hand reads of a division: 1, 0.5 or 0.1."""

    @property
    def least_count(self) -> float:
        return self.main / self.divisions

    def read(self, position: float) -> tuple[float, float]:
        """Main scale (last mark in sight) and coinciding division for a position ≥ 0."""
        parts = round(position / self.least_count / self.part)
        per_step = round(self.divisions / self.part)
        return round(parts // per_step * self.main, 4), round(parts % per_step * self.part, 1)

    def read_zero(self, position: float) -> tuple[float, bool]:
        """Division with the jaws closed, and whether the zero mark stands past the line."""
        main, division = self.read(position + 100 * self.main)
        return division, main < 99.5 * self.main


def rounded(value: float, step: float) -> float:
    """What is read of a plain scale whose hand reads to ``step``."""
    return round(round(value / step) * step, 6)


def decimals_for(step: float) -> int:
    return max(0, -math.floor(math.log10(step) + 1e-9))


def put_readings(cells: Cells, name: str, scale: Moving, positions: Sequence[float]) -> None:
    """Type readings into the two columns ``name_main`` and ``name_coincidence``."""
    read = [scale.read(float(position)) for position in positions]
    cells[f"{name}_main"] = [main for main, _ in read]
    cells[f"{name}_coincidence"] = [division for _, division in read]


def put_zeros(
    cells: Cells, name: str, scale: Moving, positions: Sequence[float], sides: tuple[str, str]
) -> None:
    """Type zero readings: ``sides`` are the words for positive and for negative."""
    read = [scale.read_zero(float(position)) for position in positions]
    cells[f"{name}_coincidence"] = [division for division, _ in read]
    cells[f"{name}_side"] = [sides[past] for _, past in read]


def observed(cells: Cells, name: str, scale: Moving) -> np.ndarray:
    """Readings as a student adds them up; nan where a part is missing."""
    pairs = zip(cells[f"{name}_main"], cells[f"{name}_coincidence"], strict=True)
    return np.array(
        [
            np.nan
            if main is None or part is None
            else float(main) + float(part) * scale.least_count
            for main, part in pairs
        ]
    )


def zero_error(cells: Cells, name: str, scale: Moving, sides: tuple[str, str]) -> float:
    """Mean of the signed zero readings, to be subtracted."""
    pairs = zip(cells[f"{name}_coincidence"], cells[f"{name}_side"], strict=True)
    signed = [float(k) - (scale.divisions if side == sides[1] else 0) for k, side in pairs]
    return float(np.mean(signed)) * scale.least_count


def gravity(latitude: float, height: float) -> float:
    """Normal gravity, m/s²: the gravity formula 1980 in its series form (Moritz, Geodetic
    Reference System 1980), free-air gradient 3.086e-6 per s²."""
    s, s2 = math.sin(math.radians(latitude)) ** 2, math.sin(math.radians(2 * latitude)) ** 2
    return 9.780327 * (1 + 0.0053024 * s - 0.0000058 * s2) - 3.086e-6 * height


def significant(value: float, digits: int) -> float:
    """A number as it is written in a report."""
    return float(f"{value:.{digits}g}")


def put_answers(cells: Cells, sums: dict[str, float], digits: int) -> Cells:
    """The cells with own results, as they are written in a report."""
    own: Cells = {f"answer_{name}": [significant(value, digits)] for name, value in sums.items()}
    return cells | own


def put_triangle(
    cells: Cells, line: tuple[np.ndarray, np.ndarray], name: str, rng: np.random.Generator
) -> Cells:
    """The cells with two corners that were read off a graph, by two thousandths off."""
    x, y = line
    slope, height = np.polyfit(x, y, 1)
    corners = np.min(x) + np.ptp(x) * np.array([rng.uniform(0.03, 0.12), rng.uniform(0.88, 0.97)])
    for number, corner in enumerate(corners, 1):
        seen = slope * corner + height + rng.normal(0, 0.002) * np.ptp(y)
        cells = cells | {
            f"{name}_triangle_x{number}": [significant(float(corner), 4)],
            f"{name}_triangle_y{number}": [significant(float(seen), 4)],
        }
    return cells
