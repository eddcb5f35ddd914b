"""Functions for cells: what a scale shows. The formulas are those of the kinds of instrument."""

from __future__ import annotations

from collections.abc import Sequence

from sheetlab.formula.functions import NAMES
from sheetlab.formula.tree import parse
from sheetlab.formula.values import Given, evaluate
from sheetlab.live.cells import RefusedError, word
from sheetlab.live.library import Argument, Example, Function
from sheetlab.practical.instruments import CORRECTED, KINDS, SCREW_SIDES, VERNIER_SIDES, PartCheck

GROUP = "Scales"
PRACTICE = "common practice, no source"
_VERNIER = KINDS["vernier"]
_SIDES = {
    word(text): float(side)
    for sides in (SCREW_SIDES, VERNIER_SIDES)
    for side, sentence in enumerate(sides)
    for text in (sentence, sentence.split()[0])
}


def worked_out(formula: str, **values: float) -> float:
    """A formula of the table of kinds at some numbers; a condition gives 0 or 1."""
    found = evaluate(parse(formula, NAMES), Given(values))
    if found is None:
        raise RefusedError("these values cannot be calculated")
    return float(found)


def _positive(**values: float) -> None:
    for name, value in values.items():
        if value <= 0.0:
            raise RefusedError(f"{name} is {value:g}; it has to be greater than 0")


def _look(checks: Sequence[PartCheck], **values: float) -> None:
    for check in checks:
        if not worked_out(check.condition, **values):
            side = check.part == "side"
            what = "zero mark" if side else f"{check.part} {values[check.part]:g}"
            raise RefusedError(f"{what}: {check.question}")


def _least_count(graduation: float, divisions: float) -> float:
    _positive(graduation=graduation, divisions=divisions)
    if divisions != round(divisions):
        raise RefusedError(f"divisions is {divisions:g}; it has to be a whole number")
    (rule,) = _VERNIER.derived
    return worked_out(rule.formula, main_division=graduation, vernier_divisions=divisions)


def _pitch(travel: float, turns: float) -> float:
    _positive(travel=travel, turns=turns)
    return worked_out(KINDS["screw"].derived[0].formula, travel=travel, turns=turns)


def _scale(graduation: float, divisions: float, **parts: float) -> dict[str, float]:
    return {
        "main_division": graduation,
        "vernier_divisions": divisions,
        "least_count": _least_count(graduation, divisions),
        **parts,
    }


def _reading(main: float, coincidence: float, graduation: float, divisions: float) -> float:
    values = _scale(graduation, divisions, main=main, coincidence=coincidence)
    _look(_VERNIER.checks, **values)
    return worked_out(_VERNIER.reading, **values)


def _zero_error(coincidence: float, side: str, graduation: float, divisions: float) -> float:
    which = _SIDES.get(word(side))
    if which is None:
        raise RefusedError("side is short or past (screw), right or left (vernier)")
    values = _scale(graduation, divisions, coincidence=coincidence, side=which)
    _look(_VERNIER.zero_checks, **values)
    return worked_out(_VERNIER.zero, **values)


def _corrected(reading: float, zero_error: float) -> float:
    return worked_out(CORRECTED, observed=reading, zero_error=zero_error)


_GRADUATION = Argument(
    "graduation", "One step of the main scale: the pitch of a screw, or a main-scale division."
)
_DIVISIONS = Argument("divisions", "How many divisions the moving scale has.")

ROWS = (
    Function(
        "SCREW_PITCH",
        "Pitch of a screw",
        "How far a screw moves in one turn. The result has the unit of the distance.",
        GROUP,
        (
            Argument("travel", "Distance that the edge moved along the main scale."),
            Argument("turns", "Whole turns of the screw in which it did."),
        ),
        _pitch,
        (Example((2.0, 4.0), 0.5, PRACTICE),),
    ),
    Function(
        "LEAST_COUNT",
        "Least count of a screw or vernier",
        "One step of the main scale over the number of divisions of the moving scale.",
        GROUP,
        (_GRADUATION, _DIVISIONS),
        _least_count,
        (Example((0.5, 50.0), 0.01, PRACTICE), Example((1.0, 20.0), 0.05, PRACTICE)),
    ),
    Function(
        "SCALE_READING",
        "Reading of a screw or vernier",
        "Main scale + coincidence × least count, not yet corrected for the zero error. A division "
        "that is not on the scale, or a main scale off its marks, is asked about.",
        GROUP,
        (
            Argument("main", "The last mark of the main scale that can be seen."),
            Argument("coincidence", "Division of the moving scale that stands at the line."),
            _GRADUATION,
            _DIVISIONS,
        ),
        _reading,
        (
            Example((5.5, 28.0, 0.5, 50.0), 5.78, PRACTICE),
            Example((23.0, 7.0, 1.0, 20.0), 23.35, PRACTICE),
        ),
    ),
    Function(
        "ZERO_ERROR",
        "Zero error with its sign",
        "Positive if the zero mark of a screw stops short of the line or on it, or that of a "
        "vernier stands right of the main zero; negative otherwise, and the coincidence is the "
        "number that stands at the line (47 of 50 for three divisions past).",
        GROUP,
        (
            Argument("coincidence", "Division that stands at the line with the jaws closed."),
            Argument("side", "Zero mark: short or past (screw), right or left (vernier).", "text"),
            _GRADUATION,
            _DIVISIONS,
        ),
        _zero_error,
        (
            Example((3.0, "short", 0.5, 50.0), 0.03, PRACTICE),
            Example((47.0, "past", 0.5, 50.0), -0.03, PRACTICE),
            Example((16.0, "left", 1.0, 20.0), -0.2, PRACTICE),
        ),
    ),
    Function(
        "CORRECTED_READING",
        "Reading corrected for the zero error",
        "Reading − zero error, the zero error with its sign.",
        GROUP,
        (
            Argument("reading", "What was read."),
            Argument("zero_error", "Zero error with its sign, as ZERO_ERROR gives it."),
        ),
        _corrected,
        (Example((5.78, -0.03), 5.81, PRACTICE),),
    ),
)
