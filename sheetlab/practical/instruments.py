"""Kinds of scale: what is read off, and the formulas that make a reading of it.

The sign rule of the zero error is here and nowhere else: corrected = observed - zero error.
What is stored is raw (coinciding division and side), never a signed "zero correction", because
schools use that word with both signs.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from msgspec import Struct

SCREW_SIDES = ("short of the line or on it", "past the line")
VERNIER_SIDES = ("right of the main zero or on it", "left of the main zero")
"""Where the zero mark of the moving scale stands with the jaws closed: positive, negative."""
CORRECTED = "observed - zero_error"
"""A reading without the zero error of its scale."""


class Parameter(Struct, frozen=True):
    """Something to find out about an instrument. ``unit`` "" stands for the instrument's."""

    id: str
    title: str
    unit: str
    minimum: float
    maximum: float
    decimals: int
    help: str


class Derived(Struct, frozen=True):
    """Something that follows from the parameters; ``extra_decimals`` beyond those of a reading."""

    id: str
    title: str
    formula: str
    extra_decimals: int


class Part(Struct, frozen=True):
    """One number that is read off for a reading."""

    id: str
    title: str
    unit: str
    help: str
    choices: tuple[str, ...] = ()
    """Texts to choose from; they stand for 0, 1, …"""

    @property
    def kind(self) -> Literal["number", "choice"]:
        """How it is entered."""
        return "choice" if self.choices else "number"


class PartCheck(Struct, frozen=True):
    """A condition on one part of a reading."""

    code: str
    part: str
    condition: str
    question: str
    expected: str
    once: bool = False
    """Broken in several cells of a table it is one finding: a unit or a habit, not many slips."""


class Kind(Struct, frozen=True):
    """A kind of scale; formulas use the names of its parameters, derived values and parts."""

    parts: tuple[Part, ...]
    reading: str
    """Observed reading from the parts."""
    parameters: tuple[Parameter, ...] = ()
    derived: tuple[Derived, ...] = ()
    checks: tuple[PartCheck, ...] = ()
    zero: str = ""
    """Zero error from the parts of a zero reading; empty if this kind has none."""
    zero_parts: tuple[Part, ...] = ()
    zero_checks: tuple[PartCheck, ...] = ()
    rounding: str = ""
    """Half-width of the rounding of a reading."""
    divisions: str = ""
    """Name of the number of divisions of the moving scale."""
    graduation: str = ""
    """Name of the step of the main scale, the size of the commonest misreading."""
    rule: str = ""
    """How to read it, printed beside the table."""


def _two_scales(
    graduation: str, divisions: str, step: str, coincidence: str, sides: tuple[str, str],
    most_zero: float, **of_kind: Any,
) -> Kind:  # fmt: skip
    """A kind with a main scale and a moving one.

    ``graduation`` and ``divisions`` are names of its numbers, ``step`` what a step of the main
    scale is called, ``coincidence`` the help for what is read off the moving one.

    ``most_zero``: what a zero error may come to, as a fraction of the moving scale. It lies between
    the zero errors that instruments have and what the wrong side makes of them: a whole scale less.
    Screw gauges are seldom off by more than a fifth of a turn (0.1 mm of 0.5 mm); calipers that
    were dropped by 0.3 or 0.4 mm, which is three or four divisions of ten, eight of 20, 20 of 50
    (both common practice, no source). False alarms: none for these, and for a caliper 0.3 mm off
    whose ten divisions are read to one division (standard deviation) 1 in 160 readings; a wrong
    side is seen for zero errors up to 0.6 and 0.45 of the scale.
    """
    outside = PartCheck(
        "coincidence-outside-scale",
        "coincidence",
        f"coincidence >= 0 and coincidence < {divisions}",
        "Is there such a division on the scale? Look at it again.",
        "a division from 0 up to one less than the number of divisions",
    )
    off_graduation = PartCheck(
        "main-scale-off-graduation",
        "main",
        f"whole_distance(main / {graduation}) < 0.02",
        f"Is the main scale marked there? It shows whole steps of {step} only.",
        f"a whole number of {step}",
    )
    large_zero = PartCheck(
        "zero-error-large",
        "side",
        f"abs(coincidence - {divisions} * side) < {most_zero:g} * {divisions}",
        "The zero error comes out very large. Is it the number that stands at the line (47 of 50 "
        "for three divisions past), and the right side?",
        "a zero error of a few divisions",
    )
    closed = Part(
        "coincidence",
        "coinciding division",
        "1",
        "Jaws closed (use the ratchet if there is one). Type the number of the division that "
        "stands at the line.",
    )
    side = Part(
        "side",
        "zero mark is",
        "1",
        "Where does the zero mark of the moving scale stand with the jaws closed?",
        choices=sides,
    )
    return Kind(
        parts=(
            Part("main", "main scale", "", "The last mark that you can see. Type what it shows."),
            Part("coincidence", "coincidence", "1", coincidence),
        ),
        reading="main + coincidence * least_count",
        checks=(outside, off_graduation),
        zero=f"(coincidence - {divisions} * side) * least_count",
        zero_parts=(closed, side),
        zero_checks=(outside, large_zero),
        rounding="0.5 * least_count",
        divisions=divisions,
        graduation=graduation,
        rule="Reading = main scale + coincidence × least count. Corrected = reading − zero error. "
        f"Zero mark {sides[0]}: the zero error is + coincidence × least count. Zero mark "
        f"{sides[1]}: it is negative, and the coincidence is the number that stands there, for "
        "example 47 of 50 when the zero mark is three divisions past.",
        **of_kind,
    )


