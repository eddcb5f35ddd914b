"""What all pages of a class workbook are written with: the class in blocks, and how pages look."""

from __future__ import annotations

import os
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import Any
from urllib.parse import quote

from msgspec import Struct

from sheetlab.checks.marks import Scheme
from sheetlab.classes.comparison import Comparison, compare
from sheetlab.classes.handins import HandIn, Sorted
from sheetlab.classes.kept import Kept
from sheetlab.finding import Finding
from sheetlab.messages import harmless
from sheetlab.practical.profile import GUM, Profile
from sheetlab.workbook.page import Cell, Column, Fit, Page, new_page
from sheetlab.workbook.style import Styles

LINE = 13.5
"""Points of a line of text."""
ACROSS = Fit(LINE, more=3.5, least=17.0, share=0.93)
CELLS = Fit(LINE, more=4.0, share=0.86, less=1.0)
"""How high a line across a sheet, and a row of a table, is."""
GAP = 9.0
"""Points between what belongs to different things."""
MOST_CELL = 3000
MOST_PATH = 200


class Block(Struct, frozen=True):
    """The hand-ins of a practical, and of one thing that was measured in it."""

    title: str
    handins: tuple[HandIn, ...]
    absent: tuple[HandIn, ...]
    """Who of the roster has handed nothing in; in the last block of a practical."""
    comparison: Comparison | None


class ClassData(Struct, frozen=True):
    """Everything that goes into the workbook of a class."""

    sorted: Sorted
    blocks: tuple[Block, ...]
    notes: tuple[str, ...]
    scheme: Scheme
    kept: Kept
    folder: Path
    out: Path
    due: str = ""
    profile: Profile = GUM


class ClassBook(Struct, frozen=True):
    """The workbook that is written, and what goes into it."""

    data: ClassData
    book: Any
    styles: Styles

    def say(self, text: str) -> str:
        """A sentence of our own with the decimal mark of the profile."""
        return self.data.profile.sentence(text)

    def page(
        self, name: str, grid: Sequence[Column] | Sequence[float], title: str = "", **how: Any
    ) -> Page:
        """A page on a sheet of that name; ``how``: as ``new_page`` takes it."""
        page = new_page(
            self.book.get_worksheet_by_name(name), self.styles, grid, ("Results of a class", ""),
            across=ACROSS, cells=CELLS, clean=cut, **how,
        )  # fmt: skip
        if title:
            page.line(title, "title")
        return page

    def link(self, file: str) -> Cell:
        """A link to a file of the folder, or its path alone if there is none to make."""
        text = cut(harmless(file), MOST_PATH)
        target = link_target(self.data.folder, file, self.data.out)
        return Cell(text, link=f"external:{target}") if target else Cell(text)


def blocks_of(found: Sorted) -> tuple[Block, ...]:
    """The class in blocks, in the order of its hand-ins."""
    parts = [tuple(part) for _, part in groupby(found.counted, lambda h: (h.practical, h.sample))]
    blocks = []
    for handins in parts:
        first = handins[0]
        same = [part for part in parts if part[0].practical == first.practical]
        title = f"{first.title}: {first.sample or 'not stated'}" if len(same) > 1 else first.title
        last = handins is same[-1]
        absent = tuple(h for h in found.absent if last and h.practical == first.practical)
        blocks.append(Block(title, handins, absent, compare(handins)))
    return tuple(blocks)


def place_text(finding: Finding) -> str:
    """Where a finding points, before what was found; empty if it is nowhere."""
    place = f"{finding.place.sheet} {finding.place.cell}".strip()
    return f"{place}: " if place else ""


def link_target(folder: Path, file: str, out: Path) -> str:
    """Relative link from the class workbook to a file of the folder; empty if there is none."""
    root, target = folder.resolve(), (folder / file).resolve()
    if not target.is_relative_to(root) or not target.is_file():
        return ""
    try:
        path = os.path.relpath(target, out.resolve().parent)
    except ValueError:  # another drive
        return ""
    return quote(os.fsencode(path.replace(os.sep, "/")), safe="/")


def folder_seen(folder: Path, out: Path) -> str:
    """Path from the class workbook to the folder of the hand-ins; empty if it lies elsewhere."""
    root, own = folder.resolve(), out.resolve().parent
    return root.relative_to(own).as_posix() if root.is_relative_to(own) else ""


def cut(text: str, most: int = MOST_CELL) -> str:
    """A text as a cell holds it: harmless, line by line, and not too long."""
    if not text.isprintable():
        text = "\n".join(harmless(line) for line in text.splitlines())
    return text if len(text) <= most else f"{text[: most - 1]}…"


def signed(value: float) -> str:
    """Number format with a sign, short for what is far off."""
    if abs(value) < 0.005:
        return "0.00;0.00;0.00"
    shape = "0.00" if abs(value) < 10.0 else "0.0" if abs(value) < 1000.0 else "0"
    return f"+{shape};−{shape};{shape}"
