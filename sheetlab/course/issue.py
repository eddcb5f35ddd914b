"""Issue workbooks to groups. A file that is there already is never replaced."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from sheetlab.course.roster import Group, file_part
from sheetlab.finding import Finding, Place, Severity
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import Catalogue
from sheetlab.practical.profile import GUM, Profile
from sheetlab.workbook.layout import lay_out
from sheetlab.workbook.package import write_atomically
from sheetlab.workbook.template import Typed, write_template


@dataclass(frozen=True, slots=True)
class Issued:
    """A workbook that was written, or why it was not."""

    path: Path
    finding: Finding | None = None
    """Why the workbook was not written."""


def issue(
    catalogue: Catalogue,
    practical: str,
    folder: Path,
    groups: Sequence[Group] = (),
    assist: Assist = Assist.CORRECTED,
    runs: int = 1,
    profile: Profile = GUM,
) -> Iterator[Issued]:
    """Write a workbook for each group, or one blank one if there are none.

    Raises
    ------
    SheetlabError
        If the practical cannot be loaded.
    """
    loaded = catalogue.load(practical, runs)
    layout = lay_out(loaded, assist)
    sketch = catalogue.sketch(loaded)
    folder.mkdir(parents=True, exist_ok=True)
    for group in groups or (Group(""),):
        name = f"{practical} {file_part(group.name)}" if group.name else practical
        path = folder / f"{name}.xlsx"
        if path.exists():
            yield Issued(path, _exists(path))
            continue
        write_atomically(path, write_template(layout, start_cells(group), sketch, profile))
        yield Issued(path)


def start_cells(group: Group) -> Typed:
    """What is known of a group before it begins."""
    known = {"group": group.name, "setup": group.setup, "observers": group.observers}
    return {f"start.{key}": [value] for key, value in known.items() if value}


def _exists(path: Path) -> Finding:
    return Finding(
        "file-exists",
        Severity.STOP,
        f"{path.name} is there already and was left as it is",
        "a folder without workbooks of this practical for this group",
        "Issue into another folder, or move the old file away.",
        Place(path.name),
    )
