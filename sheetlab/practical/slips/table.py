"""The catalogue: every slip of reading and typing, of the bench, and of own sums.

A slip that is tried at two kinds of place has a row for each of them. Words stand in
``sheetlab.messages``: of cells under ``said`` and ``message``, of own sums under ``because-ID``, of
the bench under the code of the finding, which is the id.
"""

from __future__ import annotations

from sheetlab.practical.slips import apparatus, cells, places
from sheetlab.practical.slips.slip import BenchSlip, CellSlip, OwnSlip, Slip

CELLS: tuple[CellSlip, ...] = (
    CellSlip(
        "main-step", "One main-scale step misread in one reading of a line.", places.on_lines,
        cells.main_scale(1.0, -1.0, 2.0, -2.0), "main", (1.0, -1.0), "as-if-main-scale", 0,
    ),
    CellSlip(
        "half-step", "Half a main-scale step misread in one reading of a line.", places.on_lines,
        cells.main_scale(0.5, -0.5), "main", (0.5, -0.5), "as-if-main-scale", 3,
    ),
    CellSlip(
        "repeat-step", "One main-scale step misread in one of several readings of the same thing.",
        places.beside_lines, cells.main_scale(1.0, -1.0), sizes=(1.0, -1.0),
    ),
    CellSlip(
        "block-shifted",
        "One main-scale step misread in a reading of a series and in all that follow in it.",
        places.two_scale_lines, cells.main_scale_from(1.0, -1.0), sizes=(1.0, -1.0),
    ),
    CellSlip(
        "digits-swapped", "The two digits of a coincidence typed in the wrong order.",
        places.two_scales, cells.coincidence(cells.digits_swapped), "coincidence", (),
        "as-if-digits-of-count", 2,
    ),
    CellSlip(
        "ten-divisions",
        "A coincidence off by ten divisions: the wrong number of the scale counted from.",
        places.two_scales, cells.coincidence(cells.ten_off), "coincidence", (10.0, -10.0),
        "as-if-ten-off", 4,
    ),
    CellSlip(
        "counted-backwards",
        trials=cells.coincidence(cells.from_the_other_end), tried="coincidence",
        said="as-if-counted-backwards",
    ),
    CellSlip(
        "digits-swapped",
        trials=cells.other_number(lambda n, field: cells.swapped_digits(n, field.decimals)),
        tried="number", said="as-if-two-digits", rank=2,
    ),
    CellSlip(
        "decimal-point", trials=cells.other_number(lambda n, _: (n * 10.0, n * 0.1)),
        tried="number", said="as-if-decimal-point",
    ),
    CellSlip(
        "whole-step", trials=cells.whole_step, tried="abscissa", said="as-if-whole-step",
    ),
    CellSlip(
        "count-off", trials=cells.counted_in_row, tried="row", said="as-if-counted-in-row", rank=1,
    ),
    CellSlip(
        "steps-for-totals", trials=cells.steps_for_totals, tried="line",
        said="as-if-steps-for-totals", message="steps-not-totals",
    ),
    CellSlip(
        "order-of-time", trials=cells.order_of_time, tried="line",
        said="as-if-order-of-time", message="order-of-time",
    ),
    CellSlip(
        "copied", "The second series copied from the first instead of read.", places.lines_of_two,
        cells.copied,
    ),
    CellSlip(
        "wrong-divisions",
        "The divisions of a scale counted as twice or half as many as there are.",
        places.counted_scales, cells.divisions_times(0.5, 2.0), "scale", (2.0, 0.5),
        "as-if-divisions", message="divisions-doubtful_count",
    ),
    CellSlip(
        "wrong-pitch", trials=cells.pitch_times(2.0, 0.5), tried="scale",
        said="as-if-pitch", message="divisions-doubtful_pitch",
    ),
    CellSlip(
        "scale-backwards", "All coincidences of a table counted from the wrong end of the scale.",
        places.counted_scales, cells.scale_backwards, "scale",
        said="as-if-scale-backwards", rank=5, message="scale-backwards",
    ),
    CellSlip(
        "zero-sign",
        "The zero error with the wrong sign: 3 divisions short of zero taken for 3 past it.",
        places.zeroed_scales, cells.zero_readings(side=True, number=True), "zero",
        said="as-if-zero-sign", rank=3,
    ),
    CellSlip(
        "zero-count", trials=cells.zero_readings(side=False, number=True), tried="zero",
        said="as-if-zero-count", rank=4,
    ),
    CellSlip(
        "zero-side",
        "The wrong side of the zero mark chosen; the division is right.",
        places.zeroed_scales, cells.zero_readings(side=True, number=False), "zero",
        said="as-if-zero-side", rank=4,
    ),
    CellSlip(
        "zero-forgotten", "Zero readings typed as 0 without looking.", places.zeroed_scales,
        cells.zero_forgotten,
    ),
    CellSlip(
        "count-off", "A count typed one too many or too few.", places.typed_counts,
        cells.other_number(cells.one_more_or_less), "count", (1.0, -1.0),
        "as-if-count", 1,
    ),
    CellSlip(
        "unit-slip", "A column or an input typed in another unit than that of its heading.",
        places.typed_in_a_unit, cells.other_unit(undone=True), "unit",
        (1e3, 1e2, 10.0, 0.1, 0.01, 1e-3), "as-if-unit", 2, "unit-doubtful",
        cells.other_unit(undone=False),
    ),
)  # fmt: skip

