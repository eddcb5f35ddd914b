"""Type cells into an issued workbook, as a real file: found by its defined names, nothing else."""

from __future__ import annotations

import re
import subprocess
import sys
import zipfile
from functools import cache
from pathlib import Path

from independent.scales import Cells
from lxml import etree

MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
PLACE = re.compile(r"'?([^'!]+)'?!\$([A-Z]+)\$(\d+)(?::\$[A-Z]+\$(\d+))?$")


@cache
def issued(practical: str, folder: Path) -> dict[str, bytes]:
    """Parts of a blank workbook, as the ordinary command issues it."""
    command = [sys.executable, "-m", "sheetlab", "issue", practical, "--out", str(folder)]
    path = folder / f"{practical}.xlsx"
    if not path.exists():
        subprocess.run(command, check=True, capture_output=True)
    with zipfile.ZipFile(path) as package:
        return {name: package.read(name) for name in package.namelist()}


@cache
def _places(practical: str, folder: Path) -> dict[str, tuple[str, str, int, int]]:
    """Part, column, first row and number of rows of each input, by its name without "in_"."""
    book = etree.fromstring(issued(practical, folder)["xl/workbook.xml"])
    sheets = {
        sheet.get("name"): f"xl/worksheets/sheet{number}.xml"
        for number, sheet in enumerate(book.iter(f"{MAIN}sheet"), 1)
    }
    places = {}
    for name in book.iter(f"{MAIN}definedName"):
        if name.get("name", "").startswith("in_") and (found := PLACE.match(name.text)):
            sheet, column, first, last = found.groups()
            rows = int(last or first) - int(first) + 1
            places[name.get("name")[3:]] = (sheets[sheet], column, int(first), rows)
    return places


def fill(practical: str, cells: Cells, folder: Path, path: Path) -> None:
    """Write a filled workbook; refuses a name that the workbook does not have."""
    parts = dict(issued(practical, folder))
    by_part: dict[str, dict[str, float | str]] = {}
    for name, column in cells.items():
        part, letter, first, rows = _places(practical, folder)[name]
        if len(column) > rows:
            raise ValueError(f"{name} has {rows} cells, not {len(column)}")
        for row, value in enumerate(column):
            if value is not None:
                by_part.setdefault(part, {})[f"{letter}{first + row}"] = value
    for part, values in by_part.items():
        sheet = etree.fromstring(parts[part])
        for cell in sheet.iter(f"{MAIN}c"):
            if (value := values.pop(cell.get("r"), None)) is not None:
                _type(cell, value)
        assert not values, f"cells that the sheet does not have: {values}"
        parts[part] = etree.tostring(sheet, xml_declaration=True, encoding="UTF-8")
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as package:
        for name, data in parts.items():
            package.writestr(name, data)


def _type(cell: etree._Element, value: float | str) -> None:
    for child in list(cell):
        cell.remove(child)
    cell.attrib.pop("t", None)
    if isinstance(value, str):
        cell.set("t", "inlineStr")
        etree.SubElement(etree.SubElement(cell, f"{MAIN}is"), f"{MAIN}t").text = value
    else:
        etree.SubElement(cell, f"{MAIN}v").text = repr(float(value))
