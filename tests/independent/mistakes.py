"""What goes wrong at real benches, and what a good teacher would call it.

A mistake changes the story (what happened at the bench) or the cells (what was typed), on the same
chance events, and gives back the cells that stand in the workbook; None where it cannot happen.
``KINDS`` is the one table of expected names. A name is a code of a finding, or "code: words" with a
regular expression that its message has to meet; "*" stands for any code.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from independent import pendulum, wire
from independent.pendulum import Pendulum
from independent.scales import Cells, put_answers, rounded, significant
from independent.wire import Wire

Rng = np.random.Generator
Plant = Callable[[Any, Cells, Rng], Cells | None]


@dataclass(frozen=True)
class Kind:
    """A mistake: how it is planted, and which names are right or also true."""

    plant: Plant
    right: tuple[str, ...]
    also: tuple[str, ...] = ()
    told: str = "material"
    """"material": judged where it moves a result; "always": judged though it may not; "missing": so
    too, and a note is enough; "own": judged by the own results, as are "convention" (said as such)
    and "right" (accepted)."""


def _copy(cells: Cells) -> Cells:
    return {name: list(column) for name, column in cells.items()}


def _way(story: Wire, rng: Rng) -> str:
    return "down" if story.way_back and rng.random() < 0.5 else "up"


def _shift(cells: Cells, name: str, row: int, by: float) -> Cells | None:
    """One cell changed by so much; None if it would fall below zero."""
    changed = _copy(cells)
    value = round(float(cells[name][row]) + by, 6)
    changed[name][row] = value
    return None if value < 0 else changed


# --- the wire: readings of the screw


def main_step(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """One step of the main scale misread in one reading: a whole millimetre."""
    name, by = f"readings_{_way(story, rng)}_1_main", float(rng.choice([-1, 1]))
    return _shift(cells, name, int(rng.integers(len(story.loads))), by)


def half_step(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """The half-millimetre mark not seen, in one reading."""
    name, row = f"readings_{_way(story, rng)}_1_main", int(rng.integers(len(story.loads)))
    if story.screw.main != 0.5 or float(cells[name][row]) % 1 == 0:
        return None
    return _shift(cells, name, row, -0.5)


def half_of_diameter(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """The half-millimetre mark of the screw gauge not seen, at one place."""
    name, row = f"diameter_d_{rng.integers(1, 3)}_main", int(rng.integers(len(story.across)))
    return _shift(cells, name, row, -0.5) if story.gauge.main == 0.5 else None


def ten_off(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """A division read ten off, at the next number of the scale."""
    way, row = _way(story, rng), int(rng.integers(len(story.loads)))
    name = f"readings_{way}_1_coincidence"
    by = 10.0 if float(cells[name][row]) < 10 else -10.0
    return _shift(cells, name, row, by)


def backlash(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """Every setting of the way back reached by turning the other way."""
    if not story.way_back:
        return None
    play = rng.choice([-1, 1]) * rng.uniform(8, 15) * story.screw.least_count
    return wire.typed(replace(story, beyond_down=np.full(len(story.loads), play)))


def _lasting(story: Wire, first: int, by: float) -> Wire:
    """More extension from a load on, also on the whole way back."""
    rows = np.arange(len(story.loads))
    return replace(
        story,
        beyond_up=np.where(rows >= first, by, 0.0),
        beyond_down=story.beyond_down + by,
    )


def slip(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """The wire slips in a chuck by some thirty divisions between two loads."""
    first = int(rng.integers(2, len(story.loads) - 1))
    return wire.typed(_lasting(story, first, rng.uniform(20, 45) * story.screw.least_count))


def missed_load(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """From one load on a mass more hangs there than is written, both ways."""
    rows, step = np.arange(len(story.loads)), story.loads[1]
    first = int(rng.integers(2, len(rows) - 1))
    return wire.typed(replace(story, hung=np.where(rows >= first, step, 0.0)))


def overload(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """The wire yields under the last loads, and stays longer."""
    rows, last = len(story.loads), int(rng.integers(2, 4))
    step = story.extension(story.loads[1:2])[0]
    beyond = np.zeros(rows)
    beyond[-last:] = np.cumsum(step * rng.uniform(0.25, 0.5) * np.arange(1, last + 1))
    return wire.typed(replace(story, beyond_up=beyond, beyond_down=story.beyond_down + beyond[-1]))


def kink(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """Kinks are pulled out by the first load or two, and come again at the end."""
    toe = rng.uniform(10, 25) * story.screw.least_count
    beyond = np.full(len(story.loads), toe)
    beyond[0] = 0
    if rng.random() < 0.5:
        beyond[1] = toe * rng.uniform(0.5, 0.7)
    return wire.typed(replace(story, beyond_up=beyond, beyond_down=story.beyond_down + beyond))


# --- the wire: what is typed


def _columns(way: str) -> tuple[str, str]:
    return f"readings_{way}_1_main", f"readings_{way}_1_coincidence"


def row_off(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """From some row on every reading of one way stands a row too low; the last has no place."""
    changed, first = _copy(cells), int(rng.integers(1, len(story.loads) - 2))
    for name in _columns(_way(story, rng)):
        column = cells[name]
        changed[name] = column[:first] + column[first - 1 : -1]
    return changed


def back_row_off(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """The whole way back stands one row too high; its lowest reading went to the second row."""
    if not story.way_back:
        return None
    changed = _copy(cells)
    for name in _columns("down"):
        changed[name] = [*cells[name][1:], None]
    return changed


def time_order(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """The way back written from the top down as it was read, not from the bottom up."""
    if not story.way_back:
        return None
    return _copy(cells) | {name: cells[name][::-1] for name in _columns("down")}


def zero_side(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """The division as it stands, and the other side of the line, in every zero reading."""
    if abs(np.mean(story.zeros)) < 2 * story.gauge.least_count:
        return None
    sides = cells["screw_gauge_zero_reading_side"]
    other = {wire.SIDES[0]: wire.SIDES[1], wire.SIDES[1]: wire.SIDES[0]}
    return cells | {"screw_gauge_zero_reading_side": [other[str(side)] for side in sides]}


def zero_sign(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """A negative zero counted from the zero mark and called positive; the register would tell."""
    if np.mean(story.zeros) > -2 * story.gauge.least_count or "register_diameter" not in cells:
        return None
    divisions = cells["screw_gauge_zero_reading_coincidence"]
    counted = [(story.gauge.divisions - float(k)) % story.gauge.divisions for k in divisions]
    return cells | {
        "screw_gauge_zero_reading_coincidence": counted,
        "screw_gauge_zero_reading_side": [wire.SIDES[0]] * len(counted),
    }


def from_one(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """The divisions of a circular scale counted with the zero line as number one and as last."""
    name = str(rng.choice(["screw_gauge_divisions", "extensometer_divisions"]))
    return cells | {name: [float(cells[name][0]) + 1]}


def _times(*names: str, factor: float, decimals: int = 4) -> Plant:
    """Whole columns in another unit."""

    def plant(story: Any, cells: Cells, rng: Rng) -> Cells | None:
        return cells | {
            name: [None if one is None else round(float(one) * factor, decimals) for one in column]
            for name, column in cells.items()
            if name in names
        }

    return plant


def increments(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """The mass that was put on in each row, not the total."""
    return cells | {"readings_mass": [0.0] + [float(story.loads[1])] * (len(story.loads) - 1)}


# --- what is missing, or was changed by the program that it was typed into


def _blank(*names: str) -> Plant:
    """Cells of one row left blank: in each of these columns that the bench has."""

    def plant(story: Any, cells: Cells, rng: Rng) -> Cells | None:
        changed = _copy(cells)
        columns = [changed[name] for name in names if name in changed]
        row = int(rng.integers(len(columns[0])))
        for column in columns:
            column[row] = None
        return changed if len(columns[0]) > 1 else None

    return plant


def became_date(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """A division typed as 12.5, which the program took for the twelfth of May."""
    changed, column = _copy(cells), cells["readings_up_1_coincidence"]
    dates = [(i, int(10 * float(k)) % 10, int(float(k))) for i, k in enumerate(column)]
    dates = [one for one in dates if one[1] and 1 <= one[2] <= 28]
    if not dates:
        return None
    row, month, day = dates[int(rng.integers(len(dates)))]
    serial = (datetime.date(2026, month, day) - datetime.date(1899, 12, 30)).days
    changed["readings_up_1_coincidence"][row] = float(serial)
    return changed


def one_direction(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """The diameter read in one direction only."""
    return {name: column for name, column in cells.items() if not name.startswith("diameter_d_2")}


def no_tenths(story: Wire, cells: Cells, rng: Rng) -> Cells | None:
    """A whole division in one reading, where every other one has tenths."""
    name, row = f"readings_{_way(story, rng)}_1_coincidence", int(rng.integers(len(story.loads)))
    tenths = [float(one) % 1 for one in cells[name]]
    if story.screw.part != 0.1 or sum(map(bool, tenths)) < len(tenths) or not tenths[row]:
        return None
    changed = _copy(cells)
    changed[name][row] = math.floor(float(cells[name][row]))
    return changed


# --- the pendulum


def swings_everywhere(story: Pendulum, cells: Cells, rng: Rng) -> Cells | None:
    """Counting began at one: in every timing a swing is missing, or one too many."""
    counted = story.counted + int(rng.choice([-1, -1, 1]))
    return pendulum.typed(_recounted(story, counted))


def swings_in_row(story: Pendulum, cells: Cells, rng: Rng) -> Cells | None:
    """A swing more or less in all timings of one length."""
    counted = story.counted.copy()
    counted[int(rng.integers(len(counted)))] += int(rng.choice([-1, 1]))
    return pendulum.typed(_recounted(story, counted))


def _recounted(story: Pendulum, counted: np.ndarray) -> Pendulum:
    return replace(story, counted=counted)


def swings_cell(story: Pendulum, cells: Cells, rng: Rng) -> Cells | None:
    """The number of swings that was planned, not the number that was counted."""
    other = [n for n in (10, 20, 25, 30, 40, 50) if n != story.swings]
    return cells | {"swings": [float(rng.choice(other))]}


def wide(story: Pendulum, cells: Cells, rng: Rng) -> Cells | None:
    """Swings of 25 to 40 degrees; the cell says 5, or nothing."""
    spoiled = pendulum.typed(replace(story, angle=float(rng.uniform(25, 40))))
    spoiled.pop("amplitude", None)
    return spoiled if rng.random() < 0.5 else spoiled | {"amplitude": [5.0]}


def _threads(story: Pendulum, cells: Cells, more: float) -> Cells:
    """Threads longer by so much, in cm."""
    return cells | {
        "timing_thread": [
            rounded(float(one) + more, story.scale_part) for one in cells["timing_thread"]
        ]
    }


def to_centre(story: Pendulum, cells: Cells, rng: Rng) -> Cells | None:
    """The thread measured to the middle of the bob, whose radius is then added once more."""
    return _threads(story, cells, story.bob / 20)


def to_bottom(story: Pendulum, cells: Cells, rng: Rng) -> Cells | None:
    """The thread measured to the bottom of the bob."""
    return _threads(story, cells, story.bob / 10)


def radius_typed(story: Pendulum, cells: Cells, rng: Rng) -> Cells | None:
    """Half of what the caliper reads, typed as the diameter."""
    half = story.across - story.bob / 2
    return pendulum.typed(replace(story, across=half))


def timing_off(story: Pendulum, cells: Cells, rng: Rng) -> Cells | None:
    """One of the three timings of a length off by 7.5 times the scatter of timings."""
    noise = story.time_noise.copy()
    at = int(rng.integers(len(noise))), int(rng.integers(3))
    noise[at] += rng.choice([-1, 1]) * 7.5 * story.scatter
    return pendulum.typed(replace(story, time_noise=noise))


# --- own results


def _own(module: Any, change: Callable[[dict[str, float], Any, Cells, Rng], dict]) -> Plant:
    def plant(story: Any, cells: Cells, rng: Rng) -> Cells | None:
        sums = change(module.own_sums(cells, story), story, cells, rng)
        return put_answers(cells, sums, 5)

    return plant


def _scaled(name: str, factor: Callable[[Any, Rng], float]) -> Callable[..., dict[str, float]]:
    """One own result by so much, and what follows from it."""

    def change(sums: dict[str, float], story: Any, _: Cells, rng: Rng) -> dict[str, float]:
        f = factor(story, rng)
        follows = {name: f, "Y": 1 / f} if name == "A" else {name: f}
        return {key: value * follows.get(key, 1) for key, value in sums.items()}

    return change


def _with_g(value: float) -> Callable[..., dict[str, float]]:
    """A usual round value of g, whatever is known of the place."""

    def change(sums: dict[str, float], _: Any, cells: Cells, rng: Rng) -> dict[str, float]:
        return sums | {"Y": sums["Y"] * value / wire.own_g(cells)}

    return change


def _carried(sums: dict[str, float], story: Any, _: Cells, rng: Rng) -> dict[str, float]:
    """Every step goes on with the rounded value of the step before, and tells it: right."""
    digits = int(rng.integers(2, 4))
    told = {name: significant(sums[name], digits) for name in ("d", "s", "k", "L") if name in sums}
    if "k" in told:
        return sums | told | {"g": 4 * math.pi**2 / told["k"]}
    area = significant(math.pi * told["d"] ** 2 / 4, digits)
    loss = sums["A"] * sums["s"] / sums["L"] / (area * told["s"] / told["L"])
    return sums | told | {"A": area, "Y": sums["Y"] * loss}


def _no_radius(sums: dict[str, float], story: Any, cells: Cells, rng: Rng) -> dict[str, float]:
    """g as the mean of 4 π² l/T² with the thread for the length."""
    lengths, squares = pendulum.line(cells, story)
    g = float(np.mean(4 * math.pi**2 * (lengths - sums["D"] / 2000) / squares))
    return {"D": sums["D"], "g": g}


# --- names

MISSING = ("reading-missing", "reading-incomplete", "*: missing|blank|empty|not filled|only one")
UNIT = "unit of the heading|in (c|m)?m\\b|times (smaller|larger)|wrong unit"
ROW = (
    "readings-row-off",
    "rows-shifted",
    "*: (one|a) row (off|too|lower|higher|down|up)|by (one|a) row|typed twice",
)
TRAVEL = ("*: distance moved|travel|pitch of [^,.]*times",)
SWINGS = ("*: [Ff]ull swings counted[^.]*instead|[0-9]+ (swings|were counted)",)

WIRE: dict[str, Kind] = {
    "main scale, one step": Kind(main_step, ("point-off-line: main scale",)),
    "half millimetre missed": Kind(half_step, ("point-off-line: main scale",)),
    "half millimetre of a diameter": Kind(half_of_diameter, ("*: as if the main scale",)),
    "ten divisions off": Kind(ten_off, ("point-off-line: ten off|^(?!.*as if)",)),
    "backlash": Kind(backlash, ("backlash",), told="always"),
    "slip of a chuck": Kind(slip, ("slip", "*: slip"), ("step-uneven",)),
    "load not written down": Kind(
        missed_load, ("load-not-recorded", "*: load[^.?]* not (written|recorded)"), ("step-uneven",)
    ),
    "overload": Kind(overload, ("yield-at-end", "permanent-set", "*: yield")),
    "kink at the start": Kind(kink, ("kink-at-start", "*: kink")),
    "readings one row off": Kind(row_off, ROW),
    "way back one row off": Kind(back_row_off, ROW, told="always"),
    "way back in time order": Kind(
        time_order, ("order-of-time", "*: bottom up|from the bottom|top (to bottom|down)")
    ),
    "zero on the other side": Kind(zero_side, ("zero-error-large", "zero-side-doubtful")),
    "negative zero called positive": Kind(
        zero_sign, ("zero-side-doubtful", "*: zero error[^.]* other sign", "*: zero mark[^.]* past")
    ),
    "divisions counted from one": Kind(
        from_one, ("divisions-doubtful", "*: has (50|100) divisions")
    ),
    "travel of the gauge in cm": Kind(_times("screw_gauge_travel", factor=0.1), TRAVEL),
    "travel of the extensometer in cm": Kind(_times("extensometer_travel", factor=0.1), TRAVEL),
    "length in mm": Kind(
        _times("length_upper", "length_lower", factor=10), (f"*: (chuck|[Ll]ength).*({UNIT})",)
    ),
    "length in m": Kind(
        _times("length_upper", "length_lower", factor=0.01), (f"*: (chuck|[Ll]ength).*({UNIT})",)
    ),
    "loads in N": Kind(
        _times("readings_mass", factor=9.81, decimals=2),
        ("*: load.*(newton|\\bN\\b)", "outside-limits: added load"), ("*: added load.*10 times",),
    ),
    "loads in g": Kind(
        _times("readings_mass", factor=1000),
        ("*: load.*(\\bg\\b|gram|1000 times)", "outside-limits: added load"),
    ),
    "increments for totals": Kind(increments, ("load-not-rising", "steps-not-totals")),
    "upper end of a length blank": Kind(_blank("length_upper"), MISSING, told="missing"),
    "lower end of a length blank": Kind(_blank("length_lower"), MISSING, told="missing"),
    "a load without readings": Kind(
        _blank(*_columns("up"), *_columns("down")), MISSING, told="missing"
    ),
    "readings without their load": Kind(_blank("readings_mass"), MISSING, told="missing"),
    "a division that became a date": Kind(became_date, ("*: date",), told="always"),
    "one direction of diameters": Kind(
        one_direction, (*MISSING, "series-empty: right angles", "*: direction"), told="missing"
    ),
    "a division without its tenths": Kind(no_tenths, ("digits-left-out",), told="missing"),
    "own: radius for diameter": Kind(
        _own(wire, _scaled("A", lambda story, rng: 4.0)), ("radius|diameter",), told="own"
    ),
    "own: g = 10": Kind(
        _own(wire, _with_g(10.0)), ("\\b10\\b",), told="convention"
    ),
    "own: g = 9.8": Kind(
        _own(wire, _with_g(9.8)), ("9\\.8\\b",), told="convention"
    ),
    "own: rounded values carried on": Kind(_own(wire, _carried), (), told="right"),
    "own: wrong power of ten": Kind(
        _own(wire, _scaled("Y", lambda story, rng: 10.0 ** int(rng.choice([-2, -1, 1, 2, 3])))),
        ("power of ten|unit|10|100|1000",), told="own",
    ),
}  # fmt: skip

PENDULUM: dict[str, Kind] = {
    "a swing off in every timing": Kind(swings_everywhere, SWINGS),
    "a swing off in one row": Kind(swings_in_row, SWINGS),
    "another number of swings": Kind(swings_cell, SWINGS),
    "wide swing not told": Kind(wide, ("*: angle|wide|amplitude",)),
    "thread to the middle of the bob": Kind(to_centre, ("*: thread|bob",)),
    "thread to the bottom of the bob": Kind(to_bottom, ("*: thread|bob",)),
    "radius for the bob's diameter": Kind(radius_typed, ("*: radius|bob",)),
    "thread in m": Kind(_times("timing_thread", factor=0.01), (f"*: thread.*({UNIT})",)),
    "thread in mm": Kind(_times("timing_thread", factor=10), (f"*: thread.*({UNIT})",)),
    "one timing off": Kind(timing_off, ("repeat-off", "timings-disagree"), told="always"),
    "a thread without timings": Kind(
        _blank("timing_t_1", "timing_t_2", "timing_t_3"), MISSING, told="missing"
    ),
    "timings without their thread": Kind(_blank("timing_thread"), MISSING, told="missing"),
    "own: radius of the bob missing": Kind(
        _own(pendulum, _no_radius), ("bob|radius|thread|l′|D\\b",), told="own"
    ),
    "own: rounded values carried on": Kind(_own(pendulum, _carried), (), told="right"),
}  # fmt: skip
BY_PRACTICAL = {"wire-stretching": WIRE, "simple-pendulum": PENDULUM}
