"""Open workbooks of a running Calc, step by step; the other side of xlwings_engine.py."""

import re

import uno
from office_server import Server, main, prop, url

COMMA = "\u201a"
"""Looks like a comma; at a comma Calc ends the text of a label."""
XLSX = "Calc MS Excel 2007 XML"
ODS = "calc8"
CONDITION = uno.getConstantByName("com.sun.star.sheet.ConditionEntryType.CONDITION")
FORMULA = uno.getConstantByName("com.sun.star.sheet.ConditionFormatOperator.EXPRESSION")


def reference(refers_to):
    """``='Sheet'!$A$1`` as Calc writes it."""
    found = re.fullmatch(r"='((?:[^']|'')+)'!(\$[A-Z]+\$\d+)", refers_to)
    if found is None:
        raise ValueError(refers_to)
    return f"$'{found[1]}'.{found[2]}"


def series_of(chart):
    """The series of a chart, in order."""
    for system in chart.EmbeddedObject.FirstDiagram.CoordinateSystems:
        for kind in system.ChartTypes:
            yield from kind.DataSeries


class XlwingsServer(Server):
    def __init__(self, profile):
        super().__init__(profile)
        self.books = {}

    def sheet(self, book, sheet):
        return self.books[book].Sheets.getByName(sheet)

    # -- books -----------------------------------------------------------------------------------

    def open_book(self, path):
        number = max(self.books, default=0) + 1
        self.books[number] = self.open(path)
        return number

    def new_book(self):
        number = max(self.books, default=0) + 1
        self.books[number] = self.desktop.loadComponentFromURL(
            "private:factory/scalc", "_blank", 0, (prop("Hidden", True),)
        )
        return number

    def close_book(self, book):
        self.books.pop(book).close(True)

    def save(self, book, path):
        kind = ODS if path.endswith(".ods") else XLSX
        self.books[book].storeAsURL(url(path), (prop("FilterName", kind),))

    def save_copy(self, book, path):
        kind = ODS if path.endswith(".ods") else XLSX
        self.books[book].storeToURL(url(path), (prop("FilterName", kind),))

    # -- sheets ----------------------------------------------------------------------------------

    def sheets(self, book):
        return list(self.books[book].Sheets.ElementNames)

    def add_sheet(self, book, sheet):
        self.books[book].Sheets.insertNewByName(sheet, self.books[book].Sheets.Count)

    def delete_sheet(self, book, sheet):
        self.books[book].Sheets.removeByName(sheet)

    def activate(self, book, sheet):
        document = self.books[book]
        document.CurrentController.setActiveSheet(document.Sheets.getByName(sheet))

    def active(self, book):
        return self.books[book].CurrentController.ActiveSheet.Name

    def copy_sheets(self, book, source):
        """All sheets of another workbook, behind the last one.

        A chart that is taken in keeps the number of the sheet that it draws, not its name. So the
        other workbook first gets empty sheets in front, until every sheet has the number that it
        is going to have. (Taking sheets in at the front and moving them ends Calc 7.4 now and
        then.)
        """
        target, origin = self.books[book].Sheets, self.books[source].Sheets
        names = origin.ElementNames
        labels = [self.labels(origin.getByName(name)) for name in names]
        for number in range(target.Count):
            origin.insertNewByName(f"before {number}", 0)
        for name, texts in zip(names, labels, strict=True):
            target.importSheet(self.books[source], name, target.Count)
            self.set_labels(target.getByName(name), texts)

    def labels(self, sheet):
        """Names of series, by chart, series and role: a text in quotes, or a range."""
        return [
            [
                {
                    p.Values.Role: p.Label.SourceRangeRepresentation
                    for p in one.DataSequences
                    if p.Label
                }
                for one in series_of(chart)
            ]
            for chart in sheet.Charts
        ]

    def set_labels(self, sheet, labels):
        """Texts are lost when a sheet comes in, and become a wrong cell when one is put before."""
        for chart, texts in zip(sheet.Charts, labels, strict=True):
            provider = chart.EmbeddedObject.DataProvider
            for series, own in zip(series_of(chart), texts, strict=True):
                parts = []
                for part in series.DataSequences:
                    whole = self.create("com.sun.star.chart2.data.LabeledDataSequence")
                    whole.setValues(part.Values)
                    if part.Values.Role in own:
                        text = own[part.Values.Role].replace(",", COMMA)
                        label = provider.createDataSequenceByRangeRepresentation(text)
                        label.Role = "label"
                        whole.setLabel(label)
                    parts.append(whole)
                series.setData(tuple(parts))

    def create(self, service):
        return self.context.ServiceManager.createInstanceWithContext(service, self.context)

    def values(self, book, sheet, top, left, bottom, right):
        cells = self.sheet(book, sheet).getCellRangeByPosition(left, top, right, bottom)
        return [list(row) for row in cells.getDataArray()]

    def typed(self, book, sheet):
        """What stands in the cells: numbers, texts, formulas."""
        cursor = self.sheet(book, sheet).createCursor()
        cursor.gotoEndOfUsedArea(False)
        end = cursor.RangeAddress
        cells = self.sheet(book, sheet).getCellRangeByPosition(0, 0, end.EndColumn, end.EndRow)
        return [list(row) for row in cells.getFormulaArray()]

    def set_values(self, book, sheet, top, left, rows):
        cells = self.sheet(book, sheet).getCellRangeByPosition(
            left, top, left + len(rows[0]) - 1, top + len(rows) - 1
        )
        cells.setDataArray(tuple(tuple(row) for row in rows))

    def used(self, book, sheet):
        cursor = self.sheet(book, sheet).createCursor()
        cursor.gotoEndOfUsedArea(False)
        return [cursor.RangeAddress.EndRow + 1, cursor.RangeAddress.EndColumn + 1]

    def look(self, book, sheet, address):
        """What a person would see of a cell's own format."""
        cell = self.sheet(book, sheet).getCellRangeByName(address)
        return [cell.CellBackColor, cell.CharWeight, cell.CharColor, cell.NumberFormat]

    def set_look(self, book, sheet, address, colour):
        self.sheet(book, sheet).getCellRangeByName(address).CellBackColor = colour

    def charts(self, book):
        """Every series of every chart as [sheet, label, ranges, values]."""
        out = []
        for sheet in self.books[book].Sheets:
            for chart in sheet.Charts:
                for series in series_of(chart):
                    parts = sorted(series.DataSequences, key=lambda part: part.Values.Role)
                    labels = [
                        f"{p.Values.Role}: {p.Label.SourceRangeRepresentation.replace(COMMA, ',')}"
                        for p in parts
                        if p.Label
                    ]
                    for name in ("ErrorBarX", "ErrorBarY"):
                        bars = series.getPropertyValue(name)
                        parts += [] if bars is None else bars.DataSequences
                    ranges = [p.Values.SourceRangeRepresentation for p in parts]
                    data = [list(p.Values.Data) for p in parts]
                    out.append([sheet.Name, labels, ranges, data])
        return out

    # -- names -----------------------------------------------------------------------------------

    def names(self, book):
        names = self.books[book].NamedRanges
        return [[name, names.getByName(name).Content] for name in names.ElementNames]

    def add_name(self, book, name, refers_to):
        names = self.books[book].NamedRanges
        origin = self.books[book].Sheets.getByIndex(0).getCellByPosition(0, 0).CellAddress
        names.addNewByName(name, reference(refers_to), origin, 0)

    def delete_name(self, book, name):
        self.books[book].NamedRanges.removeByName(name)

    # -- rules and notes -------------------------------------------------------------------------

    def rules(self, book, sheet):
        """Conditional formats as [id, address, formula or None, colour]."""
        out = []
        styles = self.books[book].StyleFamilies.getByName("CellStyles")
        for one in self.sheet(book, sheet).ConditionalFormats.getConditionalFormats():
            entry = one.getByIndex(0)
            plain = entry.getType() == CONDITION and entry.Operator == FORMULA
            colour = styles.getByName(entry.StyleName).CellBackColor if plain else None
            area = one.Range.RangeAddressesAsString
            out.append([one.ID, area, f"={entry.Formula1}" if plain else None, colour])
        return out

    def add_rule(self, book, sheet, address, formula, colour):
        styles = self.books[book].StyleFamilies.getByName("CellStyles")
        name = f"rule{colour:06x}"
        if not styles.hasByName(name):
            styles.insertByName(
                name, self.books[book].createInstance("com.sun.star.style.CellStyle")
            )
            # Calc changes no style while any sheet is protected
            locked = [one for one in self.books[book].Sheets if one.isProtected()]
            for one in locked:
                one.unprotect("")
            styles.getByName(name).CellBackColor = colour
            for one in locked:
                one.protect("")
        its = self.sheet(book, sheet)
        ranges = self.books[book].createInstance("com.sun.star.sheet.SheetCellRanges")
        ranges.addRangeAddress(its.getCellRangeByName(address).RangeAddress, False)
        number = its.ConditionalFormats.createByRange(ranges)
        (one,) = [one for one in its.ConditionalFormats.getConditionalFormats() if number == one.ID]
        one.createEntry(CONDITION, 0)
        entry = one.getByIndex(0)
        entry.Operator = FORMULA
        entry.Formula1 = formula.removeprefix("=")
        entry.StyleName = name

    def delete_rule(self, book, sheet, number):
        self.sheet(book, sheet).ConditionalFormats.removeByID(number)

    def notes(self, book, sheet):
        out = []
        for note in self.sheet(book, sheet).Annotations:
            at = note.Position
            out.append([at.Row, at.Column, note.String])
        return out

    def add_note(self, book, sheet, row, column, text):
        cell = self.sheet(book, sheet).getCellByPosition(column, row)
        self.sheet(book, sheet).Annotations.insertNew(cell.CellAddress, text)

    def delete_note(self, book, sheet, row, column):
        notes = self.sheet(book, sheet).Annotations
        for number in range(notes.Count):
            at = notes.getByIndex(number).Position
            if (at.Row, at.Column) == (row, column):
                notes.removeByIndex(number)
                return

    # -- VBA -------------------------------------------------------------------------------------

    def run_basic(self, modules, sheets, function, arguments, path=""):
        """What a function of VBA modules answers in a new workbook with these sheets more."""
        always = 4  # com.sun.star.document.MacroExecMode.ALWAYS_EXECUTE_NO_WARN
        document = self.desktop.loadComponentFromURL(
            "private:factory/scalc",
            "_blank",
            0,
            (prop("Hidden", True), prop("MacroExecutionMode", always)),
        )
        for sheet in sheets:
            document.Sheets.insertNewByName(sheet, document.Sheets.Count)
        document.BasicLibraries.VBACompatibilityMode = True
        library = document.BasicLibraries.getByName("Standard")
        for name, text in modules.items():
            library.insertByName(name, f"Option VBASupport 1\n{text}")
        if path:
            document.storeAsURL(uno.systemPathToFileUrl(path), ())
        script = document.getScriptProvider().getScript(
            f"vnd.sun.star.script:Standard.{function}?language=Basic&location=document"
        )
        answer, _, _ = script.invoke(tuple(arguments), (), ())
        document.close(True)
        return answer

    # -- protection ------------------------------------------------------------------------------

    def protected(self, book, sheet):
        return self.sheet(book, sheet).isProtected()

    def protect(self, book, sheet, password):
        self.sheet(book, sheet).protect(password)

    def unprotect(self, book, sheet, password):
        self.sheet(book, sheet).unprotect(password)


main(XlwingsServer)
