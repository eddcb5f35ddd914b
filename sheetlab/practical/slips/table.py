"""The catalogue: every slip of reading and typing, of the bench, and of own sums.

A slip that is tried at two kinds of place has a row for each of them. The words and frequencies of
slips in own sums stand beside their kinds in ``checks.causes``.
"""

from __future__ import annotations

from sheetlab.practical.slips import apparatus, cells, places
from sheetlab.practical.slips.places import answers, answers_with
from sheetlab.practical.slips.slip import BenchSlip, CellSlip, OwnSlip, Slip

CELLS: tuple[CellSlip, ...] = (
    CellSlip(
        "main-step", "One main-scale step misread in one reading of a line.", places.on_lines,
        cells.main_scale(1.0, -1.0, 2.0, -2.0), "main", (1.0, -1.0),
        "the main scale showed {new:.6g}, {steps} ({by:.6g} {unit}) off", 0,
    ),
    CellSlip(
        "half-step", "Half a main-scale step misread in one reading of a line.", places.on_lines,
        cells.main_scale(0.5, -0.5), "main", (0.5, -0.5),
        "the main scale showed {new:.6g}, {steps} ({by:.6g} {unit}) off", 3,
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
        places.many_divisions, cells.coincidence(cells.digits_swapped), "coincidence", (),
        "the digits of {old:g} were swapped: {new:g}", 2,
    ),
    CellSlip(
        "ten-divisions",
        "A coincidence off by ten divisions: the wrong number of the scale counted from.",
        places.two_scales, cells.coincidence(cells.ten_off), "coincidence", (10.0, -10.0),
        "the division was {new:.6g}, ten off", 4,
    ),
    CellSlip(
        "counted-backwards",
        trials=cells.coincidence(cells.from_the_other_end), tried="coincidence",
        said="the scale was counted backwards: {new:.6g}, not {old:.6g}",
    ),
    CellSlip(
        "digits-swapped",
        trials=cells.other_number(lambda n, field: cells.swapped_digits(n, field.decimals)),
        tried="number", said="two digits were swapped: {new:.10g} instead of {old:.10g}", rank=2,
    ),
    CellSlip(
        "decimal-point", trials=cells.other_number(lambda n, _: (n * 10.0, n * 0.1)),
        tried="number", said="the decimal point is wrong: {new:.6g}",
    ),
    CellSlip(
        "whole-step", trials=cells.whole_step, tried="abscissa",
        said="“{title}” was read {by:.6g} {unit} too {way}",
    ),
    CellSlip(
        "count-off", trials=cells.counted_in_row, tried="row",
        said="{new:g} were counted in this row instead of {old:g}", rank=1,
    ),
    CellSlip(
        "steps-for-totals", trials=cells.steps_for_totals, tried="line",
        said="“{title}” holds what was added each time, not the total",
        message="steps-not-totals",
    ),
    CellSlip(
        "order-of-time", trials=cells.order_of_time, tried="line",
        said="“{title}” was typed in the order of time, from the top downwards, and not each "
        "reading in its row", message="order-of-time",
    ),
    CellSlip(
        "copied", "The second series copied from the first instead of read.", places.lines_of_two,
        cells.copied,
    ),
    CellSlip(
        "wrong-divisions",
        "The divisions of a scale counted as twice or half as many as there are.",
        places.counted_scales, cells.divisions_times(0.5, 2.0), "scale", (2.0, 0.5),
        "the {title} has {new:g} divisions, not {old:g}",
        message="divisions-doubtful_count",
    ),
    CellSlip(
        "wrong-pitch", trials=cells.pitch_times(2.0, 0.5), tried="scale",
        said="the pitch of the {title} is {new:.6g} {unit}, not {old:.6g} {unit}",
        message="divisions-doubtful_pitch",
    ),
    CellSlip(
        "scale-backwards", "All coincidences of a table counted from the wrong end of the scale.",
        places.counted_scales, cells.scale_backwards, "scale",
        said="the circular scale was counted backwards in “{title}”", rank=5,
        message="scale-backwards",
    ),
    CellSlip(
        "zero-sign",
        "The zero error with the wrong sign: 3 divisions short of zero taken for 3 past it.",
        places.zeroed_scales, cells.zero_readings(side=True, number=True), "zero",
        said="the zero error of the {title} had the other sign", rank=3,
    ),
    CellSlip(
        "zero-count", trials=cells.zero_readings(side=False, number=True), tried="zero",
        said="{new} stood at the line when the {title} was closed: what is past the line is not "
        "counted backwards", rank=4,
    ),
    CellSlip(
        "zero-side",
        "The wrong side of the zero mark chosen with closed jaws; the division is right.",
        places.zeroed_scales, cells.zero_readings(side=True, number=False), "zero",
        said="the zero mark of the {title} stood {side}", rank=4,
    ),
    CellSlip(
        "zero-forgotten", "Closed-jaw readings typed as 0 without looking.", places.zeroed_scales,
        cells.zero_forgotten,
    ),
    CellSlip(
        "count-off", "A count typed one too many or too few.", places.typed_counts,
        cells.other_number(cells.one_more_or_less), "count", (1.0, -1.0),
        "“{title}” were {new:g} instead of {old:g}", 1,
    ),
    CellSlip(
        "unit-slip", "A column or an input typed in another unit than that of its heading.",
        places.typed_in_a_unit, cells.other_unit, "unit", (1e3, 1e2, 10.0, 0.1, 0.01, 1e-3),
        "{was} in {other}, not in {unit}", 2, "unit-doubtful",
    ),
)  # fmt: skip

