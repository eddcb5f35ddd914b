"""Questions beside the cells of a workbook: a formula asks the first that has to be asked.

A quantity with a plausible range stands on a sheet at the fullest assist level only; who typed the
reading has to hear of it at every level, and where it was typed.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.formula.render import NotInCellsError, cell_condition, cell_outside, quoted
from sheetlab.formula.tree import Call
from sheetlab.formula.values import argument_keys, evaluate
from sheetlab.metrology.statement import plain
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.fields import CheckField, DerivedField, InputField
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import Typed, as_cells_show
from sheetlab.practical.profile import Profile
from sheetlab.practical.register import FAR_LIMIT, Bound, issued_limits
from sheetlab.workbook.layout import Layout, LayoutCells

TEXT_QUESTION = (
    "A text stands where a number belongs. Type the number only: with the decimal sign of this "
    "program, without its unit."
)
CHOICE_QUESTION = "Choose one of the entries of the list in the cell."
EMPTY_QUESTION = "This is empty, but readings were taken with it. Fill it in."
UNITS_QUESTION = "Are all readings in the unit of their heading?"


class Asked(Struct, frozen=True):
    """A field and its plausible range, in its unit."""

    key: str
    low: float
    high: float


def asked_beside(layout: Layout) -> Mapping[str, tuple[Asked, ...]]:
    """What is asked about beside a table (by its id), row by row, or beside a single input.

    A quantity that is the mean of a column is asked about in every row of it. Any other is asked
    about beside the last of the inputs that it comes of, if these are single cells and it stands on
    no sheet itself; what comes of whole tables is a result, of which cells do not speak before it
    is shown.
    """
    practical = layout.practical
    found: dict[str, list[Asked]] = {}
    for key, one in practical.derived.items():
        if one.plausible is None or one.table is not None:
            continue
        column = _averaged(practical, one)
        if column is not None:
            its = practical.derived[column]
            low, high = (its.unit.from_si(one.unit.to_si(end)) for end in one.plausible)
            found.setdefault(str(its.table), []).append(Asked(column, low, high))
        elif key not in layout.slots:
            typed = practical.leaves(key)
            if typed and all(
                k in layout.slots and practical.inputs[k].table is None for k in typed
            ):
                last = max(typed, key=list(layout.slots).index)
                found.setdefault(last, []).append(Asked(key, *one.plausible))
    return {place: tuple(asked) for place, asked in found.items()}


def as_read(layout: Layout) -> Layout:
    """The layout with readings as they are read, without the zero error.

    Below the level that shows corrected readings no cell holds a zero error, and it is too small to
    matter for what is plausible.
    """
    practical = layout.practical
    derived = dict(practical.derived)
    for key, one in practical.derived.items():
        observed = derived.get(f"{key}.observed")
        if observed is not None:
            derived[key] = replace(one, node=observed.node)
    return replace(layout, practical=replace(practical, derived=derived))


class Form(Struct, frozen=True):
    """A workbook that is written: what stands in its cells, and what is known of them."""

    layout: Layout
    typed: Typed
    """Contents of every input that has cells, a value or None for each of its rows."""
    profile: Profile
    bound: Bound | None
    numbers: Numbers
    implied: Mapping[str, tuple[Asked, ...]]
    """What is asked about, by table or input (``asked_beside``)."""
    as_read: Layout
    numbers_as_read: Numbers

    @property
    def practical(self) -> Practical:
        """The practical of the layout."""
        return self.layout.practical


def form_of(layout: Layout, typed: Typed, profile: Profile, bound: Bound | None) -> Form:
    """The form of a layout with contents; defaults fill single numbers that are not given."""
    contents: dict[str, list[float | str | None]] = {}
    for key, one in layout.practical.inputs.items():
        if key not in layout.slots:
            continue
        values: list[float | str | None] = list(typed.get(key, ()))[: one.rows]
        values += [None] * (one.rows - len(values))
        if one.table is None and one.kind == "number" and values[0] is None:
            values[0] = profile.inputs.get(key, one.default)
        contents[key] = values
    shown, unaided = as_cells_show(layout.practical, contents), as_read(layout)
    return Form(
        layout, contents, profile, bound, Numbers(layout.practical, shown), asked_beside(layout),
        unaided, Numbers(unaided.practical, shown),
    )  # fmt: skip


class Question(NamedTuple):
    """A question, the test in cells that asks it, and whether it is asked as things stand."""

    test: str
    text: str
    asked: bool


class Beside(Struct, frozen=True):
    """Where a question stands."""

    form: Form
    cells: LayoutCells
    place: str
    """Table, or single field, beside which it is asked."""
    typed: Sequence[str]
    """Fields that are asked about by themselves."""
    checks: Sequence[CheckField]
    row: int | None
    """Of the table, from 0; None for a single field."""


def question_cell(at: Beside) -> tuple[str, str] | None:
    """Formula and value of a message cell, which asks the first question that has to be asked."""
    questions = [
        *_wrong_kinds(at),
        *_beyond_limits(at),
        *_scales_unknown(at),
        *_limits_far_off(at),
        *_checks(at),
        # a reading that is wrong in itself was asked about before what comes of it
        *_implausible(at),
    ]
    if not questions:
        return None
    formula, value = '""', ""
    for test, text, asked in reversed(questions):
        sentence = at.form.profile.sentence(text)
        formula = f"IF({test},{quoted(sentence)},{formula})"
        value = sentence if asked else value
    return f"={formula}", value


def _wrong_kinds(at: Beside) -> Iterator[Question]:
    """Texts in the place of numbers, and of entries of a list."""
    inputs = at.form.practical.inputs
    for kind, text in (("number", TEXT_QUESTION), ("choice", CHOICE_QUESTION)):
        tests, asked = [], False
        for one in (inputs[key] for key in at.typed if key in inputs and inputs[key].kind == kind):
            cell, value = at.cells.cell(one.key, at.row), at.form.typed[one.key][at.row or 0]
            others = ",".join(f"{cell}<>{quoted(choice)}" for choice in one.choices)
            tests.append(f"ISTEXT({cell})" if kind == "number" else f'AND({cell}<>"",{others})')
            asked |= isinstance(value, str) and value not in one.choices
        if tests:
            yield Question(_any_of(tests), text, asked)


def _checks(at: Beside) -> Iterator[Question]:
    for check in at.checks:
        try:
            missing, condition = cell_condition(check.node, at.cells, at.row)
        except NotInCellsError:
            continue
        broken = evaluate(check.node, at.form.numbers, at.row) is False
        yield Question(f"IF({missing},FALSE,NOT({condition}))", check.question, broken)


def _scales_unknown(at: Beside) -> Iterator[Question]:
    """What one division means, where it is empty and the scale was read."""
    instruments = {one.id for one in at.form.practical.definition.instruments}
    for key in at.typed:
        one, owner = at.form.practical.field(key), key.partition(".")[0]
        single = isinstance(one, InputField) and one.required and one.table is None
        if not single or owner not in instruments:
            continue
        read = [k for k in at.form.practical.read_with(owner) if k in at.form.layout.slots]
        if read:
            taken = any(isinstance(v, float | int) for k in read for v in at.form.typed[k])
            ranges = ",".join(str(at.cells.range(k)) for k in read)
            test = f'AND({at.cells.cell(key, None)}="",COUNT({ranges})>0)'
            yield Question(test, EMPTY_QUESTION, at.form.typed[key][0] is None and taken)


def _limits_far_off(at: Beside) -> Iterator[Question]:
    """Permissible errors far from those that the workbook is issued with."""
    limits = issued_limits(at.form.practical, at.form.bound, at.form.profile.inputs)
    for key in (k for k in at.typed if k in limits):
        most, value = FAR_LIMIT * limits[key], at.form.typed[key][0]
        cell = at.cells.cell(key, None)
        yield Question(
            f"AND(ISNUMBER({cell}),{cell}>={most!r})",
            f"This was issued as {limits[key]:g}. Is so large an error right?",
            isinstance(value, float | int) and value >= most,
        )


def _beyond_limits(at: Beside) -> list[Question]:
    """Numbers that no such quantity can be: the unit is the usual cause.

    A spreadsheet refuses them where they are typed, but not where they are pasted or filled in.
    """
    questions: dict[str, tuple[list[str], bool]] = {}
    for key in at.typed:
        one = at.form.practical.field(key)
        if isinstance(one, InputField):
            low, high, doubt = one.minimum, one.maximum, f"Is this in {one.unit.pretty}?"
            value = at.form.typed[key][at.row or 0] if one.kind == "number" else None
        else:
            (low, high), doubt = one.plausible or (None, None), UNITS_QUESTION
            value = at.form.numbers.shown(key, at.row)
        if not one.unit.pretty or (low is None and high is None):
            continue
        cell = at.cells.cell(key, at.row)
        sides = [f"{cell}{sign}{limit!r}" for sign, limit in (("<", low), (">", high))
                 if limit is not None]  # fmt: skip
        off = isinstance(value, float | int) and not (
            (low is None or low <= value) and (high is None or value <= high)
        )
        text = f"{_range(low, high, one.unit.pretty)} is expected. {doubt}"
        tests, asked = questions.get(text, ([], False))
        tests.append(f"AND(ISNUMBER({cell}),{_any_of(sides)})")
        questions[text] = tests, asked or off
    return [Question(_any_of(tests), text, off) for text, (tests, off) in questions.items()]


def _implausible(at: Beside) -> Iterator[Question]:
    """What comes of the cells here, whether or not it is shown."""
    form = at.form
    for one in form.implied.get(at.place, ()):
        field = form.practical.derived[one.key]
        aided, unaided = (form.layout, form.numbers), (form.as_read, form.numbers_as_read)
        for layout, numbers in (aided, unaided):
            node = layout.practical.derived[one.key].node
            source = at.cells if layout is form.layout else layout.source(at.cells.sheet)
            try:
                test = cell_outside(node, source, at.row, field.unit, one.low, one.high)
            except NotInCellsError:
                continue
            value = numbers.shown(one.key, at.row)
            title = field.title[:1].upper() + field.title[1:]
            yield Question(
                test,
                f"{textwrap.shorten(title, 90, placeholder='…')}: from {plain(one.low)} to "
                f"{plain(one.high)} {field.unit.pretty} is expected. {UNITS_QUESTION}",
                value is not None and not one.low <= value <= one.high,
            )
            break


def _any_of(tests: Sequence[str]) -> str:
    return tests[0] if len(tests) == 1 else f"OR({','.join(tests)})"


def _range(low: float | None, high: float | None, unit: str) -> str:
    if low is not None and high is not None:
        return f"Something from {plain(low)} to {plain(high)} {unit}"
    if low is not None:
        return f"{plain(low)} {unit} or more"
    return "" if high is None else f"{plain(high)} {unit} or less"


def _averaged(practical: Practical, one: DerivedField) -> str | None:
    """The column that a quantity is the mean of, if it is worked out in its rows."""
    if not isinstance(one.node, Call) or one.node.function != "mean":
        return None
    columns = [c for key in argument_keys(one.node) for c in practical.columns(key)]
    return columns[0] if len(columns) == 1 and columns[0] in practical.derived else None
