"""An xlwings engine whose program is LibreOffice Calc.

What sheetlab does to a workbook in Excel is written against xlwings' object model. This engine
gives the same model over a real Calc, so that the same code runs on a real spreadsheet. It has the
part of the model that sheetlab uses, and ``api`` objects with the few members of Excel's own
model that ``sheetlab/live/excel/program.py`` lists. Own work over xlwings' open base classes.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, ClassVar

import xlwings as xw
from calc.office import Office
from openpyxl.utils import get_column_letter, range_boundaries
from xlwings import base_classes as base

SERVER = Path(__file__).with_name("xlwings_server.py")


class CalcEngine:
    name = "calc"
    type = "desktop"

    def __init__(self) -> None:
        self.apps = CalcApps(self)

    @staticmethod
    def clean_value_data(
        data: Any, datetime_builder: Any, empty_as: Any, number_builder: Any, err_to_str: Any
    ) -> Any:
        return [[empty_as if value in ("", None) else value for value in row] for row in data]

    @staticmethod
    def prepare_xl_data_element(value: Any, options: Any) -> Any:
        return "" if value is None else value


class CalcApps(base.Apps):
    def __init__(self, engine: CalcEngine) -> None:
        self.engine = engine
        self.running: list[CalcApp] = []

    def add(
        self, spec: Any = None, add_book: Any = None, xl: Any = None, visible: Any = None
    ) -> Any:
        raise NotImplementedError("give CalcApp a running Calc")

    def keys(self) -> list[int]:
        return [app.pid for app in self.running]

    def __iter__(self) -> Iterator[CalcApp]:
        return iter(self.running)

    def __len__(self) -> int:
        return len(self.running)

    def __getitem__(self, pid: int) -> CalcApp:
        return next(app for app in self.running if app.pid == pid)


class CalcApp(base.App):
    """One Calc. What it was told to be (quiet, without events) and to say is kept for the tests."""

    screen_updating = True
    display_alerts = True
    enable_events = True
    engine: Any = None
    books: Any = None
    pid = 0

    def __init__(self, engine: CalcEngine, office: Office) -> None:
        self.engine = engine
        self.office = office
        self.said: list[str] = []
        self.pid = id(self)
        self.books = CalcBooks(self)

    def alert(self, prompt: str, title: Any, buttons: Any, mode: Any, callback: Any) -> str:
        self.said.append(prompt)
        return "ok"

    def activate(self, steal_focus: bool = False) -> None:
        pass


class CalcBooks(base.Books):
    app: Any = None

    def __init__(self, app: CalcApp) -> None:
        self.app = app
        self.open_ones: list[CalcBook] = []

    def open(self, fullname: str, *_: Any, **__: Any) -> CalcBook:
        book = CalcBook(self.app, self.app.office.call("open_book", path=fullname), fullname)
        self.open_ones.insert(0, book)
        return book

    def add(self) -> CalcBook:
        book = CalcBook(self.app, self.app.office.call("new_book"), "Book1")
        self.open_ones.insert(0, book)
        return book

    @property
    def active(self) -> CalcBook:
        return self.open_ones[0]

    def __call__(self, key: int | str) -> CalcBook:
        if isinstance(key, int):
            return self.open_ones[key - 1]
        for book in self.open_ones:
            if book.name.lower() == key.lower():
                return book
        raise KeyError(key)

    def __len__(self) -> int:
        return len(self.open_ones)

    def __iter__(self) -> Iterator[CalcBook]:
        return iter(self.open_ones)


class CalcBook(base.Book):
    app: Any = None
    fullname = ""

    def __init__(self, app: CalcApp, number: int, fullname: str) -> None:
        self.app = app
        self.number = number
        self.fullname = fullname
        self.locked = False

    def do(self, action: str, **arguments: Any) -> Any:
        return self.app.office.call(action, book=self.number, **arguments)

    @property
    def name(self) -> str:
        return os.path.basename(self.fullname)

    @property
    def api(self) -> BookMembers:
        return BookMembers(self)

    @property
    def sheets(self) -> CalcSheets:
        return CalcSheets(self)

    @property
    def names(self) -> CalcNames:
        return CalcNames(self)

    def save(self, path: str | None = None, password: str | None = None) -> None:
        self.fullname = path or self.fullname
        self.do("save", path=self.fullname)

    def close(self) -> None:
        self.do("close_book")
        self.app.books.open_ones.remove(self)

    def activate(self) -> None:
        pass


class CalcSheets(base.Sheets):
    def __init__(self, book: CalcBook) -> None:
        self.book = book

    @property
    def api(self) -> SheetsMembers:
        return SheetsMembers(self.book)

    @property
    def active(self) -> CalcSheet:
        return CalcSheet(self.book, self.book.do("active"))

    def __call__(self, key: int | str) -> CalcSheet:
        names = self.book.do("sheets")
        if isinstance(key, int):
            return CalcSheet(self.book, names[key - 1])
        for name in names:
            if name.lower() == key.lower():
                return CalcSheet(self.book, name)
        raise KeyError(key)

    def __len__(self) -> int:
        return len(self.book.do("sheets"))

    def __iter__(self) -> Iterator[CalcSheet]:
        return iter([CalcSheet(self.book, name) for name in self.book.do("sheets")])


class CalcSheet(base.Sheet):
    def __init__(self, book: CalcBook, name: str) -> None:
        self._book = book
        self._name = name

    def do(self, action: str, **arguments: Any) -> Any:
        return self._book.do(action, sheet=self._name, **arguments)

    @property
    def name(self) -> str:
        return self._name

    @property
    def book(self) -> CalcBook:
        return self._book

    @property
    def index(self) -> int:
        return int(self._book.do("sheets").index(self._name)) + 1

    @property
    def api(self) -> SheetMembers:
        return SheetMembers(self)

    @property
    def cells(self) -> CalcRange:
        return CalcRange(self, 1, 1, 1048576, 1024)

    @property
    def used_range(self) -> CalcRange:
        return CalcRange(self, 1, 1, *self.do("used"))

    @property
    def notes(self) -> list[CalcNote]:
        return [CalcNote(self, *one) for one in self.do("notes")]

    def range(self, first: str | CalcRange, second: Any = None) -> CalcRange:
        if isinstance(first, CalcRange):
            return first
        left, top, right, bottom = range_boundaries(first.replace("$", ""))
        return CalcRange(self, int(top or 1), int(left or 1), int(bottom or 1), int(right or 1))

    def delete(self) -> None:
        self.do("delete_sheet")

    def activate(self) -> None:
        self.do("activate")


class CalcRange(base.Range):
    def __init__(self, sheet: CalcSheet, top: int, left: int, bottom: int, right: int) -> None:
        self._sheet = sheet
        self._box = (top, left, bottom, right)

    sheet = property(lambda self: self._sheet)
    row = property(lambda self: self._box[0])
    column = property(lambda self: self._box[1])
    shape = property(
        lambda self: (self._box[2] - self._box[0] + 1, self._box[3] - self._box[1] + 1)
    )
    coords = property(lambda self: (self._sheet.name, *self._box[:2], *self.shape))
    api = property(lambda self: self._box)

    @property
    def address(self) -> str:
        top, left, bottom, right = self._box
        first = f"${get_column_letter(left)}${top}"
        one = self.shape == (1, 1)
        return first if one else f"{first}:${get_column_letter(right)}${bottom}"

    def __len__(self) -> int:
        return int(self.shape[0] * self.shape[1])

    def __call__(self, row: int, column: int | None = None) -> CalcRange:
        top, left, _, _ = self._box
        if column is None:
            row, column = (row - 1) // self.shape[1] + 1, (row - 1) % self.shape[1] + 1
        at = (top + row - 1, left + column - 1)
        return CalcRange(self._sheet, *at, *at)

    @property
    def raw_value(self) -> Any:
        top, left, bottom, right = (one - 1 for one in self._box)
        return self._sheet.do("values", top=top, left=left, bottom=bottom, right=right)

    @raw_value.setter
    def raw_value(self, value: Any) -> None:
        rows = value if isinstance(value, list) else [[value]]
        self._sheet.do("set_values", top=self._box[0] - 1, left=self._box[1] - 1, rows=rows)

    @property
    def note(self) -> CalcNote | None:
        at = (self._box[0] - 1, self._box[1] - 1)
        return next((note for note in self._sheet.notes if note.at == at), None)

    def add_note(self, text: str) -> CalcNote:
        at = (self._box[0] - 1, self._box[1] - 1)
        self._sheet.do("add_note", row=at[0], column=at[1], text=text)
        return CalcNote(self._sheet, *at, text)

    comment = property(lambda self: None)
    """Calc has no threaded comments: it opens them as notes."""

    @property
    def conditional_formats(self) -> CalcRules:
        return CalcRules(self)


class CalcNote(base.Note):
    def __init__(self, sheet: CalcSheet, row: int, column: int, text: str) -> None:
        self._sheet = sheet
        self.at = (row, column)
        self._text = text

    text = property(lambda self: self._text)

    @property
    def location(self) -> CalcRange:
        at = (self.at[0] + 1, self.at[1] + 1)
        return CalcRange(self._sheet, *at, *at)

    def delete(self) -> None:
        self._sheet.do("delete_note", row=self.at[0], column=self.at[1])


class CalcRules(base.ConditionalFormats):
    """Rules of the whole sheet when asked for all its cells, as in Excel."""

    def __init__(self, cells: CalcRange) -> None:
        self.cells = cells

    def __iter__(self) -> Iterator[CalcRule]:
        where = self.cells.address.replace("$", "")
        whole = self.cells.shape == self.cells.sheet.cells.shape
        for number, area, formula, colour in self.cells.sheet.do("rules"):
            if whole or area.rpartition(".")[2].replace("$", "") == where:
                yield CalcRule(self.cells.sheet, number, formula, colour)

    def __len__(self) -> int:
        return sum(1 for _ in self)

    def __call__(self, key: int) -> CalcRule:
        return list(self)[key - 1]

    def add_custom(self, spec: dict[str, Any]) -> CalcRule:
        red, green, blue = spec["fill_color"]
        self.cells.sheet.do(
            "add_rule",
            address=self.cells.address.replace("$", ""),
            formula=spec["formula"],
            colour=red << 16 | green << 8 | blue,
        )
        return self(1)


class CalcRule(base.ConditionalFormat):
    def __init__(self, sheet: CalcSheet, number: int, formula: str | None, colour: int) -> None:
        self._sheet = sheet
        self._number = number
        self._formula = formula
        self._colour = colour

    type = property(lambda self: "custom" if self._formula else "unknown")
    formula = property(lambda self: self._formula)

    @property
    def fill_color(self) -> tuple[int, int, int]:
        return (self._colour >> 16, self._colour >> 8 & 255, self._colour & 255)

    def delete(self) -> None:
        self._sheet.do("delete_rule", number=self._number)


class CalcNames(base.Names):
    def __init__(self, book: CalcBook) -> None:
        self.book = book

    def __call__(self, key: int | str) -> CalcName:
        names = [name for name, _ in self.book.do("names")]
        if isinstance(key, int):
            return CalcName(self.book, names[key - 1])
        if key not in names:
            raise KeyError(key)
        return CalcName(self.book, key)

    def contains(self, key: str) -> bool:
        return key in [name for name, _ in self.book.do("names")]

    def __len__(self) -> int:
        return len(self.book.do("names"))

    def snapshot(self) -> list[tuple[str, CalcName]]:
        return [(name, CalcName(self.book, name)) for name, _ in self.book.do("names")]

    def add(self, name: str, refers_to: str) -> CalcName:
        self.book.do("add_name", name=name, refers_to=refers_to)
        return CalcName(self.book, name)


class CalcName(base.Name):
    def __init__(self, book: CalcBook, name: str) -> None:
        self._book = book
        self._name = name

    name = property(lambda self: self._name)
    api = property(lambda self: NameMembers(self._book, self._name))

    def delete(self) -> None:
        self._book.do("delete_name", name=self._name)


# -- the members of Excel's own model that are used, no others -------------------------------------


class BookMembers:
    def __init__(self, book: CalcBook) -> None:
        self._book = book
        self.ProtectStructure = book.locked

    def SaveCopyAs(self, Filename: str) -> None:
        self._book.do("save_copy", path=Filename)


class SheetsMembers:
    def __init__(self, book: CalcBook) -> None:
        self._book = book

    def Copy(self, *, After: SheetMembers) -> None:
        target = After.sheet.book
        assert After.sheet.index == len(target.sheets)
        target.do("copy_sheets", source=self._book.number)


class SheetMembers:
    """Calc protects a sheet or not; it tells nothing of what is allowed on a protected one."""

    kept: ClassVar[dict[tuple[int, str], dict[str, Any]]] = {}
    """What ``Protect`` was last told, by book and sheet."""

    def __init__(self, sheet: CalcSheet) -> None:
        self.sheet = sheet

    def Unprotect(self, Password: str) -> None:
        # "" is what Calc takes for a sheet without a password; Excel ignores what is given
        self.sheet.do("unprotect", password="")
        if self.sheet.do("protected"):
            raise RuntimeError("the password is wrong")

    def Protect(self, **told: Any) -> None:
        self.kept[(self.sheet.book.number, self.sheet.name)] = told
        self.sheet.do("protect", password="")

    @property
    def ProtectContents(self) -> bool:
        return bool(self.sheet.do("protected"))

    @property
    def ProtectDrawingObjects(self) -> bool:
        return self.ProtectContents

    ProtectScenarios = ProtectDrawingObjects
    ProtectionMode = False

    @property
    def Protection(self) -> Allowed:
        return Allowed()


class Allowed:
    AllowFormattingCells = False
    AllowFormattingColumns = True
    AllowFormattingRows = True
    AllowInsertingColumns = False
    AllowInsertingRows = False
    AllowInsertingHyperlinks = False
    AllowDeletingColumns = False
    AllowDeletingRows = False
    AllowSorting = False
    AllowFiltering = False
    AllowUsingPivotTables = False


class NameMembers:
    """Calc has no hidden names; the request is kept."""

    hidden: ClassVar[set[tuple[int, str]]] = set()

    def __init__(self, book: CalcBook, name: str) -> None:
        self.__dict__["_key"] = (book.number, name)

    def __setattr__(self, member: str, value: Any) -> None:
        assert (member, value) == ("Visible", False)
        self.hidden.add(self.__dict__["_key"])


def app_over(office: Office) -> xw.App:
    """A running Calc (over xlwings_server.py) as an xlwings app."""
    engine = CalcEngine()
    app = CalcApp(engine, office)
    engine.apps.running.append(app)
    if "calc" not in [one.name for one in xw.engines]:
        xw.engines.add(xw.Engine(impl=engine))
    xw.engines["calc"].activate()
    return xw.App(impl=app)
