"""The other side of office.py; runs under the system's Python, beside LibreOffice."""

import contextlib
import json
import subprocess
import sys
import time

import uno
from com.sun.star.beans import PropertyValue
from com.sun.star.table.CellContentType import FORMULA, VALUE


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
                context = self.context = resolver.resolve(
                    f"uno:pipe,name={pipe};urp;StarOffice.ComponentContext"
                )
                break
            except Exception:
                time.sleep(0.05)
        self.desktop = context.ServiceManager.createInstanceWithContext(
            "com.sun.star.frame.Desktop", context
        )

    def open(self, path):
        document = self.desktop.loadComponentFromURL(
            url(path), "_blank", 0, (prop("Hidden", True),)
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
            document.storeToURL(url(save), (prop("FilterName", "Calc MS Excel 2007 XML"),))
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
        document.storeToURL(url(save), (prop("FilterName", "Calc MS Excel 2007 XML"),))
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
        document.storeToURL(url(save), (prop("FilterName", "Calc MS Excel 2007 XML"),))
        document.close(True)

    def pdf(self, path, target):
        document = self.open(path)
        document.calculateAll()
        document.storeToURL(url(target), (prop("FilterName", "calc_pdf_Export"),))
        document.close(True)

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
