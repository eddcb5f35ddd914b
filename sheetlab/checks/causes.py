"""What can have gone wrong on the way to a number: one table of kinds, their words, how common.

The ratios themselves are made from the formulas (``sheetlab.formula.slips`` and ``diagnosis``).
"""

from __future__ import annotations

from msgspec import Struct


class Kind(Struct, frozen=True):
    """A kind of slip. ``{what}`` is a quantity, ``{of}`` whose formula, ``{detail}`` a number."""

    frequency: int
    """How common it is, 9 for the commonest: experience of the trade, no source."""
    text: str
    """To the teacher, after “consistent with”."""
    question: str
    """To the student."""
    legitimate: bool = False
    """Not a mistake but another way."""
    pairs: bool = False
    """Common enough to be looked for together with another slip."""
    by_chance: bool = False
    """One number among several that lie close together: another from elsewhere may be as near."""


ZERO_SIDE = "zero-side-chosen"
"""Kind of the cause that lies in the readings, and not in the own result."""

KINDS: dict[str, Kind] = {
    ZERO_SIDE: Kind(
        9, "the zero mark of the {detail} on the other side than the one chosen, where the zero "
        "readings are doubtful anyway: then the own result is right",
        "On which side did the zero mark of the {detail} stand? Your result fits the other side.",
        True,
    ),
    "another-method": Kind(
        9, "{what} by {detail}: another method, no mistake",
        "Say in your report by which method you found {what}.", True, True,
    ),
    "every-row": Kind(
        8, "all rows used, also those that are left out: no mistake",
        "Are the rows that you left out part of your own result?", True,
    ),
    "convention": Kind(
        8, "{detail}, a convention of the department: no mistake",
        "Say in your report which value of {what} you took.", True,
    ),
    "other-convention": Kind(
        8, "{detail}: a convention, and not what was to be used here",
        "Which value of {what} was to be used here?",
    ),
    "line-by-eye": Kind(
        4, "a line drawn by eye through the same points: no mistake",
        "Say in your report how you found {what}.", True,
    ),
    "zero-left-out": Kind(
        9, "the zero error of the {detail} left out",
        "Is the zero error of the {detail} taken off every reading?", pairs=True,
    ),
    "zero-wrong-sign": Kind(
        9, "the zero error of the {detail} with the wrong sign",
        "With which sign does the zero error of the {detail} go into a reading?", pairs=True,
    ),
    "diameter-for-radius": Kind(
        9, "a diameter taken for a radius in the formula of {of} ({what} then counts double)",
        "Which length goes into the {power}: the diameter or the radius?", pairs=True,
    ),
    "radius-for-diameter": Kind(
        9, "a radius taken for a diameter in the formula of {of} ({what} then counts half)",
        "Which length goes into the {power}: the diameter or the radius?", pairs=True,
    ),
    "weight": Kind(
        9, "a mass not turned into a weight ({what} left out)",
        "Is the load in your formula a mass in kilograms or a force in newtons?", pairs=True,
    ),
    "unit": Kind(
        8, "{detail}",
        "In which unit did you take {what}, and in which unit is your answer to be?", pairs=True,
    ),
    "per-step": Kind(
        7, "{detail} ({what})",
        "Does the change that you used belong to the same number of steps on both axes?",
        pairs=True,
    ),
    "slope-inverted": Kind(
        7, "{what} turned over (one over the slope)",
        "What stands on which axis, and which change is divided by which?", pairs=True,
    ),
    "angle-mode": Kind(
        7, "{detail} of an angle in the wrong unit (degrees and radians)",
        "Is the calculator set to degrees or to radians?", pairs=True,
    ),
    "decimal-logarithm": Kind(
        7, "the decimal logarithm in place of the natural one",
        "Which logarithm does the formula ask for: to the base ten or the natural one?",
        pairs=True,
    ),
    "natural-logarithm": Kind(
        5, "a factor 2.303 too much at a logarithm",
        "Which logarithm does the formula ask for: to the base ten or the natural one?",
    ),
    "power-lost": Kind(
        6, "{what} to one power less than the {power} in the formula of {of}",
        "To which power does {what} go into the formula of {of}?", pairs=True,
    ),
    "pi-left-out": Kind(
        6, "{detail} left out of the formula of {of}",
        "Is every π of the formula of {of} in your sum?", pairs=True,
    ),
    "pi-power-lost": Kind(
        6, "π to one power less than the {power} in the formula of {of}",
        "To which power does π go into the formula of {of}?", pairs=True,
    ),
    "ratio-term-left-out": Kind(
        7, "{what} left out of the sum for {of}, and the mean of the ratios taken row by row (of a "
        "slope it would make no difference)",
        "Which lengths or parts add up to {of}?",
    ),
    "term-left-out": Kind(
        6, "{what} left out of the sum for {of}", "Which lengths or parts add up to {of}?",
    ),
    "number-left-out": Kind(
        6, "the number {detail} left out of the formula of {of}",
        "Is every number of the formula of {of} in your sum?", pairs=True,
    ),
    "sum-for-mean": Kind(
        6, "a sum of readings in place of their mean ({what})",
        "Is this the sum of the readings, or their mean?", pairs=True,
    ),
    "unit-not-converted": Kind(
        6, "{what} not converted from {detail}", "In which unit does {what} go into the formula?",
    ),
    "least-count": Kind(
        5, "the least count of the {detail}", "What is the least count of this instrument?",
    ),
    "brackets": Kind(
        5, "brackets forgotten under the line of the formula of {of}: one factor divides only",
        "Which factors stand under the line, and did the calculator divide by all of them?",
    ),
    "rounded-constant": Kind(
        5, "a rounded value: {detail}", "With how many figures did you put in {what}?",
    ),
    "left-out": Kind(
        4, "{what} left out of the formula of {of}",
        "Is every quantity of the formula of {of} in your sum?",
    ),
    "pi-wrong-side": Kind(
        4, "π on the wrong side of the fraction in the formula of {of}",
        "On which side of the fraction does π stand in the formula of {of}?",
    ),
    "number-wrong-side": Kind(
        4, "the number {detail} on the wrong side of the fraction in the formula of {of}",
        "On which side of the fraction does {detail} stand in the formula of {of}?",
    ),
    "wrong-side": Kind(
        4, "{what} on the wrong side of the fraction in the formula of {of}",
        "On which side of the fraction does {what} stand in the formula of {of}?",
    ),
    "result-inverted": Kind(
        4, "one over the right number",
        "Which quantity is divided by which in the formula of {of}?",
    ),
    "sign": Kind(
        5, "the opposite sign", "Which value is taken from which?", pairs=True,
    ),
    "term-sign": Kind(
        4, "{what} with the wrong sign in the sum for {of}",
        "Is {what} added or taken off for {of}?",
    ),
    "root-left-out": Kind(
        4, "the square root in the formula of {of} left out", "Is there a root in the formula?",
    ),
    "half-readings": Kind(
        4, "only {detail} of the readings used for {what}",
        "From which of your readings did you work this out?", by_chance=True,
    ),
    "one-column": Kind(
        4, "only one of the columns used ({what})",
        "From which of your readings did you work this out?", by_chance=True,
    ),
    "number-square-lost": Kind(
        4, "the square lost for the numbers in the formula of {of}",
        "Is everything in the bracket squared in the formula of {of}?",
    ),
    "twice": Kind(
        3, "{what} taken twice in the formula of {of}",
        "How many times does {what} stand in the formula of {of}?",
    ),
    "half": Kind(
        3, "half of {what} in the formula of {of}", "Did you take all of {what}, or half of it?",
    ),
    "per-step-later": Kind(
        3, "{detail} ({what}), though {what} was given for one step of each",
        "Does the change that you used belong to the same number of steps on both axes?",
    ),
    "radius-given": Kind(
        6, "half of {what} given: a radius for a diameter",
        "Which length is asked for: the diameter or the radius?", pairs=True,
    ),
    "diameter-given": Kind(
        6, "twice {what} given: a diameter for a radius",
        "Which length is asked for: the diameter or the radius?", pairs=True,
    ),
    "halved": Kind(
        3, "{what} halved once too often", "Is this a mean already, or still a sum of two?",
    ),
    "pi-once-more": Kind(
        3, "one π too many in the formula of {of}",
        "How many π are there in the formula of {of}?",
    ),
    "power-more": Kind(
        3, "{what} taken to the {power} in the formula of {of}, one power too many",
        "To which power does {what} go into the formula of {of}?",
    ),
    "rounded-on-the-way": Kind(
        3, "rounding on the way: {detail}", "With how many figures did you go on working?",
    ),
    "decimal-point": Kind(
        3, "{detail}", "Where does the decimal point go? Count the powers of ten again.",
    ),
    "rounded-result": Kind(
        2, "the result rounded to {detail} figures or fewer",
        "How many figures are certain?",
    ),
    "one-reading": Kind(
        1, "one reading alone ({what}, {detail})",
        "From which of your readings did you work this out?", by_chance=True,
    ),
}  # fmt: skip

ELSEWHERE = " (or a value from elsewhere: a label, a table)"
ELSEWHERE_QUESTION = " Or does it come from a label or a table?"
ANSWER_UNIT = "In which unit is your answer to be, and in which unit is the number that you gave?"
OR_PUT_IN = " Or in which unit did you take {what}?"


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
