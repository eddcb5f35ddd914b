"""The workbook of a definition: written for a teacher to fill, and read back as the text of a file.

Reading never stops at the first cell that is wrong: all of them are told, each with its place.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from types import UnionType
from typing import Any, get_args, get_origin

import tomli_w
from msgspec import Struct, field
from msgspec.structs import replace

from sheetlab.before import definition_blocks as blocks_
from sheetlab.before.definition_blocks import SHEETS, Block, Data, Key, blocks, put, put_single
from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding
from sheetlab.handling.tables import UNITS, Sheet, open_lists
from sheetlab.messages import phrase, said
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
PROSE = ("help", "note", "question", "source", "words", "formula", "condition", "far question",
         "expected", "value")  # fmt: skip
COLUMNS = 8
"""Columns of a page: more are written, and lie beyond what one page shows at full size."""
_LONG = 26.0
_SHORT = 15.0
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
        widths = [20.0, *([60.0] if title == "Practical" else [_SHORT] * (COLUMNS - 1))]
        page = new_page(
            book.add_worksheet(title), styles, widths, (TITLE, ""), title != "Practical"
        )
        page.line(title, "title")
        page.line(said(phrase(NOTES[title])), "note")
        for key in keys:
            _block(page, blocks()[key], rows[key])
    book.close()
    return buffer.getvalue()


def _block(page: Page, block: Block, rows: Sequence[blocks_.Row]) -> None:
    page.gap(0)
    page.put(0, block.title, "heading", wrap=False)
    page.end_row(18)
    keys: tuple[Key, ...] = (Key((blocks_.VALUE,), str),)
    if not block.single:
        used = {key for _, cells in rows for key in cells}
        usual = blocks_.USUAL.get(block.key, ())
        keys = tuple(k for k in block.keys if k in used or k.needed or k.heading in usual)
    columns = [Column(block.first, block.first, format="input-text", asked=_asked(block))]
    columns += [_column(block, key) for key in keys]
    table = page.open_table(columns, rows=len(rows) + SPARE)
    blank = dict.fromkeys(column.key for column in columns)
    for first, cells in rows:
        values = [blocks_.shown(key, value) for key, value in cells.items()]
        named = dict(zip((key.heading for key in cells), values, strict=True))
        if block.single:
            named = {blocks_.VALUE: values[0]}
        table.write({**blank, block.first: first, **named})
    for _ in range(SPARE):
        table.write(blank)


def _column(block: Block, key: Key) -> Column:
    wide = key.heading in PROSE
    numeric = key.kind in (int, float)
    return Column(
        key.heading, key.heading, _LONG if wide else _SHORT,
        format="input" if numeric else "input-comment", shape=None if numeric else "@",
        asked=_asked(block, key),
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
            raise SheetlabError(
                finding("definition-not-read", Severity.STOP, Place(path.name), reason=str(error))
            ) from error
    sheets = open_lists(path, said(phrase("definition-workbook")))
    reading = _Reading()
    known = [sheets[title.casefold()] for title in SHEETS if title.casefold() in sheets]
    if not known:
        raise SheetlabError(
            finding("definition-no-sheet", Severity.STOP, Place(path.name), sheets=tuple(SHEETS))
        )
    for sheet in known:
        _read_sheet(reading, sheet)
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
        if not places:
            raise
        told = (replace(one, place=_place(one, places, path)) for one in error.findings)
        raise SheetlabError(*told) from error


def _place(one: Finding, places: Places, path: Path) -> Place:
    """The cell of the key that a finding names, or of the innermost thing around it."""
    key = str(dict(one.values).get("key", ""))
    ends = [m.start() for m in re.finditer(r"[.\[]", key)]
    names = (key[:end] for end in [len(key), *reversed(ends)])
    return next((places[name] for name in names if name in places), Place(path.name))


def _read_sheet(reading: _Reading, sheet: Sheet) -> None:
    titles = {block.title.casefold(): block for block in blocks().values()}
    block: Block | None = None
    columns: dict[int, Key] | None = None
    lines: dict[int, dict[int, Cell]] = {}
    for (row, column), cell in sorted(sheet.cells.items()):
        if cell.value != "":
            lines.setdefault(row, {})[column] = cell
    for row, cells in lines.items():
        first = str(cells[0].value).strip() if 0 in cells else ""
        if first.casefold() in titles and len(cells) == 1:
            block, columns = titles[first.casefold()], None
        elif block is None:
            continue  # title and note of the sheet
        elif columns is None:
            columns = dict(_headings(reading, sheet, block, row, cells))
        else:
            _read_row(reading, sheet, block, columns, row, cells)


def _headings(
    reading: _Reading, sheet: Sheet, block: Block, row: int, cells: Mapping[int, Cell]
) -> Iterator[tuple[int, Key]]:
    for column, cell in cells.items():
        heading = str(cell.value).strip()
        key = Key((blocks_.VALUE,), str) if block.single else block.column(heading)
        if column == 0:
            continue
        if key is None:
            near = nearest(heading, [one.heading for one in block.keys])
            allowed = tuple(one.heading for one in block.keys)
            place = sheet.place(row, column)
            reading.refuse(
                place, "definition-cell_heading", heading=heading, near=near, allowed=allowed
            )
        else:
            yield column, key


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
        near = nearest(name, [one.heading for one in block.keys])
        allowed = tuple(one.heading for one in block.keys)
        reading.refuse(place, "definition-cell_heading", heading=name, near=near, allowed=allowed)
        return
    for column, cell in cells.items():
        if column in columns:
            key = single or columns[column]
            where[key] = sheet.place(row, column)
            try:
                values[key] = read_value(key, cell)
            except ValueError as error:
                reading.refuse(
                    where[key], "definition-cell_value", heading=key.heading, reason=str(error)
                )
    if single is not None:
        for key, value in values.items():
            reading.places[put_single(reading.data, block, key, value)] = where[key]
        return
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
            for item in value if isinstance(value, list) else [value]:
                walk(item, f"{key}.{name}".strip("."))

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
    kinds = get_args(key.kind) if get_origin(key.kind) is UnionType else (key.kind,)
    if key.kind is bool:
        answer = _TRUE.get(str(cell.value).strip().casefold()) if cell.kind == "text" else None
        if cell.kind == "truth" or answer is not None:
            return bool(cell.value) if cell.kind == "truth" else answer
        raise ValueError("is neither yes nor no")
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
    if isinstance(key.kind, type) and issubclass(key.kind, str | StrEnum):
        return _text(cell)
    if key.choices:
        text = _text(cell)
        return next((one for one in get_args(key.kind) if str(one) == text), text)
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