BENCH: tuple[BenchSlip, ...] = (
    BenchSlip(
        "slip", "Something slipped once: a jump at some row of the first series, and all readings "
        "after it.", places.read_lines, apparatus.jump, (0.08, 0.4),
    ),
    BenchSlip(
        "kink-at-start", "The first one or two intervals of the first series too long: slack was "
        "pulled out.", places.read_lines, apparatus.slack, (0.2, 0.5),
    ),
    BenchSlip(
        "yield-at-end", "The last readings of the first series curve away more and more; what is "
        "gained stays.", places.read_lines, apparatus.yielding, (0.4, 1.2),
    ),
    BenchSlip(
        "backlash", "The second series shifted by a constant, but for the reading at the turning "
        "point.", places.lines_of_two, apparatus.second_shifted, (0.1, 0.3), True,
    ),
    BenchSlip(
        "permanent-set", "The second series does not come back: what was gained at the top stays "
        "in all rows below.", places.lines_of_two, apparatus.second_shifted, (0.15, 0.5),
    ),
    BenchSlip(
        "friction", "Friction: both series lag behind, most in the middle, and so differ like a "
        "lens.", places.lines_of_two, apparatus.lens, (0.15, 0.5),
    ),
    BenchSlip(
        "drift", "All readings of a line drift evenly in the order they are taken.",
        places.read_lines, apparatus.creeping, (0.2, 0.6), True,
    ),
    BenchSlip(
        "load-not-recorded", "One step of the abscissa not written down: from some row on there is "
        "one more than typed.", places.stepped_lines, apparatus.step_missed,
    ),
)  # fmt: skip

OWN: tuple[OwnSlip, ...] = (
    OwnSlip("zero-side-chosen", frequency=9, legitimate=True),
    OwnSlip("another-method", frequency=9, legitimate=True, pairs=True,
            what="Own result by another method than the one that is asked for."),
    OwnSlip("every-row", frequency=8, legitimate=True),
    OwnSlip("convention", frequency=8, legitimate=True),
    OwnSlip("other-convention", frequency=8),
    OwnSlip("line-by-eye", frequency=4, legitimate=True),
    OwnSlip("zero-left-out", frequency=9, pairs=True,
            what="Own result without the correction for the zero error."),
    OwnSlip("zero-wrong-sign", frequency=9, pairs=True),
    OwnSlip("diameter-for-radius", frequency=9, pairs=True,
            what="Own result with the diameter where the formula has it halved: a length doubled."),
    OwnSlip("radius-for-diameter", frequency=9, pairs=True,
            what="Own result with the radius in place of the diameter: a length halved."),
    OwnSlip("weight", frequency=9, pairs=True),
    OwnSlip("unit", frequency=8, pairs=True),
    OwnSlip("per-step", frequency=7, pairs=True,
            what="Own slope for one step of the table, or for the whole of it, in place of one "
            "unit of x."),
    OwnSlip("slope-inverted", frequency=7, pairs=True),
    OwnSlip("angle-mode", frequency=7, pairs=True),
    OwnSlip("decimal-logarithm", frequency=7, pairs=True),
    OwnSlip("natural-logarithm", frequency=5),
    OwnSlip("power-lost", frequency=6, pairs=True,
            what="Own result with something not squared that the formula has squared."),
    OwnSlip("pi-left-out", frequency=6, pairs=True,
            what="Own result without the π of the formula."),
    OwnSlip("pi-power-lost", frequency=6, pairs=True),
    OwnSlip("correction-left-out", frequency=8),
    OwnSlip("ratio-term-left-out", frequency=7),
    OwnSlip("term-left-out", frequency=6),
    OwnSlip("number-left-out", frequency=6, pairs=True,
            what="Own result without a number of the formula."),
    OwnSlip("sum-for-mean", frequency=6, pairs=True),
    OwnSlip("unit-not-converted", frequency=6),
    OwnSlip("least-count", frequency=5),
    OwnSlip("brackets", frequency=5),
    OwnSlip("rounded-constant", frequency=5),
    OwnSlip("left-out", frequency=4,
            what="Own result with a quantity of the formula left out.",
            kinds=("weight",)),
    OwnSlip("pi-wrong-side", frequency=4),
    OwnSlip("number-wrong-side", frequency=4),
    OwnSlip("wrong-side", frequency=4),
    OwnSlip("result-inverted", frequency=4,
            what="Own result upside down: a slope as run over rise.",
            kinds=("slope-inverted",)),
    OwnSlip("sign", frequency=5, pairs=True),
    OwnSlip("term-sign", frequency=4),
    OwnSlip("root-left-out", frequency=4),
    OwnSlip("half-readings", frequency=4),
    OwnSlip("one-column", frequency=4),
    OwnSlip("number-square-lost", frequency=4),
    OwnSlip("twice", frequency=3),
    OwnSlip("half", frequency=3),
    OwnSlip("per-step-later", frequency=3),
    OwnSlip("radius-given", frequency=6, pairs=True),
    OwnSlip("diameter-given", frequency=6, pairs=True),
    OwnSlip("halved", frequency=3),
    OwnSlip("pi-once-more", frequency=3),
    OwnSlip("power-more", frequency=3),
    OwnSlip("rounded-on-the-way", frequency=3),
    OwnSlip("decimal-point", frequency=3,
            what="Own result wrong by a power of ten.",
            kinds=("unit",), sizes=(10.0, 0.1, 1e3, 1e-3)),
    OwnSlip("rounded-result", frequency=2),
    OwnSlip("one-reading", frequency=1),
)  # fmt: skip

PLANTED: dict[str, Slip] = {slip.id: slip for slip in (*CELLS, *BENCH, *OWN) if slip.what}
"""Slips that can be planted, by id."""
MESSAGES: dict[str, str] = {slip.id: slip.message for slip in CELLS if slip.message}
"""What is asked where a line is one only without a slip, by id."""
KINDS: dict[str, OwnSlip] = {slip.id: slip for slip in OWN}
"""Slips in own sums, by id."""
