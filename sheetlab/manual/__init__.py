"""The teacher's manual: short pages that ``sheetlab manual`` prints.

A page is a Markdown file in this folder. Its first line is the title; the first line in italics
says what kind of page it is, its place among those, and what it is for::

    # Before class

    *How-to 1: plan a practical, keep a register, issue workbooks.*

A page without such a line is listed last. Pages named in ``tests/reference_pages.py`` are made
from the code; whoever changes them by hand is told by a test.
"""

from __future__ import annotations

import re
from pathlib import Path

from msgspec import Struct

FOLDER = Path(__file__).parent
KINDS = ("Tutorial", "How-to", "Explanation", "Reference")
"""Kinds of page, in the order in which they are listed."""
OTHER = "More"
_HEAD = re.compile(r"^\*(Tutorial|How-to|Explanation|Reference)(?: (\d+))?: (.+?)\*$", re.M | re.S)


class Page(Struct, frozen=True):
    """A page of the manual."""

    topic: str
    """What is typed after ``sheetlab manual``."""
    title: str
    kind: str
    place: int
    """Among the pages of its kind."""
    purpose: str


def pages() -> tuple[Page, ...]:
    """All pages there are, in the order in which they are listed."""
    found = [_page(path) for path in FOLDER.glob("*.md")]
    order = [*KINDS, OTHER]
    return tuple(sorted(found, key=lambda page: (order.index(page.kind), page.place, page.topic)))


def _page(path: Path) -> Page:
    text = path.read_text(encoding="utf-8")
    title = text.partition("\n")[0].removeprefix("# ").strip()
    head = _HEAD.search(text)
    if head is None:
        return Page(path.stem, title, OTHER, 0, "")
    purpose = " ".join(head[3].split())
    return Page(path.stem, title, head[1], int(head[2] or 0), purpose)


def text_of(topic: str) -> str:
    """A page as it is printed: pictures and notes for whoever edits it are left out.

    Raises
    ------
    FileNotFoundError
        There is no such page.
    """
    text = (FOLDER / f"{topic}.md").read_text(encoding="utf-8")
    text = re.sub(r"<!--.*?-->\n*", "", text, flags=re.S)
    return re.sub(r"^!\[.*\]\(.*\)\n+", "", text, flags=re.M)
