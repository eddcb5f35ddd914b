"""A wire that is really stretched: from true wire, true screws and true hands to typed cells.

All ranges stand in ``draw``. Lengths in mm unless the name says otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

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

SIDES = ("short of the line or on it", "past the line")

# GPa from low to high, and a third of a usual breaking stress in MPa. Moduli: the span of textbooks
# and handbooks (OpenStax University Physics 1, table 12.3, for the values 90, 110, 200, 210, 70;
# the ends of the ranges from memory); strengths: hard drawn but for iron, from memory.
MATERIALS = {
    "phosphor bronze": ((103, 120), 200), "brass": ((90, 115), 160), "copper": ((110, 130), 110),
    "steel": ((190, 212), 400), "iron": ((190, 213), 130), "aluminium": ((68, 72), 60),
    "other": ((155, 220), 200),
}  # fmt: skip
DIAMETERS = (0.274, 0.315, 0.376, 0.417, 0.457, 0.508, 0.559, 0.610, 0.711, 0.914)
"""Standard wire gauges 32 to 20, mm."""
SCREWS = ((0.5, 50), (0.5, 100), (1.0, 100), (1.0, 50))


@dataclass(frozen=True)
class Wire:
    """What is true at one bench, and every chance event of its measurement."""

    material: str
    modulus: float
    """GPa."""
    length: float
    diameter: float
    g: float
    gauge: Moving
    screw: Moving
    loads: np.ndarray
    """kg above the dead load, as written."""
    hung: np.ndarray
    """kg really there beyond those written, at each load."""
    dead: float
    start: float
    """Position of the screw under the dead load alone."""
    turn: int
    """+1 if the reading grows with the load, -1 if it falls."""
    beyond_up: np.ndarray
    beyond_down: np.ndarray
    """Extension that is not elastic, at each load."""
    noise_up: np.ndarray
    noise_down: np.ndarray
    way_back: bool
    top_copied: bool
    zeros: np.ndarray
    """Positions with closed jaws."""
    across: np.ndarray
    """Positions at the places of the wire, places × 2 directions."""
    ends: np.ndarray
    """Ends of the wire on the scale, cm, trials × 2."""
    scale_part: float
    """What is read of the metre scale, cm."""
    settings: np.ndarray
    turns: tuple[float, float]
    """Turns that were counted for the pitch of gauge and screw."""
    extra: Cells
    """Optional cells that are filled at this bench."""
    pitch_error: float
    mass_error: float

    def extension(self, loads: np.ndarray) -> np.ndarray:
        area = math.pi * self.diameter**2 / 4
        return loads * self.g * self.length / (area * self.modulus * 1000)

    def ways(self) -> tuple[np.ndarray, np.ndarray]:
        """Positions of the screw on the way up and on the way back."""
        stretched = self.extension(self.loads * (1 + self.mass_error) + self.hung)
        up, down = (
            self.start + self.turn * (stretched + beyond) / (1 + self.pitch_error) + noise
            for beyond, noise in (
                (self.beyond_up, self.noise_up),
                (self.beyond_down, self.noise_down),
            )
        )
        if self.top_copied:
            down[-1] = up[-1]
        return up, down


def draw(rng: np.random.Generator) -> Wire:
    """A clean bench out of the real range."""
    while True:
        story = _draw(rng)
        # spans 50 divisions or more, and the screw has room (25 mm at most)
        span = story.extension(story.loads)[-1]
        if 50 * story.screw.least_count <= span <= 8:
            return story


def _draw(rng: np.random.Generator) -> Wire:
    material = str(rng.choice(list(MATERIALS)))
    (low, high), stress = MATERIALS[material]
    modulus, length = rng.uniform(low, high), rng.uniform(800, 3000)
    nominal = float(rng.choice(DIAMETERS))
    diameter = nominal * (1 + rng.normal(0, 0.006))
    latitude, height = rng.uniform(-60, 65), rng.uniform(0, 2000)
    g = gravity(latitude, height) + rng.uniform(-0.001, 0.001)
    gauge = Moving(*SCREWS[rng.choice(4, p=[0.5, 0.2, 0.25, 0.05])], _part(rng))
    screw = Moving(*SCREWS[rng.choice(4, p=[0.4, 0.25, 0.3, 0.05])], _part(rng))
    rows = int(rng.integers(6, 11))
    dead = float(rng.choice([0.2, 0.5, 1.0]))
    most = stress * math.pi * diameter**2 / 4 / g - dead
    step = float(rng.choice([0.1, 0.2, 0.25, 0.5, 1.0, 2.0]))
    rows = min(rows, int(most / step) + 1) if most > 0 else 0
    if rows < 6:
        return _draw(rng)
    loads = np.round(np.arange(rows) * step, 3)
    setting = rng.uniform(0.3, 1.5) * screw.least_count
    # the wire comes back a little late, by part of a division
    lag = np.full(rows, rng.choice([0.0, rng.uniform(0, 0.8)]) * screw.least_count)
    # a screw gauge closes within a few thousandths, whatever its divisions
    touch, zero = rng.uniform(0.0015, 0.006), float(rng.uniform(-0.08, 0.08))
    zero = zero if rng.random() < 0.85 else 0.0
    places = int(rng.integers(5, 9))
    oval, taper = rng.uniform(0, 0.003), rng.uniform(0, 0.002)
    error = rng.uniform(-0.004, 0.004)
    across = (
        diameter + zero + error
        + np.array([oval, -oval]) / 2
        + rng.normal(0, taper, (places, 1))
        + rng.normal(0, touch, (places, 2))
    )  # fmt: skip
    upper = rng.uniform(1, 10)
    ends = np.array([[upper, upper + (length + rng.uniform(-1, 1)) / 10]]) * (
        1 + rng.uniform(-0.0005, 0.0005)
    )
    trials = int(rng.integers(1, 4))
    ends = ends + rng.uniform(0, 20, (trials, 1)) + rng.normal(0, 0.04, (trials, 2))
    return Wire(
        material=material, modulus=modulus, length=length, diameter=diameter, g=g,
        gauge=gauge, screw=screw, loads=loads, hung=np.zeros(rows), dead=dead,
        start=float(rng.uniform(9, 15)), turn=int(rng.choice([-1, 1])),
        beyond_up=np.zeros(rows), beyond_down=lag,
        noise_up=rng.normal(0, setting, rows), noise_down=rng.normal(0, setting, rows),
        way_back=bool(rng.random() < 2 / 3), top_copied=bool(rng.random() < 0.3),
        zeros=zero + rng.normal(0, 0.7 * touch, int(rng.integers(3, 6))), across=across, ends=ends,
        scale_part=float(rng.choice([0.1, 0.1, 0.05])),
        settings=rng.normal(0, setting, 5) if rng.random() < 0.4 else np.zeros(0),
        turns=(float(rng.choice([4, 5, 10])), float(rng.choice([4, 5, 10]))),
        extra=_optional(rng, nominal, g, latitude, height),
        pitch_error=float(rng.uniform(-0.002, 0.002)),
        mass_error=float(rng.uniform(-0.005, 0.005)),
    )  # fmt: skip


def _part(rng: np.random.Generator) -> float:
    return float(rng.choice([1.0, 0.5, 0.1], p=[0.6, 0.25, 0.15]))


def _optional(
    rng: np.random.Generator, nominal: float, g: float, latitude: float, height: float
) -> Cells:
    cells: Cells = {}
    if rng.random() < 0.5:
        cells["register_diameter"] = [nominal]
    if rng.random() < 0.3:
        cells["g_local"] = [round(g, 2)]
    if rng.random() < 0.5:
        cells["latitude"] = [round(latitude, int(rng.integers(0, 3)))]
        cells["altitude"] = [round(height / 50) * 50.0]
    if rng.random() < 0.5:
        cells["temperature"] = [rounded(rng.uniform(12, 33), 0.5)]
    return cells


def typed(story: Wire) -> Cells:
    """The cells that careful hands fill at this bench, own results apart."""
    cells: Cells = {"material": [story.material], "dead_load": [story.dead]}
    screws = (("screw_gauge", story.gauge), ("extensometer", story.screw))
    for (name, screw), turns in zip(screws, story.turns, strict=True):
        cells[f"{name}_turns"] = [turns]
        cells[f"{name}_travel"] = [turns * screw.main]
        cells[f"{name}_divisions"] = [float(screw.divisions)]
    cells["metre_scale_least_count"] = [0.1]
    put_zeros(cells, "screw_gauge_zero_reading", story.gauge, story.zeros, SIDES)
    for column in (0, 1):
        put_readings(cells, f"diameter_d_{column + 1}", story.gauge, story.across[:, column])
    for column, name in enumerate(("length_upper", "length_lower")):
        cells[name] = [rounded(end, story.scale_part) for end in story.ends[:, column]]
    cells["readings_mass"] = [float(load) for load in story.loads]
    up, down = story.ways()
    put_readings(cells, "readings_up_1", story.screw, up)
    if story.way_back:
        put_readings(cells, "readings_down_1", story.screw, down)
    if len(story.settings):
        put_readings(cells, "settings_s", story.screw, up[len(up) // 2] + story.settings)
    return cells | story.extra


def line(cells: Cells, story: Wire) -> tuple[np.ndarray, np.ndarray]:
    """Loads and extensions as a student plots them: kg and mm."""
    ways = [observed(cells, "readings_up_1", story.screw)]
    if story.way_back:
        ways.append(observed(cells, "readings_down_1", story.screw))
    means = np.mean(ways, axis=0)
    return np.array(cells["readings_mass"]), np.abs(means - means[0])


def own_sums(cells: Cells, story: Wire) -> dict[str, float]:
    """The student's sums from the typed readings: L/m, d/mm, A/mm², s mm/kg, Y/GPa."""
    spans = [
        abs(float(low) - float(high))
        for high, low in zip(cells["length_upper"], cells["length_lower"], strict=True)
    ]
    zero = zero_error(cells, "screw_gauge_zero_reading", story.gauge, SIDES)
    thick = [observed(cells, f"diameter_d_{column}", story.gauge) for column in (1, 2)]
    length, d = float(np.mean(spans)) / 100, float(np.mean(thick)) - zero
    s = float(np.polyfit(*line(cells, story), 1)[0])
    area = math.pi * d**2 / 4
    Y = own_g(cells) * length / (area * s)
    return {"least_count": story.gauge.least_count, "L": length, "d": d, "A": area, "s": s, "Y": Y}


def own_uncertainty(sums: dict[str, float]) -> float:
    """The part of the result that its least counts may be wrong by, as schools add them up."""
    return sums["Y"] * (2 * sums["least_count"] / sums["d"] + 0.01)


def own_g(cells: Cells) -> float:
    if "g_local" in cells:
        return float(cells["g_local"][0])
    if "latitude" in cells:
        return gravity(float(cells["latitude"][0]), float(cells["altitude"][0]))
    return 9.80665
