"""A hand-made .ods file with the cells of a workbook of ours, for tests without Calc."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

from sheetlab.workbook.layout import parse_reference
from sheetlab.workbook.opening import open_store
from sheetlab.workbook.package import package_of
from sheetlab.workbook.store import Cell

MIMETYPE = b"application/vnd.oasis.opendocument.spreadsheet"
SPACES = " ".join(
    f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"'
    for short, name in (("office", "office"), ("table", "table"), ("text", "text"))
)


def cell_xml(cell: Cell | None) -> str:
    if cell is None:
        return "<table:table-cell/>"
    formula = ' table:formula="of:=1"' if cell.formula else ""
    if cell.kind == "number":
        value = f'office:value-type="float" office:value="{cell.value!r}"'
        return f"<table:table-cell{formula} {value}/>"
    paragraphs = "".join(f"<text:p>{escape(p)}</text:p>" for p in str(cell.value).split("\n"))
    return f'<table:table-cell{formula} office:value-type="string">{paragraphs}</table:table-cell>'


def open_document(data: bytes) -> bytes:
    """The sheets, cells and names of an .xlsx file of ours as an .ods file."""
    store = open_store(package_of(data, Path("a.xlsx")))
    tables = []
    for sheet in store.sheets:
        cells = store.cells(sheet.name)
        rows = [
            "<table:table-row>"
            + "".join(
                cell_xml(cells.get((row, column)))
                for column in range(1 + max((c for r, c in cells if r == row), default=0))
            )
            + "</table:table-row>"
            for row in range(1 + max(r for r, _ in cells))
        ]
        tables.append(
            f'<table:table table:protected="true" table:name={quoteattr(sheet.name)}>'
            f"{''.join(rows)}</table:table>"
        )
    names = []
    for name, reference in store.names.items():
        slot = parse_reference(reference)
        if slot is not None:
            sheet, _, area = reference.rpartition("!")
            names.append(
                f'<table:named-range table:name="{name}" table:base-cell-address="$Start.$A$1" '
                f"table:cell-range-address={quoteattr(f'${sheet}.{area}'.replace(':', ':.'))}/>"
            )
    return packed(
        f"<table:named-expressions>{''.join(names)}</table:named-expressions>", "".join(tables)
    )


def packed(names: str, tables: str, kind: bytes = MIMETYPE, **more: bytes) -> bytes:
    """An .ods file of its tables and names."""
    content = (
        f'<office:document-content {SPACES} office:version="1.3"><office:body><office:spreadsheet>'
        f"{tables}{names}</office:spreadsheet></office:body></office:document-content>"
    )
    return archive({"mimetype": kind, "content.xml": content.encode(), **more})


def archive(parts: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as made:
        for name, data in parts.items():
            made.writestr(name, data)
    return buffer.getvalue()
