"""Make the workbooks that people and accidents make of ours."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable

import openpyxl


def edited(data: bytes, change: Callable[[openpyxl.Workbook], None]) -> bytes:
    """A workbook as another program saves it after a change."""
    workbook = openpyxl.load_workbook(io.BytesIO(data))
    change(workbook)
    buffer = io.BytesIO()
    workbook.save(buffer)
    return buffer.getvalue()


def with_parts(data: bytes, changes: dict[str, bytes | None]) -> bytes:
    """A workbook file with parts replaced, added, or (None) taken out."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(buffer, "w", 8) as new:
        for name in old.namelist():
            content = changes.get(name, old.read(name))
            if content is not None:
                new.writestr(name, content)
        for name, content in changes.items():
            if name not in old.namelist() and content is not None:
                new.writestr(name, content)
    return buffer.getvalue()


def part(data: bytes, name: str) -> bytes:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return archive.read(name)
