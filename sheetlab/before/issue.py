"""Issue workbooks to groups. A file that is there already is never replaced."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding, not_written
from sheetlab.handling.roster import Group, file_part
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import Catalogue
from sheetlab.practical.profile import GUM, Profile
from sheetlab.practical.register import Bound, Register, bind, prefilled, setup_as_bound
from sheetlab.workbook.layout import lay_out
from sheetlab.workbook.package import write_atomically
from sheetlab.workbook.template import Typed, write_template


class Issued(Struct, frozen=True):
    """A workbook that was written, or why it was not."""

    path: Path
    group: str = ""
    finding: Finding | None = None
    """Why the workbook was not written."""
    notes: tuple[Finding, ...] = ()
    """What the register lacks for it."""


class Binding(Struct, frozen=True):
    """The register that workbooks are bound to, and the day on which that is done."""

    register: Register
    today: datetime.date


def issue(
    catalogue: Catalogue,
    practical: str,
    folder: Path,
    groups: Sequence[Group] = (),
    assist: Assist = Assist.CORRECTED,
    runs: int = 1,
    profile: Profile = GUM,
    binding: Binding | None = None,
) -> Iterator[Issued]:
    """Write a workbook for each group, or one blank one if there are none.

    A file that cannot be written is told, and the others go on.

    Raises
    ------
    SheetlabError
        If the practical cannot be loaded, or the folder not be made.
    """
    loaded = catalogue.load(practical, runs)
    layout = lay_out(loaded, assist)
    sketch = catalogue.sketch(loaded)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise SheetlabError(not_written(folder, error)) from error
    for group in groups or (Group(""),):
        name = f"{practical} {file_part(group.name)}" if group.name else practical
        path = folder / f"{name}.xlsx"
        bound: Bound | None = None
        notes: tuple[Finding, ...] = ()
        if binding is not None:
            bound, notes = bind(loaded, binding.register, group.setup, binding.today)
        spelt = replace(group, setup=setup_as_bound(group.setup, bound))
        typed = dict(start_cells(spelt))
        if bound is not None:
            typed |= {key: [value] for key, value in prefilled(loaded, bound).items()}
        try:
            if path.exists():
                yield Issued(
                    path, group.name, finding("file-exists_issued", Severity.STOP, Place(path.name))
                )
                continue
            write_atomically(path, write_template(layout, typed, sketch, profile, bound))
        except OSError as error:
            yield Issued(path, group.name, not_written(path, error))
            continue
        yield Issued(path, group.name, notes=notes)


def start_cells(group: Group) -> Typed:
    """What is known of a group before it begins."""
    known = {"group": group.name, "setup": group.setup, "observers": group.observers}
    return {f"start.{key}": [value] for key, value in known.items() if value}
