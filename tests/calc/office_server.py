"""The other side of office.py; runs under the system's Python, beside LibreOffice."""

import contextlib
import json
import subprocess
import sys
import time

import uno
from com.sun.star.beans import PropertyValue
from com.sun.star.table.CellContentType import FORMULA, VALUE

FILTERS = {"xlsx": "Calc MS Excel 2007 XML", "ods": "calc8"}


def prop(name, value):
    out = PropertyValue()
    out.Name, out.Value = name, value
    return out


def url(path):
    return uno.systemPathToFileUrl(path)


class Server:
    def __init__(self, profile):
        pipe = f"sheetlab{abs(hash(profile)) % 10**8}"
        self.office = subprocess.Popen(
            [
                "soffice", "--headless", "--norestore", "--nologo", "--nofirststartwizard",
                f"-env:UserInstallation={url(profile)}",
                f"--accept=pipe,name={pipe};urp;StarOffice.ComponentContext",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        local = uno.getComponentContext()
        resolver = local.ServiceManager.createInstanceWithContext(
            "com.sun.star.bridge.UnoUrlResolver", local
        )
        for _ in range(1200):
            try:
                self.context = context = resolver.resolve(
                    f"uno:pipe,name={pipe};urp;StarOffice.ComponentContext"
                )
                break
            except Exception:
                time.sleep(0.05)
        self.context = context
        self.books = {}
        self.desktop = context.ServiceManager.createInstanceWithContext(
            "com.sun.star.frame.Desktop", context
        )

    def open(self, path, hidden=True):
        document = self.desktop.loadComponentFromURL(
            url(path), "_blank", 0, (prop("Hidden", hidden),)
        )
        if document is None:
            raise RuntimeError(f"cannot open {path}")
        return document

    def recalculate(self, path, fill, save):
        document = self.open(path)
        names = document.NamedRanges
        for name, values in fill.items():
            cells = names.getByName(name).getReferredCells()
            for i, value in enumerate(values):
                if value is None:
                    continue
                cell = cells.getCellByPosition(0, i)
                if isinstance(value, str):
                    cell.String = value
                else:
                    cell.Value = value
        document.calculateAll()
        out = {}
        for name in names.ElementNames:
            cells = names.getByName(name).getReferredCells()
            if cells is None:
                continue
            address = cells.RangeAddress
            out[name] = [
                self.content(cells.getCellByPosition(0, i))
                for i in range(address.EndRow - address.StartRow + 1)
            ]
        if save:
            document.storeToURL(url(save), (prop("FilterName", FILTERS[save.rpartition(".")[2]]),))
        document.close(True)
        return out

    @staticmethod
    def content(cell):
        if cell.getError():
            return {"error": cell.getError()}
        if cell.Type == VALUE:
            return cell.Value
        if cell.Type == FORMULA and cell.FormulaResultType2 == 1:
            return cell.Value
        return cell.String

    def type_in(self, path, cells, save):
        """Type texts into cells as at the keyboard: dates and numbers are recognised."""
        document = self.open(path)
        for sheet, contents in cells.items():
            for name, text in contents.items():
                document.Sheets.getByName(sheet).getCellRangeByName(name).Formula = text
        document.calculateAll()
        document.storeToURL(url(save), (prop("FilterName", FILTERS[save.rpartition(".")[2]]),))
        document.close(True)

    def formulas(self, path):
        document = self.open(path)
        document.calculateAll()
        out = []
        every = 7  # numbers, texts and errors (com.sun.star.sheet.FormulaResult)
        for sheet in document.Sheets:
            found = sheet.queryFormulaCells(every).Cells.createEnumeration()
            while found.hasMoreElements():
                cell = found.nextElement()
                content = self.content(cell)
                error = content["error"] if isinstance(content, dict) else 0
                name = cell.AbsoluteName.split(".")[-1].replace("$", "")
                out.append([sheet.Name, name, None if error else content, error])
        document.close(True)
        return out

    def type_cells(self, path, cells, save):
        document = self.open(path)
        for sheet, values in cells.items():
            for address, value in values.items():
                cell = document.Sheets.getByName(sheet).getCellRangeByName(address)
                if isinstance(value, str):
                    cell.String = value
                else:
                    cell.Value = value
        document.calculateAll()
        document.storeToURL(url(save), (prop("FilterName", FILTERS[save.rpartition(".")[2]]),))
        document.close(True)

    def locked(self, path, save, password):
        document = self.open(path)
        kind = prop("FilterName", FILTERS[save.rpartition(".")[2]])
        document.storeToURL(url(save), (kind, prop("Password", password)))
        document.close(True)

    def rearranged(self, path, save):
        """What people do to sheets: rename, move, insert rows above and columns before."""
        document = self.open(path)
        sheets = document.Sheets
        readings = sheets.getByName("Readings")
        readings.unprotect("")
        readings.Rows.insertByIndex(1, 2)
        readings.Columns.insertByIndex(1, 1)
        readings.Name = "It's. mine"
        sheets.moveByName("It's. mine", 0)
        sheets.copyByName("Dimensions", "Dimensions once more", 0)
        document.storeToURL(url(save), (prop("FilterName", FILTERS[save.rpartition(".")[2]]),))
        document.close(True)

    def decorate(self, path, picture, save):
        """What people add to a workbook in Calc: photo, text box, comment, chart, conditions."""
        document = self.open(path)
        sheet = document.Sheets.getByName("Readings")
        sheet.unprotect("")
        page = sheet.DrawPage
        for kind, x in (("Text", 30000), ("GraphicObject", 36000), ("Custom", 42000)):
            shape = document.createInstance(f"com.sun.star.drawing.{kind}Shape")
            page.add(shape)
            place, size = (
                uno.createUnoStruct("com.sun.star.awt.Point"),
                uno.createUnoStruct("com.sun.star.awt.Size"),
            )
            place.X, place.Y, size.Width, size.Height = x, 2000, 5000, 3000
            shape.Position, shape.Size = place, size
            if kind == "GraphicObject":
                provider = self.context.ServiceManager.createInstanceWithContext(
                    "com.sun.star.graphic.GraphicProvider", self.context
                )
                shape.Graphic = provider.queryGraphic((prop("URL", url(picture)),))
            elif kind == "Text":
                shape.String = "the wire slipped in the chuck"
        place = sheet.getCellRangeByName("B10").CellAddress
        sheet.Annotations.insertNew(place, "second trial")
        area = sheet.getCellRangeByName("B9:C18").RangeAddress
        box = uno.createUnoStruct("com.sun.star.awt.Rectangle")
        box.X, box.Y, box.Width, box.Height = 30000, 8000, 9000, 6000
        sheet.Charts.addNewByName("ours", box, (area,), False, False)
        document.DocumentProperties.Author = "group 7"
        document.storeToURL(url(save), (prop("FilterName", FILTERS[save.rpartition(".")[2]]),))
        document.close(True)

    def shapes(self, path):
        """What lies on the sheet of readings: shapes, their texts, how many charts and comments."""
        document = self.open(path)
        sheet = document.Sheets.getByName("Readings")
        page = sheet.DrawPage
        kinds = sorted(page.getByIndex(i).ShapeType for i in range(page.Count))
        texts = [page.getByIndex(i).String for i in range(page.Count)
                 if hasattr(page.getByIndex(i), "String")]  # fmt: skip
        out = [kinds, texts, sheet.Charts.Count, sheet.Annotations.Count]
        document.close(True)
        return out

    def heights(self, path):
        """By sheet: rows as [top, height, height that their texts need], pictures as [top, end]."""
        document = self.open(path)
        out = {}
        for sheet in document.Sheets:
            sheet.unprotect("")
            cursor = sheet.createCursor()
            cursor.gotoEndOfUsedArea(False)
            rows = [sheet.Rows.getByIndex(i) for i in range(cursor.RangeAddress.EndRow + 1)]
            drawn = [sheet.DrawPage.getByIndex(i) for i in range(sheet.DrawPage.Count)]
            pictures = [[one.Position.Y, one.Position.Y + one.Size.Height] for one in drawn]
            found = [[row.getPropertyValue("Position").Y, row.Height] for row in rows]
            for row in rows:
                row.OptimalHeight = True
            needed = [row.Height for row in rows]
            out[sheet.Name] = [
                [[*each, need] for each, need in zip(found, needed, strict=True)],
                pictures,
            ]
        document.close(True)
        return out

    def pdf(self, path, target):
        document = self.open(path)
        document.calculateAll()
        document.storeToURL(url(target), (prop("FilterName", "calc_pdf_Export"),))
        document.close(True)

    # workbooks that stay open

    def open_book(self, path, hidden):
        if path:
            document = self.open(path, hidden)
        else:
            document = self.desktop.loadComponentFromURL(
                "private:factory/scalc", "_blank", 0, (prop("Hidden", hidden),)
            )
        key = len(self.books)
        self.books[key] = document
        return key

    def close_book(self, key):
        self.books[key].setModified(False)
        self.books[key].close(True)
        self.books[key] = None

    def command(self, key, name):
        helper = self.context.ServiceManager.createInstanceWithContext(
            "com.sun.star.frame.DispatchHelper", self.context
        )
        frame = self.books[key].CurrentController.Frame
        event = helper.executeDispatch(frame, f"org.sheetlab:{name}", "_self", 0, ())
        return [event.State == 1, event.Result]

    def bar(self, key, name):
        return self.books[key].CurrentController.hasInfobar(name)

    def sheets(self, key):
        return list(self.books[key].Sheets.ElementNames)

    def sheet(self, key, name):
        sheets = self.books[key].Sheets
        return sheets.getByName(name) if name else sheets.getByIndex(0)

    def enter(self, key, sheet, cells):
        found = {a: self.sheet(key, sheet).getCellRangeByName(a) for a in cells}
        for address, text in cells.items():
            found[address].Formula = text
        return {address: self.content(cell) for address, cell in found.items()}

    def array(self, key, sheet, area, formula):
        self.sheet(key, sheet).getCellRangeByName(area).setArrayFormula(formula)
        return self.shown(key, sheet, area)

    def put(self, key, sheet, area, rows):
        target = self.sheet(key, sheet).getCellRangeByName(area)
        target.setDataArray(tuple(tuple("" if v is None else v for v in row) for row in rows))

    def shown(self, key, sheet, area):
        return self.sheet(key, sheet).getCellRangeByName(area).getDataArray()

    def add_sheet(self, key, title):
        sheets = self.books[key].Sheets
        sheets.insertNewByName(title, sheets.Count)

    def steps(self, key):
        return self.books[key].UndoManager.getAllUndoActionTitles()

    @staticmethod
    def address(sheet, position):
        cell = sheet.getCellByPosition(position.Column, position.Row)
        return cell.AbsoluteName.split(".")[-1].replace("$", "")

    def comments(self, key):
        return [
            [sheet.Name, self.address(sheet, note.Position), note.String]
            for sheet in self.books[key].Sheets
            for note in sheet.Annotations
        ]

    def comment(self, key, sheet, cell, text):
        target = self.sheet(key, sheet)
        target.Annotations.insertNew(target.getCellRangeByName(cell).CellAddress, text)

    def coloured(self, key):
        return [
            [
                sheet.Name,
                area.split(".")[-1],
                one.getByIndex(0).Formula1,
            ]
            for sheet in self.books[key].Sheets
            for one in sheet.ConditionalFormats.getConditionalFormats()
            # out of an .ods equal ones of several cells come as one
            for area in one.Range.RangeAddressesAsString.replace(",", ";").split(";")
        ]

    def protected(self, key):
        return [sheet.isProtected() for sheet in self.books[key].Sheets]

    def charts(self, key):
        out = []
        for sheet in self.books[key].Sheets:
            for k in range(sheet.Charts.Count):
                chart = sheet.Charts.getByIndex(k).EmbeddedObject
                out.append([sheet.Name, list(self.series(chart))])
        return out

    @staticmethod
    def series(chart):
        for system in chart.getFirstDiagram().getCoordinateSystems():
            for kind in system.getChartTypes():
                for series in kind.getDataSeries():
                    bars = [series.getPropertyValue(b) for b in ("ErrorBarX", "ErrorBarY")]
                    for one in (series, *(b for b in bars if b is not None)):
                        for part in one.getDataSequences():
                            label = part.getLabel()
                            yield [
                                part.getValues().Role,
                                part.getValues().getSourceRangeRepresentation(),
                                label.getSourceRangeRepresentation() if label else "",
                            ]

    def protect_sheet(self, key, sheet, password):
        target = self.sheet(key, sheet)
        target.unprotect("")
        target.protect(password)

    def protect_structure(self, key):
        self.books[key].protect("")

    def recalculate_book(self, key, times):
        out = []
        for _ in range(times):
            begin = time.perf_counter()
            self.books[key].calculateAll()
            out.append(time.perf_counter() - begin)
        return out

    def save_book(self, key, path):
        kind = "calc8" if path.endswith(".ods") else "Calc MS Excel 2007 XML"
        self.books[key].storeToURL(url(path), (prop("FilterName", kind),))

    def quit(self):
        with contextlib.suppress(Exception):  # the bridge closes while it answers
            self.desktop.terminate()
        self.office.wait(30)


def main(kind=Server):
    server = kind(sys.argv[1])
    for line in sys.stdin:
        request = json.loads(line)
        action = request.pop("action")
        try:
            answer = {"result": getattr(server, action)(**request)}
        except Exception as error:
            answer = {"error": f"{type(error).__name__}: {error}"}
        print(json.dumps(answer), flush=True)
        if action == "quit":
            return


if __name__ == "__main__":
    main()
