"""Files that go with an evidence pack: sample workbooks and definitions, found by their digests.

A sample is made anew from what was typed, without photos, comments, free texts and the names on the
first sheet, and evaluated; the digest of its readings is then that of the row in the archive.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from msgspec import Struct, field

from sheetlab.finding import Finding, Place, SheetlabError
from sheetlab.handling.folders import scan
from sheetlab.handling.roster import file_part
from sheetlab.handling.workers import Call, each
from sheetlab.practical.fields import START_PREFIX
from sheetlab.practical.files import definition_digest, normal_text
from sheetlab.practical.loader import catalogue
from sheetlab.workbook.evaluate_file import assess_file, evaluate_file
from sheetlab.workbook.fresh import fresh_workbook
from sheetlab.workbook.package import write_atomically
from sheetlab.years.codes import KeyList
from sheetlab.years.entries import source_digest
from sheetlab.years.ledger import Row, clean

SAMPLES, DEFINITIONS, SUMS = "samples", "definitions", "sha256sums.txt"
NAMES = ("group", "observers", "person", "rules")
"""Entries of the first sheet that may name someone."""
NO_FOLDER = "not looked for: name the folder of the hand-ins with --sources"
NOT_FOUND = "no workbook with these readings was found"
CHANGED = "not found; a workbook of this group is there, and holds other readings"
NOT_MADE = "found, but it could not be copied with the same readings"
NO_DEFINITION = "neither shipped with this sheetlab nor in a workbook that was found"


class Filed(Struct, frozen=True):
    """A file of the pack, or why there is none."""

    what: str
    digest: str
    """In the archive: of the readings, or of the definition."""
    file: str = ""
    """Path below the pack, with “/”; empty if there is none."""
    sha256: str = ""
    """Of the file; of a definition that is also its digest in the archive."""
    why_not: str = ""


class Seen(Struct):
    """What the workbooks of some folders hold."""

    paths: dict[str, Path] = field(default_factory=dict)
    """First workbook by digest of its readings."""
    definitions: dict[str, str] = field(default_factory=dict)
    """Text by digest."""
    groups: set[tuple[str, str]] = field(default_factory=set)
    """Practical and code of the group, where the list of codes knows it."""


def definition_files(pack: Path, rows: Iterable[Row], seen: Seen | None) -> Iterator[Filed]:
    """Write the definition of every row, as it was issued, under its digest."""
    wanted = {r.definition: (r.practical, r.version) for r in rows}
    seen, shipped = seen or Seen(), catalogue()
    for id_ in shipped.paths():
        text = shipped.text(id_)
        seen.definitions.setdefault(definition_digest(text), normal_text(text))
    for digest, (id_, version) in sorted(wanted.items(), key=lambda one: (one[1], one[0])):
        what = f"definition of {id_}, version {version}"
        text = seen.definitions.get(digest, "")
        if not text:
            yield Filed(what, digest, why_not=NO_DEFINITION)
            continue
        name = f"{DEFINITIONS}/{file_part(f'{id_} {version} {digest[:12]}')}.toml"
        yield Filed(what, digest, name, _written(pack / name, text.encode("utf-8")))


def sample_files(
    pack: Path, rows: Mapping[str, Row], seen: Seen | None, names: Mapping[str, str]
) -> Iterator[tuple[int, Filed]]:
    """Write the workbooks of some rows, evaluated; each with the number of its row.

    Parameters
    ----------
    rows
        By what the sample is called.
    seen
        None if no folder was named.
    names
        Groups by their code, where they are to be named.
    """
    for what, row in rows.items():
        digest = row.source
        path = None if seen is None else seen.paths.get(digest)
        if path is None:
            why = NOT_FOUND
            if seen is None:
                why = NO_FOLDER
            elif (row.practical, row.code) in seen.groups:
                why = CHANGED
            yield row.number, Filed(what, digest, why_not=why)
            continue
        name = f"{SAMPLES}/{file_part(f'row {row.number} {what} {row.code}')}.xlsx"
        made = _copied(path, pack / name, names.get(row.code, row.code), digest)
        filed = Filed(what, digest, name, made) if made else Filed(what, digest, why_not=NOT_MADE)
        yield row.number, filed


def look(folders: Sequence[Path], rows: Iterable[Row], keys: KeyList) -> Seen:
    """Read the workbooks in some folders and below them.

    Parameters
    ----------
    rows
        The rows that are looked for.
    keys
        List of codes, by which a workbook of the same group with other readings is known.
    """
    seen = Seen()
    years = {row.year for row in rows}
    for folder in folders:
        paths = [folder / name for name in sorted(scan(folder)[0])]
        for path, read in zip(paths, each(Call(typed_in, lost), paths), strict=True):
            if isinstance(read, Finding):
                continue
            seen.paths.setdefault(read.digest, path)
            seen.definitions.setdefault(definition_digest(read.text), normal_text(read.text))
            codes = {keys.find(year, read.group) for year in years if read.group}
            seen.groups |= {(read.practical, code) for code in codes if code}
    return seen


class Typed(Struct, frozen=True):
    """What a workbook is known by."""

    digest: str
    """Of its readings."""
    practical: str
    text: str
    """Of its definition."""
    group: str


def typed_in(path: Path) -> Typed | Finding:
    """What a workbook is known by, or why it cannot be read."""
    outcome, filled = assess_file(path, trials=0)
    if filled is None:
        return outcome.findings[0]
    group = clean(filled.observations.entry("start.group").text)
    digest = source_digest(filled.practical, filled.observations)
    return Typed(digest, filled.identity.practical, filled.identity.definition, group)


def lost(path: Path, why: Finding) -> Typed | Finding:
    """The same for a workbook on which every process dies."""
    return why.at(Place(path.name))


def _copied(path: Path, target: Path, group: str, digest: str) -> str:
    """SHA-256 of an evaluated copy under another name of the group; empty if it is not the same."""
    _, filled = assess_file(path, trials=0)
    if filled is None:
        return ""
    other = {f"{START_PREFIX}{name}": [""] for name in NAMES}
    other[f"{START_PREFIX}group"] = [group]
    try:
        with tempfile.TemporaryDirectory(prefix="sheetlab-") as folder:
            made = Path(folder) / target.name
            made.write_bytes(fresh_workbook(filled, other, texts=False))
            # the last word has the copy itself
            outcome = evaluate_file(made, made)
            if outcome.assessment is None or outcome.written is None:
                return ""
            its = outcome.assessment
            if source_digest(its.practical, its.observations) != digest:
                return ""
            data = made.read_bytes()
    except SheetlabError:
        return ""
    return _written(target, data)


def _written(path: Path, data: bytes) -> str:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_atomically(path, data)
    return hashlib.sha256(data).hexdigest()


def sums(files: Iterable[Filed]) -> str:
    """Digests and files as “sha256sum -c” reads them."""
    return "".join(f"{one.sha256}  {one.file}\n" for one in files if one.file)
