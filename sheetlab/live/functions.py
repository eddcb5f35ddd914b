"""The functions that cells can call. One row of ``FUNCTIONS`` each; nothing is said twice."""

from __future__ import annotations

from sheetlab.live.cells import RefusedError
from sheetlab.live.library import Argument, Block, Example, Function
from sheetlab.metrology.repeats import repeats


def _least_count(graduation: float, divisions: float) -> float:
    if graduation <= 0 or divisions <= 0:
        raise RefusedError("graduation and divisions are greater than 0")
    return graduation / divisions


def _mean(readings: tuple[float, ...]) -> Block:
    found = repeats(readings)
    return (
        ("mean", found.mean),
        ("standard uncertainty of the mean", found.uncertainty),
        ("standard deviation", found.deviation),
        ("readings", float(found.n)),
    )


ROWS = (
    Function(
        "LEAST_COUNT",
        "Least count of a screw or vernier",
        "Step of the main scale that one turn makes, over the number of divisions.",
        "readings",
        (
            Argument("graduation", "Pitch of a screw, or smallest division of the main scale."),
            Argument("divisions", "Number of divisions of the moving scale."),
        ),
        _least_count,
        (Example((0.5, 50.0), 0.01, "common practice, no source"),),
    ),
    Function(
        "MEAN_TYPE_A",
        "Mean with its type A standard uncertainty",
        "Mean, standard uncertainty of the mean, standard deviation and number of the readings.",
        "readings",
        (Argument("readings", "Range of repeated readings in one unit.", "numbers"),),
        _mean,
        (),
    ),
)

FUNCTIONS = {one.id: one for one in ROWS}
