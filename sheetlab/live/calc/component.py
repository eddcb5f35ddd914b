"""sheetlab in LibreOffice Calc: functions for cells, a menu, and care for formulas from Excel.

This file runs in LibreOffice's own Python (3.7 or newer) as part of an extension and needs nothing
installed there. What is worked out is worked out by a process of the environment that sheetlab is
installed in, named in ``settings.json`` beside this file. The process starts with the first use.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import re
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import uno
import unohelper
from com.sun.star.beans import PropertyValue
from com.sun.star.frame import DispatchResultEvent, XDispatchProvider, XNotifyingDispatch
from com.sun.star.lang import XInitialization, XServiceInfo
from com.sun.star.task import XJob
from org.sheetlab import XFunctions

MENU = "org.sheetlab:"
FUNCTIONS = "org.sheetlab.Functions"
COMMANDS = "org.sheetlab.Commands"
LOADED = "org.sheetlab.Loaded"
LEFT = "sheetlab left formulas"
"""By which the bar is known that names formulas which were not entered again."""

XLSX = "Calc MS Excel 2007 XML"
COPY, RESULTS = "copy.xlsx", "results.xlsx"
CONDITION = "com.sun.star.sheet.ConditionOperator"
LOOK_ALIKE = str.maketrans({",": "\u201a", ";": "\u037e"})
LONG = 5000
"""Rows from which a range is looked at for its empty end."""
PAUSE = 5.0
"""Seconds for which a process that did not start is not tried again: a sheet has many cells."""


class UnavailableError(Exception):
    """The process cannot answer; the text says why and what to do."""


class RefusedError(Exception):
    """A command cannot be carried out; the text says why."""


# -- the process ---------------------------------------------------------------------------------


class Process:
    """The Python process that holds the science; started when needed, again if it ended."""

    def __init__(self, settings: dict[str, Any]) -> None:
        self.settings = settings
        self.child: Any = None
        self.answers: Any = None
        self.lock = threading.RLock()
        self.failed = ("", 0.0)

    def ask(self, request: dict[str, Any], patience: str = "call_seconds") -> dict[str, Any]:
        """Answer of the process; ``UnavailableError`` if there is none."""
        line = json.dumps(request).encode("ascii") + b"\n"
        seconds = float(self.settings[patience])
        with self.lock:
            for _ in range(2):
                self.start()
                try:
                    self.child.stdin.write(line)
                    self.child.stdin.flush()
                    answer = self.answers.get(timeout=seconds)
                except OSError:
                    answer = None
                except queue.Empty:
                    self.stop()
                    raise UnavailableError(
                        f"no answer after {seconds:g} seconds, so this was given up"
                    ) from None
                if answer is not None:
                    return answer  # type: ignore[no-any-return]
                self.stop()  # it has ended: once more with a new one
            raise UnavailableError(
                "the Python process ended twice; please report it with the values"
            )

    def start(self) -> None:
        """Start it unless it runs."""
        if self.child is not None and self.child.poll() is None:
            return
        self.stop()
        why, since = self.failed
        if why and time.monotonic() - since < PAUSE:
            raise UnavailableError(why)
        python, remedy = self.settings["python"], self.settings["remedy"]
        try:
            if not os.path.exists(python):
                raise UnavailableError(
                    f"its Python environment is not there any more ({python}). {remedy}"
                )
            try:
                self.child = self.launch(python)
            except OSError as error:
                raise UnavailableError(f"{python} cannot be started ({error}). {remedy}") from None
            self.answers = queue.Queue()
            threading.Thread(
                target=listen, args=(self.child.stdout, self.answers), daemon=True
            ).start()
            try:
                greeting = self.answers.get(timeout=float(self.settings["start_seconds"]))
            except queue.Empty:
                greeting = None
            if greeting is None:
                self.stop()
                raise UnavailableError(
                    f"{python} does not start it; in a terminal “{python} -m "
                    f"sheetlab.live.calc.server” shows why. {remedy}"
                )
        except UnavailableError as error:
            self.failed = (str(error), time.monotonic())
            raise
        self.failed = ("", 0.0)

    def launch(self, python: str) -> Any:
        """The child process."""
        # the office sets these for its own Python
        environment = {
            key: value
            for key, value in os.environ.items()
            if key not in ("PYTHONHOME", "PYTHONPATH", "LD_LIBRARY_PATH", "__PYVENV_LAUNCHER__")
        }
        begin = (
            "import sys\n"
            "if sys.argv[1] not in sys.path: sys.path.insert(0, sys.argv[1])\n"
            "from sheetlab.live.calc.server import main\n"
            "sys.exit(main())"
        )
        return subprocess.Popen(
            [python, "-P", "-c", begin, self.settings["folder"]],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
            cwd=os.path.dirname(python),
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )

    def stop(self) -> None:
        """End it."""
        child, self.child = self.child, None
        if child is None:
            return
        with contextlib.suppress(OSError):
            child.stdin.close()
        try:
            child.wait(1.0)  # it ends with its input, and clears up, unless it hangs
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
        # the listener closes the other pipe


def listen(pipe: Any, answers: Any) -> None:
    """Hand on answers line by line, ``None`` at the end."""
    with pipe:
        for line in pipe:
            try:
                answers.put(json.loads(line.decode("ascii")))
            except ValueError:
                break
    answers.put(None)


def settings() -> dict[str, Any]:
    """What the extension was made with."""
    path = os.path.join(os.path.dirname(__file__), "settings.json")
    with open(path, encoding="utf-8") as file:
        return json.load(file)  # type: ignore[no-any-return]


SETTINGS = settings()
SAYS, TAIL = SETTINGS["note"], SETTINGS["tail"]
RULES, COLOURS = SETTINGS["rules"], SETTINGS["colours"]
"""Condition and colour of a mark by severity; the same for every program."""
RESULT_NAME = re.compile(re.escape(SETTINGS["result_name"]) + r"\d+", re.IGNORECASE)
PROCESS = Process(SETTINGS)

# -- functions in cells --------------------------------------------------------------------------


class Functions(unohelper.Base, XFunctions, XServiceInfo):
    """The add-in; its methods are made below from the list in the settings."""

    def __init__(self, context: Any) -> None:
        pass

    def getImplementationName(self) -> str:
        """Name of the component."""
        return FUNCTIONS

    def supportsService(self, name: str) -> bool:
        """Whether it is a service."""
        return name in self.getSupportedServiceNames()

    def getSupportedServiceNames(self) -> tuple[str, ...]:
        """The services it is."""
        return (FUNCTIONS, "com.sun.star.sheet.AddIn")


def function(name: str, block: bool) -> Callable[..., Any]:
    """The method that hands a call over; it gives a block of cells, or one value."""

    def method(self: Any, *values: Any) -> Any:
        given = shortened(values)
        while given and given[-1] is None:
            given.pop()
        try:
            answer = PROCESS.ask({"do": "call", "name": name, "values": given})
            value = answer.get("value", SAYS + str(answer.get("refused")))
        except UnavailableError as error:
            value = SAYS + str(error)
        except Exception as error:
            value = f"{SAYS}{type(error).__name__} in {name}; please report it"
        several = isinstance(value, list)
        if block:
            return tuple(tuple(row) for row in value) if several else ((value,),)
        return value[0][0] if several else value

    return method


def shortened(values: Any) -> list[Any]:
    """Arguments without the empty end of whole columns; those of one length stay of one length."""
    long = [v for v in values if isinstance(v, tuple) and len(v) > LONG]
    used = max([rows_used(v) for v in long] or [0])
    return [v[:used] if isinstance(v, tuple) and len(v) > LONG else v for v in values]


def rows_used(rows: Any) -> int:
    """Number of rows up to the last that holds something; at least one."""
    for k in range(len(rows), 1, -1):
        if any(cell != "" for cell in rows[k - 1]):
            return k
    return 1


OURS = re.compile(
    r"(?<![\w.])(?:\[\d+\]!|'[^']*\.xl[a-z]{1,2}'!|_xll\.)?"
    rf"(?P<name>{'|'.join(SETTINGS['functions'])})\(",
    re.IGNORECASE,
)
"""A function of ours in a formula that Calc does not understand, with what Excel puts before it if
it lives in an add-in."""

PURE_NAMES = (
    "ABS ACOS AND ASIN ATAN ATAN2 AVERAGE CEILING CONCATENATE COS COUNT COUNTA COUNTBLANK DEGREES "
    "EXP FALSE FLOOR IF IFERROR IFNA INDEX INT INTERCEPT ISBLANK ISERR ISERROR ISNA ISNUMBER "
    "ISTEXT LARGE LEFT LEN LINEST LN LOG LOG10 LOWER MATCH MAX MEDIAN MID MIN MOD N NA NOT OR PI "
    "POWER PRODUCT RADIANS RANK RIGHT ROUND ROUNDDOWN ROUNDUP ROW ROWS RSQ SIGN SIN SLOPE SMALL "
    "SQRT STDEV STDEVP STEYX SUM SUMPRODUCT SUMSQ T TAN TEXT TRANSPOSE TRIM TRUE TRUNC UPPER "
    "VALUE VAR VARP"
)
"""Functions of Calc that look at their arguments and nothing else: no address, file or clock."""
REFERENCE = r"\$?[A-Z]{1,3}\$?\d{1,7}"
SHEET = r"\$?(?:'[^'#]*'|\w+)\."
PLAIN = re.compile(rf"(?:{SHEET})?{REFERENCE}(?::(?:{SHEET})?{REFERENCE})?", re.IGNORECASE)
"""What a name stands for if it is nothing but cells."""
TOKEN = re.compile(
    r"""(?P<text>"[^"]*") | (?P<sheet>\$?'[^'#]*'\.) | (?P<number>\d[\d.]*(?:E[+-]?\d+)?)
    | (?P<call>[A-Z_][\w.]*)[ \n]*\( | (?P<word>[A-Z_$][\w.$]*) | [-+*/^&=<>();,{}:%!~|. \n]""",
    re.IGNORECASE | re.VERBOSE,
)
FUNCTION_NAMES = {*PURE_NAMES.split()} | {name.upper() for name in SETTINGS["functions"]}


def harmless(formula: str, names: dict[str, str]) -> bool:
    """Whether a formula can do nothing but calculate with cells of its own workbook.

    Entering a formula again makes it live, whatever protected the reader of the workbook until
    then: what asks an address or another file has to stay as it is.
    """
    at = 1
    while at < len(formula):
        token = TOKEN.match(formula, at)
        if token is None:
            return False
        at = token.end()
        call, word = token.group("call"), token.group("word")
        if call and call.upper() not in FUNCTION_NAMES:
            return False
        if word and word.upper() not in ("TRUE", "FALSE"):
            # a name may be called like a column, and stands for it then
            content = names.get(word.upper(), word)
            if not (PLAIN.fullmatch(content) or re.fullmatch(r"\$?[A-Z]{1,3}", content, re.I)):
                return False
    return True


for _name, _block in SETTINGS["functions"].items():
    setattr(Functions, _name, function(_name, _block))

# -- a document ----------------------------------------------------------------------------------


def prop(name: str, value: Any) -> Any:
    """A named value."""
    made = PropertyValue()
    made.Name, made.Value = name, value
    return made


class Book:
    """A workbook that is open in Calc, and what the commands do to it."""

    def __init__(self, context: Any, document: Any) -> None:
        self.context = context
        self.document = document

    def create(self, service: str) -> Any:
        """A service of the office."""
        return self.context.ServiceManager.createInstanceWithContext(service, self.context)

    def hidden(self, url: str) -> Any:
        """A document that nobody sees."""
        desktop = self.create("com.sun.star.frame.Desktop")
        return desktop.loadComponentFromURL(url, "_blank", 0, (prop("Hidden", True),))

    def save_copy(self, folder: str) -> None:
        """Store the workbook as it stands, without touching its own file."""
        url = uno.systemPathToFileUrl(os.path.join(folder, COPY))
        self.document.storeToURL(url, (prop("FilterName", XLSX),))

    def show(self, title: str, cell: str = "") -> None:
        """Bring a sheet to the front, and put the cursor on a cell of it."""
        controller, sheet = self.document.CurrentController, self.document.Sheets.getByName(title)
        if controller is not None:
            controller.setActiveSheet(sheet)
            if cell:
                controller.select(sheet.getCellRangeByName(cell))

    # result sheets

    def swap(self, out: Any, path: str, taken: Any) -> None:
        """Delete result sheets and take in those of a file, in the same place."""
        document, sheets = self.document, self.document.Sheets
        controller = document.CurrentController
        before = controller.ActiveSheet.Name if controller is not None else ""
        self.forget_names()
        names = list(sheets.ElementNames)
        place = min([names.index(title) for title in out if title in names] or [len(names)])
        for title in out:
            if title in names:
                sheets.removeByName(title)
                pages = document.StyleFamilies.getByName("PageStyles")
                if pages.hasByName("sheetlab " + title):
                    pages.removeByName("sheetlab " + title)
        place = min(place, sheets.Count)
        if not taken:
            return
        source = self.hidden(uno.systemPathToFileUrl(path))
        try:
            for k, title in enumerate(taken):
                sheets.importSheet(source, title, place + k)
                self.page_style(source, title)
                self.charts(source.Sheets.getByName(title), sheets.getByName(title))
        finally:
            source.close(True)
        self.forget_names()  # a copy brings its own along
        for k, title in enumerate(taken, 1):
            quoted = title.replace("'", "''")
            position = sheets.getByIndex(0).getCellByPosition(0, 0).CellAddress
            document.NamedRanges.addNewByName(
                f"{SETTINGS['result_name']}{k}", f"$'{quoted}'.$A$1", position, 0
            )
        if controller is not None:
            dispatcher = self.create("com.sun.star.frame.DispatchHelper")
            for title in taken:
                controller.setActiveSheet(sheets.getByName(title))
                # the grid of this sheet alone; a sheet that has just come in has one
                dispatcher.executeDispatch(controller.Frame, ".uno:ToggleSheetGrid", "", 0, ())
            if sheets.hasByName(before) and before not in taken:
                controller.setActiveSheet(sheets.getByName(before))

    def forget_names(self) -> None:
        """Delete the names by which result sheets are found."""
        names = self.document.NamedRanges
        for name in names.ElementNames:
            if RESULT_NAME.fullmatch(name):
                names.removeByName(name)

    def page_style(self, source: Any, title: str) -> None:
        """Give a sheet that was taken in the paper, margins and footer that it had."""
        sheet, old = self.document.Sheets.getByName(title), source.Sheets.getByName(title)
        styles = self.document.StyleFamilies.getByName("PageStyles")
        name = "sheetlab " + title
        if not styles.hasByName(name):
            styles.insertByName(name, self.document.createInstance("com.sun.star.style.PageStyle"))
        style = styles.getByName(name)
        model = source.StyleFamilies.getByName("PageStyles").getByName(old.PageStyle)
        known = style.PropertySetInfo
        switches = ("HeaderIsOn", "FooterIsOn", "IsLandscape")
        rest = [p.Name for p in model.PropertySetInfo.Properties if p.Name not in switches]
        for one in (*switches, *rest):
            if not known.hasPropertyByName(one) or known.getPropertyByName(one).Attributes & 16:
                continue  # 16: read only
            value = model.getPropertyValue(one)
            if value is None:
                continue
            try:
                style.setPropertyValue(one, value)
            except Exception:  # a property that depends on another one that is off
                continue
        sheet.PageStyle = name

    def charts(self, old: Any, new: Any) -> None:
        """Let charts that were taken in show the cells that they showed.

        Calc carries their ranges over by the number of the sheet, not by its name, and loses texts
        of legends; both are read from the source again.
        """
        for k in range(old.Charts.Count):
            model, chart = (s.Charts.getByIndex(k).EmbeddedObject for s in (old, new))
            provider = chart.getDataProvider()
            pairs = zip(data_holders(model), data_holders(chart))
            for source, target in list(pairs):
                made = []
                for part in source.getDataSequences():
                    labelled = self.create("com.sun.star.chart2.data.LabeledDataSequence")
                    for old_part, put in (
                        (part.getValues(), labelled.setValues),
                        (part.getLabel(), labelled.setLabel),
                    ):
                        if old_part is not None:
                            put(sequence(provider, old_part))
                    made.append(labelled)
                target.setData(tuple(made))

    # marks

    def sheets(self) -> Iterator[Any]:
        """Its sheets."""
        for name in self.document.Sheets.ElementNames:
            yield self.document.Sheets.getByName(name)

    def marks(self) -> list[Any]:
        """Cells that are marked: sheet, cell, severity, comment (empty: there is none of ours)."""
        out = []
        for sheet in self.sheets():
            found = {place_of(cell): severity for cell, severity in marked(sheet)}
            notes = {(n.Position.Column, n.Position.Row): n.String for n in sheet.Annotations}
            notes = {place: text for place, text in notes.items() if ours(text)}
            for place in sorted({*found, *notes}):
                name = sheet.getCellByPosition(*place).AbsoluteName.split(".")[-1]
                out.append(
                    [sheet.Name, name.replace("$", ""), found.get(place, ""), notes.get(place, "")]
                )
        return out

    def unmark(self) -> None:
        """Take every mark away; formats and comments of others stay."""
        for sheet in self.sheets():
            with unprotected(sheet):
                for cell, _ in list(marked(sheet)):
                    entries = cell.ConditionalFormat
                    entries.clear()
                    cell.ConditionalFormat = entries
                notes = sheet.Annotations
                for k in reversed(range(notes.Count)):
                    if ours(notes.getByIndex(k).String):
                        notes.removeByIndex(k)

    def mark(self, marks: list[Any]) -> None:
        """Colour cells, and comment on those without a comment.

        The colour is a conditional format, so that what the cell looks like without it is never
        touched. A cell that has one already gets the comment alone.
        """
        if marks:
            self.mark_styles()
        for title, name, severity, comment in marks:
            sheet = self.document.Sheets.getByName(title)
            cell = sheet.getCellRangeByName(name).getCellByPosition(0, 0)
            with unprotected(sheet):
                entries = cell.ConditionalFormat
                if severity and entries.Count == 0:
                    entries.addNew(
                        (
                            prop("Operator", uno.Enum(CONDITION, "FORMULA")),
                            prop("Formula1", RULES[severity]),
                            prop("StyleName", "sheetlab " + severity),
                        )
                    )
                    cell.ConditionalFormat = entries
                if comment and not cell.Annotation.String:
                    sheet.Annotations.insertNew(cell.CellAddress, comment)

    def mark_styles(self) -> None:
        """Make sure that the cell styles of marks are there.

        Calc refuses to change a style while any sheet is protected, but takes one in with a sheet.
        """
        styles = self.document.StyleFamilies.getByName("CellStyles")
        if all(styles.hasByName("sheetlab " + severity) for severity in COLOURS):
            return
        source = self.hidden("private:factory/scalc")
        try:
            sheet = source.Sheets.getByIndex(0)
            sheet.Name = "sheetlab marks"
            family = source.StyleFamilies.getByName("CellStyles")
            for k, (severity, colour) in enumerate(COLOURS.items()):
                name = "sheetlab " + severity
                family.insertByName(name, source.createInstance("com.sun.star.style.CellStyle"))
                family.getByName(name).CellBackColor = colour
                # what the style leaves open comes from the workbook's default, not from the cell
                family.getByName(name).VertJustify = 2
                sheet.getCellByPosition(0, k).CellStyle = name
            sheets = self.document.Sheets
            place = sheets.importSheet(source, sheet.Name, sheets.Count)
            sheets.removeByName(sheets.getByIndex(place).Name)
        finally:
            source.close(True)

    # formulas that came from another program

    def enter_again(self) -> list[str]:
        """Enter formulas with our functions again that Calc did not understand.

        Returns the cells that were left alone, because their formulas do more than calculate.
        """
        left = []
        for sheet in self.sheets():
            found = []
            for block in sheet.queryContentCells(16):  # formulas
                address = block.RangeAddress
                for i, row in enumerate(block.getFormulaArray()):
                    found += [
                        (address.StartColumn + j, address.StartRow + i)
                        for j, formula in enumerate(row)
                        if OURS.search(formula)
                    ]
            if found:
                names = self.names(sheet)
                with unprotected(sheet):
                    for place in found:
                        cell = sheet.getCellByPosition(*place)
                        if not self.enter(sheet, cell, names):
                            left.append(f"{sheet.Name} {cell.AbsoluteName.split('.')[-1]}")
        return [where.replace("$", "") for where in left]

    def names(self, sheet: Any) -> dict[str, str]:
        """What the names stand for that formulas of a sheet may use."""
        known = (self.document.NamedRanges, sheet.NamedRanges)
        return {
            name.upper(): ranges.getByName(name).Content.strip()
            for ranges in known
            for name in ranges.ElementNames
        }

    def enter(self, sheet: Any, cell: Any, names: dict[str, str]) -> bool:
        """Enter the formula of a cell again, with the array it belongs to; False: left alone."""
        formula = OURS.sub(r"\g<name>(", cell.getFormula())
        array = formula.startswith("{")
        if not harmless(formula[1:-1] if array else formula, names):
            return False
        if not array:
            cell.setFormula(formula)
            return True
        cursor = sheet.createCursorByRange(cell)
        cursor.collapseToCurrentArray()
        start = cursor.RangeAddress
        # otherwise entered with the first cell of the array
        if (start.StartColumn, start.StartRow) == place_of(cell):
            cursor.setArrayFormula(formula[1:-1])
        return True

    def say_left(self, cells: list[str]) -> None:
        """Say once, in a bar above the sheet, which formulas stay as they came."""
        many = f" and {len(cells) - 3} more" if len(cells) > 3 else ""
        self.document.CurrentController.appendInfobar(
            LEFT,
            "sheetlab left formulas as they came",
            f"{', '.join(cells[:3])}{many}: these formulas do more than calculate with this "
            "workbook. If you trust them, enter them again yourself (F2, then Enter).",
            2,  # a warning
            (),
            True,
        )


def data_holders(chart: Any) -> Iterator[Any]:
    """Everything in a chart that shows cells."""
    for system in chart.getFirstDiagram().getCoordinateSystems():
        for kind in system.getChartTypes():
            for series in kind.getDataSeries():
                yield series
                for name in ("ErrorBarX", "ErrorBarY"):
                    bars = series.getPropertyValue(name)
                    if bars is not None:
                        yield bars


def sequence(provider: Any, old: Any) -> Any:
    """The same cells, or the same text, in another document."""
    text = old.getSourceRangeRepresentation()
    made = provider.createDataSequenceByRangeRepresentation(text)
    if made is None:
        # Calc takes a comma or semicolon in the text of a legend for the end of it
        made = provider.createDataSequenceByRangeRepresentation(text.translate(LOOK_ALIKE))
    made.Role = old.Role
    return made


@contextlib.contextmanager
def unprotected(sheet: Any) -> Iterator[None]:
    """Lift a protection without password for a moment; Calc keeps its options meanwhile."""
    was = sheet.isProtected()
    if was:
        with contextlib.suppress(Exception):  # a password: what is allowed can still be done
            sheet.unprotect("")
    lifted = was and not sheet.isProtected()
    try:
        yield
    finally:
        if lifted:
            sheet.protect("")


def marked(sheet: Any) -> Iterator[tuple[Any, str]]:
    """Cells with a colour of ours, and the severity that it stands for."""
    for one in sheet.ConditionalFormats.getConditionalFormats():
        formula = getattr(one.getByIndex(0), "Formula1", "") if one.Count == 1 else ""
        for severity, rule in RULES.items():
            if formula == rule:
                for area in one.Range.RangeAddresses:
                    for row in range(area.StartRow, area.EndRow + 1):
                        for column in range(area.StartColumn, area.EndColumn + 1):
                            yield sheet.getCellByPosition(column, row), severity


def place_of(cell: Any) -> tuple[int, int]:
    """Column and row, from 0."""
    return cell.CellAddress.Column, cell.CellAddress.Row


def ours(comment: str) -> bool:
    """Whether a comment is ours and nobody has written into it."""
    return comment.startswith(SAYS) and comment.endswith(TAIL)


def whole(book: Book, forwards: Callable[[], None], backwards: Callable[[], None]) -> None:
    """Do something whole or not at all; after it Calc has nothing to undo.

    Calc notes steps of its own on the way, however its list is locked, and one that points at a
    sheet which has come and gone since ends the office when it is undone (seen in 7.4).
    """

    def quietly(act: Callable[[], None]) -> None:
        book.document.lockControllers()
        try:
            act()
        finally:
            book.document.unlockControllers()

    try:
        quietly(forwards)
    except Exception:
        with contextlib.suppress(Exception):  # nothing half done is left, if it can be helped
            quietly(backwards)
        raise
    finally:
        book.document.UndoManager.reset()


# -- the menu ------------------------------------------------------------------------------------


@contextlib.contextmanager
def copied(book: Book) -> Iterator[str]:
    """A folder with a copy of the workbook; a copy of what students typed does not stay."""
    folder = ask("folder")["folder"]
    try:
        book.save_copy(folder)
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def evaluate(book: Book) -> str:
    """Evaluate the workbook and put the result sheets into it; what to say."""
    with copied(book) as folder:
        made = ask("prepare", folder)
        results, copy = os.path.join(folder, RESULTS), os.path.join(folder, COPY)
        titles, replaces = made["titles"], made["replaces"]
        whole(
            book,
            lambda: book.swap(replaces, results, titles),
            lambda: book.swap(titles, copy, replaces),
        )
    book.show(titles[0])
    if not made["statement"]:
        return f"No result could be formed; the sheet {titles[-1]} says why."
    said = f"{made['statement']}\n\n{made['headline']}"
    return said if made["status"] == "ok" else f"{said} See the sheet {titles[-1]}."


def check(book: Book) -> str:
    """Mark the cells that need a look; what to say."""
    with copied(book) as folder:
        made = ask("prepare", folder)
    found, elsewhere = made["marks"], made["elsewhere"]
    marks, before = [mark[:4] for mark in found], book.marks()

    def change(new: list[Any]) -> Callable[[], None]:
        def run() -> None:
            book.unmark()
            book.mark(new)

        return run

    whole(book, change(marks), change(before))
    if not marks:
        return "\n\n".join(few(elsewhere)) or "No reading looks wrong."
    book.show(*marks[0][:2])
    done = {(sheet, cell) for sheet, cell, _, _ in book.marks()}
    lines = [
        f"{sheet}, {cell}: {text}"
        + ("" if (sheet, cell) in done else "\n(Not marked: the sheet is locked with a password.)")
        for sheet, cell, _, _, text in found
    ]
    told = ["Cells that need a look:", *few(lines)]
    if elsewhere:
        told += ["And what no cell stands for:", *few(elsewhere)]
    return "\n\n".join(told)


def clear(book: Book) -> str:
    """Take result sheets and marks away; what to say."""
    with copied(book) as folder:
        own, marks = ask("own", folder)["replaces"], book.marks()
        if not own and not marks:
            return "There are no result sheets and no marks."

        def forwards() -> None:
            book.swap(own, "", [])
            book.unmark()

        def backwards() -> None:
            book.swap([], os.path.join(folder, COPY), own)
            book.mark(marks)

        whole(book, forwards, backwards)
    left = len(book.marks())
    sheets, gone = counted(len(own), "result sheet"), counted(len(marks) - left, "mark")
    said = f"Taken away: {sheets}, {gone}."
    if left:
        said += f"\n\nStill there: {counted(left, 'mark')}, on a sheet locked with a password."
    return said


def counted(number: int, what: str) -> str:
    """A number of things."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def few(lines: list[str]) -> list[str]:
    """The first of them, and how many more there are."""
    return lines if len(lines) <= 5 else [*lines[:5], f"and {len(lines) - 5} more"]


def ask(what: str, folder: str = "") -> dict[str, Any]:
    """Ask the process for something about a workbook."""
    answer = PROCESS.ask({"do": what, "folder": folder}, "evaluate_seconds")
    if "refused" in answer:
        raise RefusedError(answer["refused"])
    return answer


RUN = {"evaluate": evaluate, "check": check, "clear": clear}
LOCKED = {
    "evaluate": "no sheets can come in",
    "check": "Calc cannot take in the colours of marks",  # they come with a sheet
    "clear": "no sheets can be taken away",
}
"""What a protected structure stands in the way of."""


class Commands(
    unohelper.Base, XDispatchProvider, XNotifyingDispatch, XInitialization, XServiceInfo
):
    """The entries of the menu."""

    def __init__(self, context: Any, *_: Any) -> None:
        self.context = context
        self.frame: Any = None

    def initialize(self, arguments: Any) -> None:
        """Hear of the window that the menu belongs to."""
        if arguments:
            self.frame = arguments[0]

    def queryDispatch(self, url: Any, target: str, flags: int) -> Any:
        """Whether an entry is one of ours."""
        return self if url.Complete.startswith(MENU) else None

    def queryDispatches(self, requests: Any) -> Any:
        """Several of these."""
        return tuple(self.queryDispatch(r.FeatureURL, r.FrameName, r.SearchFlags) for r in requests)

    def dispatch(self, url: Any, arguments: Any) -> None:
        """Carry an entry out and say how it went."""
        self.run(url.Complete[len(MENU) :])

    def dispatchWithNotification(self, url: Any, arguments: Any, listener: Any) -> None:
        """The same for a caller that wants to know."""
        done, text = self.run(url.Complete[len(MENU) :])
        event = DispatchResultEvent()
        event.State = 1 if done else 0
        event.Result = text
        if listener is not None:
            listener.dispatchFinished(event)

    def run(self, command: str) -> tuple[bool, str]:
        """Whether a command was carried out, and what there is to say."""
        document = self.frame.getController().getModel()
        try:
            if not document.supportsService("com.sun.star.sheet.SpreadsheetDocument"):
                raise RefusedError("This is no spreadsheet.")
            if document.isReadonly():
                raise RefusedError("This workbook is open for reading only; save a copy first.")
            if document.isProtected():
                raise RefusedError(
                    f"The structure of this workbook is protected, so {LOCKED[command]}. Lift "
                    "that first: Tools > Protect Spreadsheet Structure."
                )
            done, text = True, RUN[command](Book(self.context, document))
        except (RefusedError, UnavailableError) as error:
            done, text = False, str(error)
        except Exception as error:
            done, text = False, f"{type(error).__name__}: {error}\n\nPlease report it."
        self.say(done, text)
        return done, text

    def say(self, done: bool, text: str) -> None:
        """Show a message, if anybody is there to see it."""
        window = self.frame.getContainerWindow()
        if window is None or not window.isVisible() or SETTINGS.get("quiet"):
            return
        kind = uno.Enum("com.sun.star.awt.MessageBoxType", "INFOBOX" if done else "WARNINGBOX")
        window.getToolkit().createMessageBox(window, kind, 1, "sheetlab", text).execute()

    def addStatusListener(self, listener: Any, url: Any) -> None:
        """Entries are never greyed, so there is no status to tell of."""

    def removeStatusListener(self, listener: Any, url: Any) -> None:
        """See above."""

    def getImplementationName(self) -> str:
        """Name of the component."""
        return COMMANDS

    def supportsService(self, name: str) -> bool:
        """Whether it is a service."""
        return name in self.getSupportedServiceNames()

    def getSupportedServiceNames(self) -> tuple[str, ...]:
        """The services it is."""
        return ("com.sun.star.frame.ProtocolHandler",)


# -- when a document was loaded ------------------------------------------------------------------


class Loaded(unohelper.Base, XJob, XServiceInfo):
    """Makes functions work in a workbook that was written for Excel."""

    def __init__(self, context: Any, *_: Any) -> None:
        self.context = context

    def execute(self, arguments: Any) -> None:
        """Look at a document that was just loaded."""
        try:
            values = {a.Name: a.Value for a in arguments}
            document = {v.Name: v.Value for v in values["Environment"]}["Model"]
            if not document.supportsService("com.sun.star.sheet.SpreadsheetDocument"):
                return
            changed, undo = document.isModified(), document.UndoManager
            begun = undo.isUndoPossible()
            book = Book(self.context, document)
            left = book.enter_again()
            if not begun:
                undo.reset()  # nobody has done anything yet
            if not changed:
                document.setModified(False)
            if left:
                book.say_left(left)
        except Exception:  # a workbook has to open, whatever is in it
            return

    def getImplementationName(self) -> str:
        """Name of the component."""
        return LOADED

    def supportsService(self, name: str) -> bool:
        """Whether it is a service."""
        return name in self.getSupportedServiceNames()

    def getSupportedServiceNames(self) -> tuple[str, ...]:
        """The services it is."""
        return ("com.sun.star.task.Job",)


g_ImplementationHelper = unohelper.ImplementationHelper()
for _part, _id, _services in (
    (Functions, FUNCTIONS, (FUNCTIONS, "com.sun.star.sheet.AddIn")),
    (Commands, COMMANDS, ("com.sun.star.frame.ProtocolHandler",)),
    (Loaded, LOADED, ("com.sun.star.task.Job",)),
):
    g_ImplementationHelper.addImplementation(_part, _id, _services)