BENCH: tuple[BenchSlip, ...] = (
    BenchSlip(
        "slip", "Something slipped once: a jump at some row of the first series, and all readings "
        "after it.", places.read_lines, apparatus.jump, (0.08, 0.4),
    ),
    BenchSlip(
        "kink-at-start", "The first one or two intervals of the first series too long: kinks were "
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
    OwnSlip(
        "diameter-for-radius", "Own result with the diameter where the formula has it halved: a "
        "length doubled.", answers(places.has_squared_length),
    ),
    OwnSlip(
        "radius-for-diameter", "Own result with the radius in place of the diameter: a length "
        "halved.", answers(places.has_squared_length),
    ),
    OwnSlip("pi-left-out", "Own result without the π of the formula.", answers_with("pi-left-out")),
    OwnSlip(
        "number-left-out", "Own result without a number of the formula.",
        answers_with("number-left-out"),
    ),
    OwnSlip(
        "power-lost", "Own result with something not squared that the formula has squared.",
        answers_with("power-lost"),
    ),
    OwnSlip(
        "left-out", "Own result with a quantity of the formula left out.", answers_with("left-out"),
        ("weight",),
    ),
    OwnSlip("decimal-point", "Own result wrong by a power of ten.", answers(), ("unit",),
            (10.0, 0.1, 1e3, 1e-3)),
    OwnSlip(
        "result-inverted", "Own result upside down: a slope as run over rise.",
        answers(places.is_quotient), ("slope-inverted",),
    ),
    OwnSlip(
        "per-step", "Own slope for one step of the table, or for the whole of it, in place of one "
        "unit of x.", answers(places.is_slope),
    ),
    OwnSlip(
        "zero-left-out", "Own result without the correction for the zero error.",
        answers(places.is_corrected),
    ),
    OwnSlip(
        "another-method", "Own result by another method than the one that is asked for.",
        answers(places.has_alternative),
    ),
)  # fmt: skip

PLANTED: dict[str, Slip] = {slip.id: slip for slip in (*CELLS, *BENCH, *OWN) if slip.what}
"""Slips that can be planted, by id."""
MESSAGES: dict[str, str] = {slip.id: slip.message for slip in CELLS if slip.message}
"""What is asked where a line is one only without a slip, by id."""
