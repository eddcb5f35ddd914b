"""A cause of a number: a slip on the way to it, in words."""

from __future__ import annotations

from msgspec import Struct

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
