"""The workbook of a definition: written for a teacher to fill, and read back as the text of a file.

Reading never stops at the first cell that is wrong: all of them are told, each with its place.
"""

from __future__ import annotations

import io
import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from types import UnionType
from typing import Any, get_args, get_origin

import tomli_w
from msgspec import Struct, field
from msgspec.structs import replace

from sheetlab.before import definition_blocks as blocks_
from sheetlab.before.definition_blocks import SHEETS, Block, Data, Key, blocks, put, put_single
from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding, reason_of
from sheetlab.handling.tables import UNITS, Sheet, open_lists
from sheetlab.messages import harmless, phrase, said
from sheetlab.practical.files import SUFFIX, Places
from sheetlab.practical.loader import load
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import typed_number
from sheetlab.practical.structure import nearest
from sheetlab.workbook.book import Book
from sheetlab.workbook.page import Column, Page, new_page
from sheetlab.workbook.sheet import Cell
from sheetlab.workbook.style import Styles
from sheetlab.workbook.template import EPOCH

TITLE = "Definition of a practical"
NOTES: Mapping[str, str] = {
    "Practical": "definition-note-practical", "Instruments": "definition-note-instruments",
    "Readings": "definition-note-readings", "Results": "definition-note-results",
    "Invented readings": "definition-note-invented",
}  # fmt: skip
SPARE = 3
"""Empty rows below the filled ones; more can be put in anywhere."""
PROSE = (
    "title", "label", "condition", "question", "far_question", "source", "words", "formula", "help",
    "note", "expected",
)  # fmt: skip
"""Headings of long texts, which stand first."""
_NAMES, _LONG, _SHORT, _VALUES = (16.0, 30.0), 26.0, 12.0, 70.0
"""Widths in digits: least and greatest of names, long texts, anything else, values of keys."""
_ONE_LINE = 20.0
_PAGE = (135.0, 490.0)
"""What a page has at full size: digits across, points down."""
_MOST_ACROSS = 150.0
"""Digits across a page with headings of 8 points."""
ONE = Key((blocks_.VALUE,), str)
"""Any text, in the column of values of a block of single keys."""
_FIRSTS = (blocks_.NAME, blocks_.OF, blocks_.KEY)
_TRUE = {"yes": True, "true": True, "no": False, "false": False}


