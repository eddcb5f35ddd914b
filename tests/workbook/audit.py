"""What openxml-audit finds in a workbook: the Open XML SDK's checks, and what Excel repairs."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from openxml_audit import OpenXmlValidator

INLINE = "Excel_InlineStrCells"
"""Texts in cells, and no table of texts in the whole file: Excel makes one when it saves."""


@cache
def _validator() -> OpenXmlValidator:
    return OpenXmlValidator(max_errors=0)


def findings(path: Path) -> set[str]:
    """Each finding as a sentence with its part, warnings included.

    ``INLINE`` stands for itself: it says something of the file, once for each of its sheets.
    """
    return {
        error.id if error.id == INLINE else f"{error.part_uri}: {error.description}"
        for error in _validator().validate(path).errors
    }