KINDS: dict[str, Kind] = {
    "screw": _two_scales(
        "pitch",
        "divisions",
        "the pitch",
        "Which division of the circular scale meets the line? Half divisions may be estimated.",
        SCREW_SIDES,
        0.4,
        parameters=(
            Parameter("turns", "whole turns counted", "1", 1, 50, 0,
                      "Turn the screw a whole number of times (4 or more) and count."),
            Parameter("travel", "distance moved in these turns", "", 0, 100, 1,
                      "How far did the edge move along the main scale in these turns?"),
            Parameter("divisions", "divisions on the circular scale", "1", 2, 1000, 0,
                      "Count the divisions once round."),
        ),
        derived=(
            Derived("pitch", "pitch = distance ÷ turns", "travel / turns", 1),
            Derived("least_count", "least count = pitch ÷ divisions", "pitch / divisions", 2),
        ),
    ),
    "vernier": _two_scales(
        "main_division",
        "vernier_divisions",
        "one main-scale division",
        "Which mark of the vernier is in line with a mark of the main scale?",
        VERNIER_SIDES,
        0.55,
        parameters=(
            Parameter("main_division", "one main-scale division", "", 0, 100, 2,
                      "Distance between two neighbouring marks of the main scale."),
            Parameter("vernier_divisions", "divisions on the vernier", "1", 2, 1000, 0,
                      "Count the divisions of the vernier."),
        ),
        derived=(
            Derived("least_count", "least count = main division ÷ vernier divisions",
                    "main_division / vernier_divisions", 2),
        ),
    ),
    "direct": Kind(
        parts=(Part("value", "", "", "Type what you read, all decimals of the scale."),),
        reading="value",
        parameters=(
            Parameter("least_count", "smallest division", "", 0, 1000, 3,
                      "The value of the smallest division, or of the last digit shown."),
        ),
        checks=(
            PartCheck(
                "finer-than-scale",
                "value",
                "whole_distance(10 * value / least_count) < 0.02",
                "Can the scale be read so finely? Is this in the unit of the heading, and is the "
                "smallest division right?",
                "readings to a tenth of the smallest division at most",
                once=True,
            ),
        ),
        rounding="0.5 * least_count",
    ),
    "nominal": Kind(
        parts=(Part("value", "", "", "Type the total value that is marked."),), reading="value"
    ),
}  # fmt: skip


def parts_of(kind: Kind, reading: float, scale: Mapping[str, float]) -> tuple[float, ...]:
    """What is typed for a reading, part by part: the inverse of ``Kind.reading``.

    Parameters
    ----------
    reading
        Where the scale stands, in the unit of the instrument.
    scale
        Parameters and derived values of the instrument by name, in its unit.

    Raises
    ------
    ValueError
        If a scale with a main scale would have to show less than nothing.
    """
    if not kind.graduation:
        return (_nearest(reading, scale["least_count"]) if kind.rounding else reading,)
    divisions = round(scale[kind.divisions])
    whole, coincidence = divmod(round(reading / scale["least_count"]), divisions)
    if whole < 0:
        raise ValueError(f"a reading of {reading:g} lies below the zero of its scale")
    return (_nearest(whole * scale[kind.graduation], 0.0), float(coincidence))


def zero_parts_of(kind: Kind, zero: float, scale: Mapping[str, float]) -> tuple[float, str]:
    """Coinciding division and side for a zero error: the inverse of ``Kind.zero``.

    Raises
    ------
    ValueError
        If the zero error is as large as a step of the main scale.
    """
    divisions, count = round(scale[kind.divisions]), round(zero / scale["least_count"])
    if abs(count) >= divisions:
        raise ValueError(f"a zero error of {zero:g} is as large as a step of the main scale")
    _, side = kind.zero_parts
    return float(count % divisions), side.choices[int(count < 0)]


def _nearest(value: float, step: float) -> float:
    """The nearest whole step, without the binary tail that no person would type."""
    return float(f"{round(value / step) * step if step else value:.12g}")
