"""What a workbook knows of itself: practical, version, assist, and the definition that made it.

It lies on a hidden sheet as plain cells, which every spreadsheet program keeps when it saves.
"""

from __future__ import annotations

from msgspec import Struct

from sheetlab.practical.definition import Assist
from sheetlab.practical.files import normal_text
from sheetlab.practical.model import Practical
from sheetlab.practical.profile import GUM, Profile
from sheetlab.practical.register import Bound

FORMAT = "1"
MARK = "sheetlab workbook"
FIELDS = (
    "format", "practical", "version", "digest", "assist", "runs", "profile", "bound", "readings",
)  # fmt: skip
INVENTED = "invented"
"""What the row “readings” says of a workbook whose readings nobody took."""
DEFINITION_ROW = 10
"""Zero-based row at which the text of the definition begins, so many lines a cell."""
CELL_TEXT = 8000
"""Characters in a cell at most; spreadsheet programs hold 32 767."""


class Identity(Struct, frozen=True):
    """The contents of the hidden sheet."""

    format: str
    practical: str
    version: str
    digest: str
    assist: Assist
    runs: int
    definition: str
    profile: Profile = GUM
    bound: Bound | None = None
    invented: bool = False
    """Whether its readings were made by a program, to practise with."""

    def rows(self) -> list[tuple[str, str]]:
        """Rows of the hidden sheet above the definition."""
        values = (
            self.format, self.practical, self.version, self.digest, str(self.assist),
            str(self.runs), self.profile.text(), "" if self.bound is None else self.bound.text(),
            INVENTED if self.invented else "",
        )  # fmt: skip
        named = [pair for pair in zip(FIELDS, values, strict=True) if pair[1]]
        return [(MARK, "do not change this sheet"), *named]


def in_cells(text: str) -> list[str]:
    """A text in pieces that fit into cells, cut between lines."""
    pieces: list[str] = []
    for line in text.split("\n"):
        if pieces and len(pieces[-1]) + len(line) < CELL_TEXT:
            pieces[-1] += "\n" + line
        else:
            pieces.append(line)
    return pieces


def identity_of(
    practical: Practical, assist: Assist, profile: Profile, bound: Bound | None = None
) -> Identity:
    """The identity of a workbook that is about to be written."""
    d, text = practical.definition, normal_text(practical.source_text)
    return Identity(
        FORMAT, d.id, d.version, practical.digest, assist, practical.runs, text, profile, bound
    )
