"""The store of a package, in whichever of the two formats it is."""

from __future__ import annotations

from sheetlab.workbook.package import Package
from sheetlab.workbook.store import Store, open_sheets


def open_store(package: Package) -> Store:
    """Sheets and names of a package; raises SheetlabError if its workbook part is unusable."""
    if package.open_document:
        from sheetlab.workbook.opendocument import open_document

        return open_document(package)
    return open_sheets(package)