def write_definition(data: Data) -> bytes:
    """The workbook of the data of a definition, with room for more.

    Parameters
    ----------
    data
        As the text of a definition file gives it.
    """
    buffer = io.BytesIO()
    book = Book(buffer)
    book.set_properties({"title": TITLE, "created": EPOCH})
    styles = Styles(book)
    rows = blocks_.rows_of(data)
    for title, keys in SHEETS.items():
        shown = {key: _shown_keys(blocks()[key], rows[key]) for key in keys}
        widths = _widths(shown, rows)
        across = math.ceil(math.fsum(widths) / _MOST_ACROSS)
        sheet = book.add_worksheet(title)
        page = new_page(sheet, styles, widths, (TITLE, ""), pages=(across, 0))
        sheet.repeat_columns(0)
        page.line(title, "title")
        page.line(said(phrase(NOTES[title])), "note")
        down = _PAGE[1] * max(1.0, math.fsum(widths) / across / _PAGE[0])
        top = 0.0
        for key in keys:
            # no title at the foot of a page
            if page.height - top + 6 * _ONE_LINE > down:
                page.break_page()
                top = page.height
            _block(page, blocks()[key], shown[key], rows[key])
            top += down * ((page.height - top) // down)
    book.close()
    return buffer.getvalue()


def _widths(
    shown: Mapping[str, Sequence[Key]], rows: Mapping[str, Sequence[blocks_.Row]]
) -> list[float]:
    """Widths of the columns of a sheet: wide where a long text stands in any of its blocks."""
    if "" in shown:
        return [_NAMES[0], _VALUES, _LONG, _SHORT, _SHORT]
    names = [len(first) for key in shown for first, _ in rows[key]]
    widths = [min(max([_NAMES[0], *names]), _NAMES[1])]
    for i in range(max(map(len, shown.values()))):
        here = [(key, keys[i]) for key, keys in shown.items() if i < len(keys)]
        texts = [str(cells.get(one, "")) for key, one in here for _, cells in rows[key]]
        long = i < 2 or max(map(len, texts), default=0) > 2 * _SHORT
        word = max((len(word) for text in texts for word in text.split()), default=0)
        widths.append(_LONG if long else max(_SHORT, word + 3.0))
    return widths


def _shown_keys(block: Block, rows: Sequence[blocks_.Row]) -> tuple[Key, ...]:
    """Columns of a block: what stands in its rows, is needed, or usual; long texts first."""
    if block.single:
        return (ONE,)
    used = {key for _, cells in rows for key in cells}
    usual = blocks_.USUAL.get(block.key, ())
    keys = [k for k in block.keys if k in used or k.needed or k.heading in usual]
    return tuple(
        sorted(keys, key=lambda k: (k.path[-1] not in PROSE, k.kind is not str or not k.needed))
    )


def _block(page: Page, block: Block, keys: Sequence[Key], rows: Sequence[blocks_.Row]) -> None:
    page.gap(0)
    page.put(0, block.title, "heading", wrap=False)
    page.end_row(18)
    columns = [Column(block.first, block.first, format="input-text", asked=_asked(block))]
    columns += [_column(block, key) for key in keys]
    # what may be left out is headed in another look
    heads = [Column(block.first, format="column")]
    heads += [Column(k.heading, format="column" if k.needed else "column-optional") for k in keys]
    page.open_table(heads, heads=False).write([column.key for column in heads])
    table = page.open_table(columns, heads=False, rows=len(rows) + SPARE)
    blank = dict.fromkeys(column.key for column in columns)
    for first, cells in rows:
        # a row of a block of single keys has one text of a list
        items = {k: v[0] if block.single and isinstance(v, list) else v for k, v in cells.items()}
        values = [blocks_.shown(key, value) for key, value in items.items()]
        named = dict(zip((key.heading for key in cells), values, strict=True))
        if block.single:
            named = {blocks_.VALUE: values[0]}
        table.write({**blank, block.first: first, **named})
    for _ in range(SPARE):
        table.write(blank)


def _column(block: Block, key: Key) -> Column:
    numeric = key.kind in (int, float)
    return Column(
        key.heading, key.heading, format="input" if numeric else "input-comment",
        shape=None if numeric else "@", asked=_asked(block, key),
    )  # fmt: skip


def _asked(block: Block, key: Key | None = None) -> dict[str, Any]:
    """Help in the cells of a column, and a list to choose from where there is one."""
    if key is None:
        text = said(phrase("definition-first", first=block.first))
        if block.single:
            headings = [one.heading for one in block.keys]
            return {"validate": "list", "source": headings, "ignore_blank": True, **_help(text)}
        return {"validate": "any", **_help(text)}
    text = blocks_.meaning(block, key)
    choices = key.choices if key.path[-1] != "kind" or block.key == "instruments" else ()
    if key.kind is not str and key.choices:
        choices = key.choices
    if key.path == ("unit",):
        choices = UNITS
    if key.path == ("instrument",):
        source = f"={next(s for s, keys in SHEETS.items() if 'instruments' in keys)}!$A$6:$A$30"
        return {"validate": "list", "source": source, "error_type": "information", **_help(text)}
    if not choices:
        return {"validate": "any", **_help(text)}
    kind = "information" if key.path == ("unit",) else "stop"
    return {"validate": "list", "source": list(choices), "error_type": kind, **_help(text)}


def _help(text: str) -> dict[str, str]:
    return {"input_title": "", "input_message": text[:250]} if text else {}


# -- reading ---------------------------------------------------------------------------------------


class _Reading(Struct):
    """A definition workbook so far."""

    data: Data = field(default_factory=dict)
    places: dict[str, Place] = field(default_factory=dict)
    problems: list[Finding] = field(default_factory=list)
    later: list[tuple[Block, str, dict[Key, Any], dict[Key, Place], Place]] = field(
        default_factory=list
    )
    """Rows that belong to something which may stand on a later sheet."""

    def refuse(self, place: Place, message: str, **values: Any) -> None:
        self.problems.append(finding(message, Severity.STOP, place, **values))


def definition_text(path: Path) -> tuple[str, Places]:
    """Text of a definition file, and where each of its keys stands if that is a cell.

    Parameters
    ----------
    path
        A ``.toml``, or a definition workbook as .xlsx or .ods.

    Raises
    ------
    SheetlabError
        If it cannot be read, or with a finding for each cell that cannot be used.
    """
    if path.suffix.lower() == SUFFIX:
        try:
            return path.read_text(encoding="utf-8-sig"), {}
        except (OSError, UnicodeDecodeError) as error:
            place, reason = Place(path.name), reason_of(error)
            raise SheetlabError(
                finding("definition-not-read", Severity.STOP, place, reason=reason)
            ) from error
    sheets = open_lists(path, said(phrase("definition-workbook")))
    reading = _Reading()
    found = [_read_sheet(reading, sheet) for sheet in sheets.values()]
    if not any(found):
        place = Place(path.name)
        raise SheetlabError(
            finding("definition-no-block", Severity.STOP, place, titles=tuple(_titles()))
        )
    for row in reading.later:
        _put_row(reading, *row)
    _check_ranges(reading, path)
    if reading.problems:
        raise SheetlabError(*reading.problems)
    return tomli_w.dumps(reading.data), reading.places


def load_file(path: Path) -> Practical:
    """The practical of a definition file.

    Raises
    ------
    SheetlabError
        With a finding for everything that is wrong with it, each with its line or cell.
    """
    text, places = definition_text(path)
    try:
        return load(text, name=f"{path.stem}{SUFFIX}")
    except SheetlabError as error:
        if path.suffix.lower() == SUFFIX:
            raise
        told = (replace(one, place=_place(one, places, path)) for one in error.findings)
        raise SheetlabError(*told) from error


def _place(one: Finding, places: Places, path: Path) -> Place:
    """The cell of the key that a finding names, or of the innermost thing around it."""
    key = str(dict(one.values).get("key", ""))
    ends = [m.start() for m in re.finditer(r"[.\[]", key)]
    names = (key[:end] for end in [len(key), *reversed(ends)])
    known = next((places[name] for name in names if name in places), None)
    if known is not None:
        return known
    part = re.split(r"[.\[]", key)[0]
    sheets = (s for s, keys in SHEETS.items() if part in (k.split(".")[0] for k in keys))
    return Place(path.name, next(sheets, next(iter(SHEETS))))


@cache
def _titles() -> Mapping[str, Block]:
    return {block.title: block for block in blocks().values()}


def _read_sheet(reading: _Reading, sheet: Sheet) -> int:
    """Read a sheet; returns how many blocks it has. Whatever stands outside of blocks is passed."""
    lines: dict[int, dict[int, Cell]] = {}
    for (row, column), cell in sorted(sheet.cells.items()):
        if cell.value != "" or cell.formula:
            lines.setdefault(row, {})[column] = cell
    heads = [_are_headings(cells) for cells in lines.values()]
    count, block = 0, None
    columns: dict[int, Key] | None = {}
    for i, (row, cells) in enumerate(lines.items()):
        first, headed = _text(cells[0]) if 0 in cells else "", heads[i + 1 : i + 2] == [True]
        bare = first in _titles() and len(lines.get(row + 1, ())) > 1
        if len(cells) == 1 and first and (headed or bare):
            block, columns = _titled(reading, sheet.place(row, 0), first, headed), None
            count += 1
        elif heads[i] and columns is not None:
            block = _titled(reading, sheet.place(row, 0), "", True)
        elif columns is None:
            columns = dict(_headings(reading, sheet, block, row, cells)) if block else {}
        elif block is not None:
            within = {k: cell for k, cell in cells.items() if k == 0 or k in columns}
            if within:
                _read_row(reading, sheet, block, columns, row, within)
    return count


def _are_headings(cells: Mapping[int, Cell]) -> bool:
    texts = {_text(cell).casefold() for k, cell in cells.items() if k > 0}
    # a thing may be called “name”
    begins = 0 in cells and _text(cells[0]).casefold() in _FIRSTS
    return begins and 2 * len(texts & _all_headings()) > len(texts)


@cache
def _all_headings() -> frozenset[str]:
    return frozenset(key.heading for block in blocks().values() for key in block.keys)


def _titled(reading: _Reading, place: Place, title: str, headed: bool) -> Block | None:
    """The block that a title begins; what is no title, or has no headings below it, is told."""
    near = {one.casefold(): one for one in _titles()}.get(title.casefold(), title)
    if near not in _titles():
        hint = nearest(title, _titles())
        reading.refuse(
            place, "definition-cell_title", title=title, near=hint, allowed=tuple(_titles())
        )
        return None
    if not headed:
        reading.refuse(place, "definition-cell_no-headings", title=near)
        return None
    return _titles()[near]


def _headings(
    reading: _Reading, sheet: Sheet, block: Block, row: int, cells: Mapping[int, Cell]
) -> Iterator[tuple[int, Key]]:
    there: set[Key] = set()
    for column, cell in cells.items():
        if column == 0:
            continue
        heading = str(cell.value).strip()
        key = ONE if block.single else block.column(heading)
        if key is None:
            _unknown(reading, sheet.place(row, column), block, heading)
        elif key in there:
            reading.refuse(sheet.place(row, column), "definition-cell_twice", heading=heading)
        else:
            there.add(key)
            yield column, key


def _unknown(reading: _Reading, place: Place, block: Block, heading: str) -> None:
    known = [key.heading for key in block.keys]
    near, allowed = nearest(heading, known), tuple(known)
    reading.refuse(place, "definition-cell_heading", heading=heading, near=near, allowed=allowed)


def _read_row(
    reading: _Reading, sheet: Sheet, block: Block, columns: Mapping[int, Key], row: int,
    cells: Mapping[int, Cell],
) -> None:  # fmt: skip
    name = _text(cells[0]) if 0 in cells else ""
    place = sheet.place(row, 0)
    if not name:
        reading.refuse(place, "definition-cell_no-name", first=block.first, title=block.title)
        return
    values: dict[Key, Any] = {}
    where: dict[Key, Place] = {}
    single = block.column(name) if block.single else None
    if block.single and single is None:
        return _unknown(reading, place, block, name)
    for column, cell in cells.items():
        if column in columns:
            key = single or columns[column]
            where[key] = sheet.place(row, column)
            try:
                if cell.kind == "number" and cell.style in sheet.date_styles:
                    raise ValueError("is a date")
                listed = single is not None and get_origin(key.kind) is tuple
                values[key] = [read_value(ONE, cell)] if listed else read_value(key, cell)
            except ValueError as error:
                reading.refuse(
                    where[key], "definition-cell_value", heading=key.heading, reason=str(error)
                )
    # of a range with a wrong end the other end is not asked about
    wrong = {key.path for key in where if key not in values}
    values = {key: value for key, value in values.items() if key.path not in wrong}
    if single is not None:
        for key, value in values.items():
            at = ".".join(filter(None, (block.key, *key.path)))
            if at in reading.places and not isinstance(value, list):
                reading.refuse(where[key], "definition-cell_twice", heading=key.heading)
            else:
                reading.places[put_single(reading.data, block, key, value)] = where[key]
        return None
    if block.first == blocks_.OF:
        reading.later.append((block, name, values, where, place))
    else:
        _put_row(reading, block, name, values, where, place)


def _put_row(
    reading: _Reading, block: Block, name: str, values: Mapping[Key, Any],
    where: Mapping[Key, Place], place: Place,
) -> None:  # fmt: skip
    try:
        at = put(reading.data, block, name, values)
    except ValueError as error:
        reading.refuse(place, "definition-cell_name", name=name, reason=str(error))
        return
    reading.places[at] = place
    reading.places |= {f"{at}.{'.'.join(key.path)}": spot for key, spot in where.items()}


def _check_ranges(reading: _Reading, path: Path) -> None:
    """Refuse ranges of which one end is missing."""

    def walk(thing: Any, key: str) -> None:
        for name, value in thing.items() if isinstance(thing, dict) else ():
            if isinstance(value, list) and None in value:
                spot = reading.places.get(f"{key}.{name}".strip("."), Place(path.name))
                reading.refuse(spot, "definition-cell_one-end", heading=name.replace("_", " "))
            if isinstance(value, list):
                for i, item in enumerate(value):
                    walk(item, f"{key}.{name}[{i}]".strip("."))
            else:
                walk(value, f"{key}.{name}".strip("."))

    walk(reading.data, "")


def _text(cell: Cell) -> str:
    if cell.kind == "number" and isinstance(cell.value, float):
        return f"{cell.value:.15g}"
    return str(cell.value).strip()


def read_value(key: Key, cell: Cell) -> Any:
    """What a cell means as a value of a key; ValueError with a reason if it is none."""
    if cell.formula:
        raise ValueError("is a formula of the spreadsheet program; type the text without =")
    if cell.kind == "error":
        raise ValueError(f"is the error {cell.value}")
    if not str(cell.value).isprintable() and "\ufffd" in harmless(str(cell.value)):
        raise ValueError("holds control codes; type it anew")
    kinds = get_args(key.kind) if get_origin(key.kind) is UnionType else (key.kind,)
    if key.kind is bool:
        answer = _TRUE.get(str(cell.value).strip().casefold()) if cell.kind == "text" else None
        if cell.kind == "truth" or answer is not None:
            return bool(cell.value) if cell.kind == "truth" else answer
        raise ValueError("is neither yes nor no")
    if cell.kind == "truth":
        raise ValueError("is a truth value")
    if float in kinds or int in kinds:
        number = cell.value if cell.kind == "number" else _number(str(cell.value))
        if isinstance(number, float):
            return int(number) if number == int(number) and abs(number) < 1e15 else number
        if str not in kinds:
            raise ValueError("is no number that can be understood")
        return str(cell.value).strip()
    if get_origin(key.kind) is tuple and get_origin(get_args(key.kind)[0]) is tuple:
        return [[float(x), y] for x, y in _numbers_by_name(_text(cell), r"[-+]?[\d.eE+-]+").items()]
    if get_origin(key.kind) is tuple:
        return _list(_text(cell))
    if key.choices or (isinstance(key.kind, type) and issubclass(key.kind, str)):
        text = _text(cell)
        return next((one for one in key.choices if one.casefold() == text.casefold()), text)
    return _numbers_by_name(_text(cell))


def _number(text: str) -> float | None:
    typed = typed_number(text)
    return None if typed is None or typed.ambiguous else typed.value


def _list(text: str) -> list[str]:
    if text.startswith("["):
        try:
            made = json.loads(text)
        except ValueError:
            made = None
        if not isinstance(made, list) or not all(isinstance(item, str) for item in made):
            raise ValueError("is no list of texts; write them with ; between them")
        return made
    return [item.strip() for item in text.split(";") if item.strip()]


def _numbers_by_name(text: str, name: str = r"\w+") -> dict[str, float]:
    made = {}
    for part in filter(None, (item.strip() for item in text.split(";"))):
        match = re.fullmatch(rf"({name})\s*=\s*(.+)", part)
        number = _number(match[2]) if match else None
        if match is None or number is None:
            raise ValueError("is no list such as turns = 10; travel = 5")
        made[match[1]] = number
    return made
