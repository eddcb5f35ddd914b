"""What can have gone wrong on the way to a number: one table of kinds, and how common they are.

The ratios themselves are made from the formulas (``sheetlab.formula.slips`` and ``diagnosis``).
"""

from __future__ import annotations

from msgspec import Struct


class Kind(Struct, frozen=True):
    """A kind of slip; its words stand in the catalogue under ``because-`` and its name."""

    frequency: int
    """How common it is, 9 for the commonest: experience of the trade, no source."""
    legitimate: bool = False
    """Not a mistake but another way."""
    pairs: bool = False
    """Common enough to be looked for together with another slip."""


ZERO_SIDE = "zero-side-chosen"
"""Kind of the cause that lies in the readings, and not in the own result."""

KINDS: dict[str, Kind] = {
    ZERO_SIDE: Kind(9, legitimate=True),
    "another-method": Kind(9, legitimate=True, pairs=True),
    "every-row": Kind(8, legitimate=True),
    "convention": Kind(8, legitimate=True),
    "other-convention": Kind(8),
    "line-by-eye": Kind(4, legitimate=True),
    "zero-left-out": Kind(9, pairs=True),
    "zero-wrong-sign": Kind(9, pairs=True),
    "diameter-for-radius": Kind(9, pairs=True),
    "radius-for-diameter": Kind(9, pairs=True),
    "weight": Kind(9, pairs=True),
    "unit": Kind(8, pairs=True),
    "per-step": Kind(7, pairs=True),
    "slope-inverted": Kind(7, pairs=True),
    "angle-mode": Kind(7, pairs=True),
    "decimal-logarithm": Kind(7, pairs=True),
    "natural-logarithm": Kind(5),
    "power-lost": Kind(6, pairs=True),
    "pi-left-out": Kind(6, pairs=True),
    "pi-power-lost": Kind(6, pairs=True),
    "ratio-term-left-out": Kind(7),
    "term-left-out": Kind(6),
    "number-left-out": Kind(6, pairs=True),
    "sum-for-mean": Kind(6, pairs=True),
    "unit-not-converted": Kind(6),
    "least-count": Kind(5),
    "brackets": Kind(5),
    "rounded-constant": Kind(5),
    "left-out": Kind(4),
    "pi-wrong-side": Kind(4),
    "number-wrong-side": Kind(4),
    "wrong-side": Kind(4),
    "result-inverted": Kind(4),
    "sign": Kind(5, pairs=True),
    "term-sign": Kind(4),
    "root-left-out": Kind(4),
    "half-readings": Kind(4),
    "one-column": Kind(4),
    "number-square-lost": Kind(4),
    "twice": Kind(3),
    "half": Kind(3),
    "per-step-later": Kind(3),
    "radius-given": Kind(6, pairs=True),
    "diameter-given": Kind(6, pairs=True),
    "halved": Kind(3),
    "pi-once-more": Kind(3),
    "power-more": Kind(3),
    "rounded-on-the-way": Kind(3),
    "decimal-point": Kind(3),
    "rounded-result": Kind(2),
    "one-reading": Kind(1),
}


class Cause(Struct, frozen=True):
    """What would give an answer, in words."""

    kind: str
    """Row of ``KINDS``; two of them joined by “ + ” for a pair."""
    text: str
    """To the teacher, after “consistent with”."""
    question: str
    """To the student."""
    factor: float
    """Answer over what it should be, if this is the cause."""
    distance: float
    """|ln| of the answer over what the cause gives."""
    legitimate: bool
    """Another way of working it out, and no mistake."""
    about: tuple[str, ...] = ()
    """Keys of the quantities that it concerns."""

    @property
    def count(self) -> int:
        """How many slips it takes."""
        return self.kind.count(" + ") + 1


POWERS = {"1": "formula", "2": "square", "3": "cube", "4": "fourth power", "0.5": "root"}
"""What to call a power in a sentence."""


def power_words(power: str) -> str:
    """“square” for 2 or -2."""
    plain = power.lstrip("-")
    return POWERS.get(plain, f"power {plain}")
