"""What stands on the pages of a PDF file, by the footers that every sheet has."""

from __future__ import annotations

import html
import re
import subprocess
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

_FOOTER = re.compile(r"(?P<sheet>\S[^\n]*?)\s+page \d+ of \d+\s*$", re.MULTILINE)
_WORD = re.compile(r'<word xMin="(.*?)" yMin="(.*?)" xMax="(.*?)" yMax="(.*?)">(.*?)</word>')
FOOT = 60.0
"""Points from the lower edge within which the footer stands."""


@dataclass(frozen=True, slots=True)
class Page:
    """One printed page."""

    sheet: str
    text: str
    wide: float
    high: float
    """Points."""
    letters: float
    """Height of the lowest line of the page but its footer, in points."""

    gap: float
    """Points between the texts at the left and at the right of the footer."""

    @property
    def lies(self) -> bool:
        return self.wide > self.high


def pages(pdf: Path, sheets: list[str]) -> list[Page]:
    """The pages of a workbook with sheets of these names."""
    told = _run("pdftotext", "-layout", str(pdf), "-").split("\f")[:-1]
    boxes = _run("pdftotext", "-bbox", str(pdf), "-").split("<page ")[1:]
    found = []
    for text, box in zip(told, boxes, strict=True):
        footer = _FOOTER.search(text)
        assert footer is not None, text
        sheet = max(
            (name for name in sheets if footer["sheet"].endswith(name)), key=len, default=""
        )
        size = re.match(r'width="([\d.]+)" height="([\d.]+)"', box)
        assert size is not None
        wide, high = map(float, size.groups())
        words = [(*map(float, place), html.unescape(word)) for *place, word in _WORD.findall(box)]
        heights = [
            bottom - top for _, top, _, bottom, word in words if top < high - FOOT and len(word) > 1
        ]
        foot = [word for word in words if word[1] >= high - FOOT]
        start = max(left for left, *_, word in foot if word == sheet.split()[0])
        ends = [right for left, _, right, _, _ in foot if left < start]
        gap = start - max(ends, default=0.0)
        found.append(Page(sheet, text, wide, high, min(heights, default=0.0), gap))
    return found


def sheet_pages(found: list[Page]) -> Counter[str]:
    """How many pages each sheet takes."""
    return Counter(page.sheet for page in found)


def _run(*command: str) -> str:
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout
