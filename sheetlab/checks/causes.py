"""A cause of a number: a slip on the way to it, in words."""

from __future__ import annotations

from msgspec import Struct

from sheetlab.messages import words
from sheetlab.practical.model import Practical
from sheetlab.practical.slips.case import Candidate, named
from sheetlab.practical.slips.table import KINDS

BY_CHANCE = 0.05
"""Relative difference from the mean below which one reading may equal any other number."""
ZERO_SIDE = "zero-side-chosen"
"""Kind of the cause that lies in the readings, and not in the own result."""


class Cause(Struct, frozen=True):
    """What would give an answer, in words."""

    kind: str
    """Id of a slip in own sums; two of them joined by “ + ” for a pair."""
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


def cause_of(practical: Practical, target: str, slip: Candidate, distance: float) -> Cause:
    """A slip on the way to a quantity, in words."""
    what, which = " and ".join(dict.fromkeys(named(practical, key) for key in slip.about)), "taken"
    # a number has no name but itself: “π as 3”
    what = what or slip.detail.partition(" as ")[0]
    if slip.kind == "unit":
        put_in = dict.fromkeys(named(practical, key) for key in slip.about if key != target)
        what = " or ".join(f"“{name}”" for name in put_in)
        if target in slip.about:
            which = "either" if put_in else "answer"
    made = words(
        f"because-{slip.kind}",
        (
            ("what", what),
            ("of", named(practical, slip.of or target)),
            ("detail", slip.detail),
            ("power", power_words(slip.detail)),
            ("load", practical.definition.words.load or "number"),
            ("which", which),
            ("elsewhere", abs(slip.factor - 1.0) < BY_CHANCE),
        ),
    )  # fmt: skip
    return Cause(slip.kind, made["found"], made["remedy"], slip.factor, distance,
                 KINDS[slip.kind].legitimate, slip.about)  # fmt: skip


def joined(a: Cause, b: Cause) -> Cause:
    """Two causes that explain a number together."""
    a, b = sorted((a, b), key=lambda cause: (-KINDS[cause.kind].frequency, cause.kind))
    return Cause(
        f"{a.kind} + {b.kind}", f"{a.text}, together with {b.text}", f"{a.question} {b.question}",
        a.factor * b.factor, a.distance, a.legitimate and b.legitimate, (*a.about, *b.about),
    )  # fmt: skip
