"""Readings that are more regular than scatter lets them be: said of a class, never of a person.

There are honest reasons for each of these (a shared bench, a dial numbered in fives, chance), so
nothing here is a finding of a workbook, and each note gives the probability of chance and asks for
a repeat.
"""

from __future__ import annotations

import hashlib
import math
from collections import defaultdict
from collections.abc import Iterator, Sequence

from msgspec import Struct

from sheetlab.checks.assess import Assessment
from sheetlab.metrology.distributions import binomial_tail
from sheetlab.metrology.line import fit_line
from sheetlab.practical.study import LineStudy

SAME = 8
"""Readings that have to be the same in two workbooks before it is said."""
BY_CHANCE = 0.01
FEWEST_DIGITS = 50


class ClassNote(Struct, frozen=True):
    """Something unusually regular in a class."""

    code: str
    text: str
    probability: float | None
    """Of chance alone; None where it has no meaning."""

    @property
    def sentence(self) -> str:
        """The note with its probability."""
        chance = "" if self.probability is None else f" (chance alone: {self.probability:.1g})"
        return f"{self.text}{chance}"


class Traits(Struct, frozen=True):
    """What of one workbook matters here: little enough to keep it of very many."""

    practical: str
    readings: tuple[tuple[str, str, int, bytes], ...]
    """Id and title of a table with differing numbers, how many they are, and their digest."""
    ways: tuple[tuple[int, float, float], ...]
    """Of ways that read the same: rows, scatter in divisions, probability of chance."""
    divisions: int
    """Coinciding divisions that were read."""
    ends: int
    """Those of them that end in 0 or 5."""


def traits(one: Assessment) -> Traits:
    """What of a workbook is compared with the others of its class."""
    # repeats of one thing, or both ways at one load, fall on the same division together
    first = {line.y[0] for line in one.practical.lines.values()}
    divisions = [
        int(value)
        for key in one.practical.inputs
        if key.endswith(".coincidence") and key.rpartition(".")[0] in first
        for value in _values(one, key)
        if value == int(value)
    ]
    return Traits(
        one.practical.definition.id,
        tuple(_readings(one)),
        tuple(way for study in one.studies for way in _equal_ways(study)),
        len(divisions),
        sum(division % 5 == 0 for division in divisions),
    )


def regularities(class_: Sequence[tuple[str, Traits]]) -> Iterator[ClassNote]:
    """Regularities in the workbooks of a class, each named by its group or file.

    False alarms: for each kind at most 1 % of classes (for equal ways: of workbooks), as computed
    from the scatter that the readings themselves show.
    """
    seen: dict[tuple[str, str, str, int, bytes], dict[str, None]] = defaultdict(dict)
    for name, one in class_:
        for table in one.readings:
            # who hands in again has the same readings by right
            seen[one.practical, *table][name] = None
    for (_, _, title, count, _), names in seen.items():
        if len(names) > 1:
            yield ClassNote(
                "same-readings",
                f"{' and '.join(names)} have the same {count} numbers in “{title}”. Did they share "
                "a bench? If not, ask for a repeat.",
                None,
            )
    for name, one in class_:
        for rows, spread, chance in one.ways:
            yield ClassNote(
                "ways-equal",
                f"{name}: both ways read the same in all {rows} rows, although the "
                f"readings scatter by {spread:.1f} divisions about their line. That is unusually "
                "regular; ask for a repeat.",
                chance,
            )
    total, ends = (sum(getattr(one, its) for _, one in class_) for its in ("divisions", "ends"))
    chance = binomial_tail(ends, total, 0.2) if total >= FEWEST_DIGITS else 1.0
    if chance < BY_CHANCE:
        yield ClassNote(
            "digits-preferred",
            f"Of {total} coinciding divisions of this class {ends} end in 0 or 5, where "
            f"{0.2 * total:.0f} are to be expected. Scales numbered in fives lead to that "
            "honestly; show once more how a division between the numbers is read.",
            chance,
        )


def _values(one: Assessment, key: str) -> list[float]:
    return [e.value for e in one.observations.entries.get(key, ()) if e.value is not None]


def _readings(one: Assessment) -> Iterator[tuple[str, str, int, bytes]]:
    for table in one.practical.definition.tables:
        numbers = [
            value + 0.0
            for key, column in one.practical.inputs.items()
            if column.table == table.id and column.kind == "number"
            for value in _values(one, key)
        ]
        # few different numbers are the same for many by right: loads, zero readings
        if len(set(numbers)) >= SAME:
            digest = hashlib.sha256(repr(numbers).encode()).digest()
            yield table.id, table.title, len(numbers), digest


def _equal_ways(study: LineStudy) -> Iterator[tuple[int, float, float]]:
    line, division = study.line, study.half_bar
    if not any(line.field.back) or not division:
        return
    half = len(line.field.y) // 2
    at = {(p.series, row): p.y for p, row in zip(line.fit.points, line.rows, strict=True)}
    for k, series in enumerate(line.series()[:half]):
        # the reading at the turning point, the last one, is taken once for both
        rows = sorted(row for way, row in at if way == k and (k + half, row) in at)[:-1]
        if len(rows) < SAME - 2 or any(
            abs(at[k, row] - at[k + half, row]) > 1e-6 * division for row in rows
        ):
            continue
        spread = fit_line(*zip(*series, strict=True)).residual_deviation / division
        chance = equal_by_chance(spread) ** len(rows)
        if chance < BY_CHANCE:
            yield len(rows), spread, chance


def equal_by_chance(spread: float) -> float:
    """Probability that two rounded readings are equal.

    Parameters
    ----------
    spread
        Standard deviation of a rounded reading, in divisions (a pure number).

    Returns
    -------
    float
        Integral of the difference of two normal readings over the triangle (1 - |u|) that
        rounding at a random place makes (own derivation).
    """
    # rounding itself has a variance of 1/12
    sigma = math.sqrt(2.0 * max(spread * spread - 1.0 / 12.0, 0.0))
    if sigma < 1e-6:
        return 1.0
    z = 1.0 / sigma
    inner = math.erf(z / math.sqrt(2.0))
    tail = 2.0 * (math.exp(-0.5 * z * z) - 1.0) / (z * math.sqrt(2.0 * math.pi))
    return min(1.0, max(inner + tail, 0.0))
