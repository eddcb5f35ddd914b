"""Add result sheets to a workbook file without touching what is in it.

Only the four parts that list sheets and formats are edited, and in the sheet that was open last
the word that it is selected, because the results are opened instead; every other part of the
student's file goes over byte for byte, and the input sheets with them. Sheets of an earlier
evaluation are taken out first, so that evaluating twice gives the same file.
"""

from __future__ import annotations

import hashlib
import io
import posixpath
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

from lxml import etree
from msgspec import Struct, field

from sheetlab.workbook.layout import parse_reference, quoted_sheet
from sheetlab.workbook.package import (
    CONTENT_TYPES,
    CONTENT_TYPES_PART,
    MAIN,
    PACKAGE_RELATIONSHIPS,
    RELATIONSHIPS,
    Package,
    packed,
    relationships_name,
    resolve,
    xml,
)
from sheetlab.workbook.sheet import whole

TITLES = ("Evaluation", "Budget", "Lines", "Working", "Graphs", "Findings")
"""Sheets that an evaluation adds, in this order, unless a title is taken."""
RESULT_NAME = "sheetlab_result_"
STYLES_NAME = "sheetlab_formats"
DIGEST = "digest"
LEVEL = 3
"""Of compression: a tenth more bytes of the new sheets than the usual level, in less time."""
_NEW_TIME = (1980, 1, 1, 0, 0, 0)
_STYLE_LISTS = ("numFmts", "fonts", "fills", "borders", "cellXfs", "dxfs")
_SELECTED = tuple(b" tabSelected=" + value for value in (b'"1"', b"'1'", b'"true"', b"'true'"))
_TYPES = {
    "worksheets": "application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml",
    "drawings": "application/vnd.openxmlformats-officedocument.drawing+xml",
    "charts": "application/vnd.openxmlformats-officedocument.drawingml.chart+xml",
}

PLAIN_STYLES = f"""<?xml version="1.0" encoding="UTF-8" standalone="yes"?>
<styleSheet xmlns="{MAIN}"><fonts count="1"><font><sz val="11"/><name val="Calibri"/></font>\
</fonts><fills count="2"><fill><patternFill patternType="none"/></fill><fill><patternFill \
patternType="gray125"/></fill></fills><borders count="1"><border><left/><right/><top/><bottom/>\
<diagonal/></border></borders><cellStyleXfs count="1"><xf/></cellStyleXfs><cellXfs count="1">\
<xf xfId="0"/></cellXfs><cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/>\
</cellStyles></styleSheet>""".encode()
"""What a workbook without formats looks like, written out; after XlsxWriter's own."""


def own_sheets(package: Package) -> tuple[str, ...]:
    """Titles of the sheets that an earlier evaluation added."""
    root = xml(package.parts[package.workbook], package.path)
    marked, students = [], set()
    for element in root.iter(_tag("definedName")):
        if element.get("localSheetId") is not None:
            # a copied sheet brings copies of names along: the copy is the student's
            continue
        name = element.get("name", "").lower()
        slot = parse_reference((element.text or "").strip())
        if slot is None:
            continue
        if _is_result(name):
            marked.append(slot.sheet)
        else:
            students.add(slot.sheet)
    return tuple(title for title in marked if title not in students and _is_title(title))


def as_grafted(package: Package) -> bool:
    """Whether a file is as an evaluation wrote it: no program has saved it since."""
    if package.open_document or not own_sheets(package):
        return False
    parts = (p for kind, p in package.relationships(package.workbook).values() if kind == "styles")
    styles = package.parts.get(next(parts, ""), b"")
    marks = xml(package.parts[package.workbook], package.path).iter(_tag("definedName"))
    texts = (e.text or "" for e in marks if e.get("name", "").lower() == STYLES_NAME)
    return _counts(next(texts, "")).get(DIGEST) == hashlib.sha256(styles).hexdigest()


def _counts(text: str) -> dict[str, str]:
    """How many formats of each kind there were before, as text, and the digest of all after."""
    pairs = (pair.partition("=") for pair in text.strip('"').split())
    return {name: value for name, _, value in pairs}


def is_own_name(name: str) -> bool:
    """Whether a defined name is one by which an evaluation finds its own again."""
    return name.lower() == STYLES_NAME or _is_result(name.lower())


def _is_result(name: str) -> bool:
    return name.startswith(RESULT_NAME) and _is_number(name[len(RESULT_NAME) :])


def _is_title(title: str) -> bool:
    """Whether an evaluation may have given it: ``Budget`` or ``Budget (2)``."""
    name, _, number = title.partition(" (")
    return name in TITLES and (title == name or (number[-1:] == ")" and _is_number(number[:-1])))


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdigit()


def free_titles(wanted: Sequence[str], taken: Iterable[str]) -> tuple[str, ...]:
    """Sheet titles like the wanted ones that are not taken (letter case does not count)."""
    used = {title.lower() for title in taken}
    out = []
    for title in wanted:
        free, k = title, 2
        while free.lower() in used:
            free, k = f"{title} ({k})", k + 1
        used.add(free.lower())
        out.append(free)
    return tuple(out)


def graft(
    package: Package, results: Callable[[int], Mapping[str, bytes]], own: Iterable[str]
) -> bytes:
    """The file of a package with the sheets of a results workbook as its last sheets.

    Parameters
    ----------
    results
        Makes the parts of the results workbook by name (``Parts``) for a workbook that has so many
        cell formats.
    own
        Titles of the sheets of an earlier evaluation, which go (``own_sheets``).
    """
    return _Graft(package, results, frozenset(own)).run()


def _is_part(name: str) -> bool:
    """Whether a part of a results workbook goes over: not what lists and formats them."""
    folder, base = posixpath.split(name)
    return posixpath.basename(folder) in _TYPES and base.endswith(".xml")


def _tag(name: str) -> str:
    return f"{{{MAIN}}}{name}"


def _serialise(root: etree._Element) -> bytes:
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8", standalone=True)


def _copy(entry: zipfile.ZipInfo, raw: bytes, archive: zipfile.ZipFile, buffer: io.BytesIO) -> None:
    """Copy an entry of a file as it lies there, packed, to the end of a new archive."""
    info = zipfile.ZipInfo(entry.filename, entry.date_time)
    info.compress_type, info.external_attr = entry.compress_type, entry.external_attr
    info.CRC, info.compress_size, info.file_size = (
        entry.CRC, entry.compress_size, entry.file_size,
    )  # fmt: skip
    info.header_offset = buffer.tell()
    buffer.write(info.FileHeader(zip64=False))
    buffer.write(packed(raw, entry))
    # as ``writestr`` leaves an archive behind
    archive.filelist.append(info)
    archive.NameToInfo[info.filename] = info
    archive.start_dir = buffer.tell()


def _unselected(data: bytes) -> bytes:
    """A sheet that is not the one that is open; the same object, if it is not."""
    end = data.find(b"sheetData")
    end = len(data) if end < 0 else end
    head = data[:end]
    for selected in _SELECTED:
        head = head.replace(selected, b"")
    return data if len(head) == end else head + data[end:]


class _Graft(Struct):
    package: Package
    results: Callable[[int], Mapping[str, bytes]]
    own: frozenset[str]
    parts: dict[str, bytes | None] = field(default_factory=dict)
    """Of the new file; None for one that goes over as it lies in the old one."""
    workbook: Any = None
    relations: Any = None
    types: Any = None
    styles: Any = None
    styles_part: str = ""
    offsets: dict[str, int] = field(default_factory=dict)

    def run(self) -> bytes:
        package = self.package
        self.parts = dict.fromkeys(package.parts)
        relations_part = relationships_name(package.workbook)
        self.workbook = xml(package.parts[package.workbook], package.path)
        self.relations = xml(package.parts[relations_part], package.path)
        self.types = xml(package.parts[CONTENT_TYPES_PART], package.path)
        self.styles_part = self.find_styles()
        old = self.parts[self.styles_part]
        self.styles = xml(old or package.parts[self.styles_part], package.path)
        self.strip()
        counts = {name: len(self.style_list(name)) for name in _STYLE_LISTS}
        titles = self.add(self.results(counts["cellXfs"]))
        self.open_at(titles)
        styles = _serialise(self.styles)
        self.mark(titles, counts, styles)
        self.parts[package.workbook] = _serialise(self.workbook)
        self.parts[relations_part] = _serialise(self.relations)
        self.parts[CONTENT_TYPES_PART] = _serialise(self.types)
        self.parts[self.styles_part] = styles
        return self.zipped()

    def find_styles(self) -> str:
        """The part with the formats; a plain one is made for a workbook that has none."""
        for kind, part in self.package.relationships(self.package.workbook).values():
            if kind == "styles" and part in self.parts:
                return part
        for element in [e for e in self.relations if e.get("Type", "").endswith("/styles")]:
            self.relations.remove(element)
        # some programs look for it under this name only
        part = resolve(self.package.workbook, "styles.xml")
        if part in self.parts:
            ((_, part),) = self.fresh_names([part])
        self.parts[part] = PLAIN_STYLES
        self.add_type(
            part, "application/vnd.openxmlformats-officedocument.spreadsheetml.styles+xml"
        )
        self.add_relation("rIdSheetlabStyles", "styles", part)
        return part

    def zipped(self) -> bytes:
        package = self.package
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w") as archive:
            old = {entry.filename: entry for entry in package.entries}
            for name, data in self.parts.items():
                entry = old.get(name)
                if entry is not None and data is None:
                    _copy(entry, package.raw, archive, buffer)
                    continue
                info = zipfile.ZipInfo(name, _NEW_TIME if entry is None else entry.date_time)
                info.compress_type = zipfile.ZIP_DEFLATED
                info.external_attr = 0o600 << 16 if entry is None else entry.external_attr
                archive.writestr(info, data or b"", compresslevel=LEVEL)
        return buffer.getvalue()

    # -- taking out an earlier evaluation ----------------------------------------------------

    def strip(self) -> None:
        sheets = self.workbook.find(_tag("sheets"))
        assert sheets is not None
        gone = []
        for index, element in enumerate(list(sheets)):
            if element.get("name") in self.own:
                gone.append(index)
                self.drop_sheet(element.get(f"{{{RELATIONSHIPS}}}id", ""))
                sheets.remove(element)
        self.clean_names(gone)

    def drop_sheet(self, relation: str) -> None:
        for element in list(self.relations):
            if element.get("Id") == relation:
                self.drop_part(resolve(self.package.workbook, element.get("Target", "")))
                self.relations.remove(element)

    def drop_part(self, part: str) -> None:
        if part not in self.parts:
            return
        del self.parts[part]
        for kind, inner in self.package.relationships(part).values():
            if kind in ("drawing", "chart"):
                self.drop_part(inner)
        self.parts.pop(relationships_name(part), None)
        for element in list(self.types):
            if element.get("PartName") == f"/{part}":
                self.types.remove(element)

    def clean_names(self, gone: Sequence[int]) -> None:
        names = self.workbook.find(_tag("definedNames"))
        if names is None:
            return
        for element in list(names):
            name = element.get("name", "").lower()
            if name == STYLES_NAME:
                self.strip_styles(element.text or "")
            local = element.get("localSheetId")
            if (
                (local is None and _is_result(name))
                or name == STYLES_NAME
                or (local is not None and int(local) in gone)
            ):
                names.remove(element)
            elif local is not None:
                element.set("localSheetId", str(int(local) - sum(g < int(local) for g in gone)))

    def strip_styles(self, text: str) -> None:
        """Cut the format lists back to what they were, if they are still as they were written."""
        counts = _counts(text)
        written = hashlib.sha256(self.package.parts.get(self.styles_part, b"")).hexdigest()
        if counts.get(DIGEST) != written:
            # another program has saved the file since and numbered the formats anew
            return
        for name in _STYLE_LISTS:
            parent = self.styles.find(_tag(name))
            count = counts.get(name, "")
            if parent is None or not _is_number(count):
                continue
            for element in list(parent)[whole(count) :]:
                parent.remove(element)
            parent.set("count", str(len(parent)))

    # -- adding ------------------------------------------------------------------------------

    def add(self, new: Mapping[str, bytes]) -> tuple[str, ...]:
        self.merge_styles(xml(new["xl/styles.xml"], self.package.path))
        renamed = dict(self.fresh_names(filter(_is_part, new)))
        for name, target in renamed.items():
            kind = name.split("/")[1]
            self.parts[target] = new[name]
            self.add_type(target, _TYPES[kind])
            rels = relationships_name(name)
            if rels in new:
                self.parts[relationships_name(target)] = self.moved(new[rels], name, renamed)
        return tuple(self.add_sheets(new, renamed))

    def fresh_names(self, names: Iterable[str]) -> Iterator[tuple[str, str]]:
        taken = set(self.parts)
        for name in names:
            folder, base = posixpath.split(name)
            k = 0
            while True:
                target = f"{folder}/sheetlab-{base}" if k == 0 else f"{folder}/sheetlab{k}-{base}"
                if target not in taken:
                    break
                k += 1
            taken.add(target)
            yield name, target

    def moved(self, data: bytes, name: str, renamed: Mapping[str, str]) -> bytes:
        root = xml(data, self.package.path)
        for element in root:
            if element.get("TargetMode") == "External":
                continue
            target = resolve(name, element.get("Target", ""))
            element.set("Target", f"/{renamed[target]}" if target in renamed else f"/{target}")
        return _serialise(root)

    def add_type(self, part: str, content_type: str) -> None:
        element = etree.SubElement(self.types, f"{{{CONTENT_TYPES}}}Override")
        element.set("PartName", f"/{part}")
        element.set("ContentType", content_type)

    def add_relation(self, relation: str, kind: str, part: str) -> None:
        link = etree.SubElement(self.relations, f"{{{PACKAGE_RELATIONSHIPS}}}Relationship")
        link.set("Id", relation)
        link.set("Type", f"{RELATIONSHIPS}/{kind}")
        link.set("Target", f"/{part}")

    def add_sheets(self, new: Mapping[str, bytes], renamed: Mapping[str, str]) -> Iterator[str]:
        root = xml(new["xl/workbook.xml"], self.package.path)
        targets = {
            e.get("Id"): resolve("xl/workbook.xml", e.get("Target", ""))
            for e in xml(new["xl/_rels/workbook.xml.rels"], self.package.path)
        }
        sheets = self.workbook.find(_tag("sheets"))
        assert sheets is not None
        number = max((int(e.get("sheetId", "0")) for e in sheets), default=0)
        used = {e.get("Id") for e in self.relations}
        for k, element in enumerate(root.iter(_tag("sheet")), 1):
            part = renamed[targets[element.get(f"{{{RELATIONSHIPS}}}id")]]
            relation = f"rIdSheetlab{k}"
            while relation in used:
                relation += "x"
            sheet = etree.SubElement(sheets, _tag("sheet"))
            sheet.set("name", element.get("name", ""))
            sheet.set("sheetId", str(number + k))
            sheet.set(f"{{{RELATIONSHIPS}}}id", relation)
            self.add_relation(relation, "worksheet", part)
            yield element.get("name", "")

    def open_at(self, titles: Sequence[str]) -> None:
        """Show the first of the new sheets when the workbook is opened, and select no other.

        Sheets that are selected together are typed into together, so that none may stay selected.
        """
        sheets = self.workbook.find(_tag("sheets"))
        assert sheets is not None
        links = self.package.relationships(self.package.workbook)
        names = [element.get("name", "") for element in sheets]
        for name, element in zip(names, sheets, strict=True):
            _, part = links.get(element.get(f"{{{RELATIONSHIPS}}}id", ""), ("", ""))
            if name not in titles and part in self.parts:
                data = self.parts[part] or self.package.parts[part]
                if (head := _unselected(data)) is not data:
                    self.parts[part] = head
        views = self.workbook.find(_tag("bookViews"))
        if views is None:
            views = etree.Element(_tag("bookViews"))
            sheets.addprevious(views)
        view = views.find(_tag("workbookView"))
        if view is None:
            view = etree.SubElement(views, _tag("workbookView"))
        view.set("activeTab", str(names.index(titles[0])))

    def mark(self, titles: Sequence[str], counts: Mapping[str, int], styles: bytes) -> None:
        """Hidden names by which the next evaluation finds its own sheets and formats."""
        names = self.workbook.find(_tag("definedNames"))
        if names is None:
            names = etree.Element(_tag("definedNames"))
            sheets = self.workbook.find(_tag("sheets"))
            assert sheets is not None
            after: etree._Element = sheets
            for following in sheets.itersiblings():
                if following.tag in (_tag("functionGroups"), _tag("externalReferences")):
                    after = following
            after.addnext(names)
        digest = hashlib.sha256(styles).hexdigest()
        listed = " ".join(f"{name}={count}" for name, count in counts.items())
        texts = {f"{RESULT_NAME}{k}": f"{quoted_sheet(t)}!$A$1" for k, t in enumerate(titles, 1)}
        texts[STYLES_NAME] = f'"{listed} {DIGEST}={digest}"'
        for name, text in texts.items():
            element = etree.SubElement(names, _tag("definedName"))
            element.set("name", name)
            element.set("hidden", "1")
            element.text = text

    # -- formats -----------------------------------------------------------------------------

    def style_list(self, name: str) -> list[etree._Element]:
        parent = self.styles.find(_tag(name))
        return [] if parent is None else list(parent)

    def append(self, name: str, elements: Sequence[etree._Element]) -> None:
        parent = self.styles.find(_tag(name))
        if parent is None:
            if not elements:
                self.offsets[name] = 0
                return
            parent = etree.Element(_tag(name))
            self.insert_list(name, parent)
        self.offsets[name] = len(parent)
        for element in elements:
            parent.append(element)
        parent.set("count", str(len(parent)))

    def insert_list(self, name: str, parent: etree._Element) -> None:
        # the order of the lists is fixed by ISO/IEC 29500-1, CT_Stylesheet
        order = ("numFmts", "fonts", "fills", "borders", "cellStyleXfs", "cellXfs", "cellStyles",
                 "dxfs")  # fmt: skip
        position = 0
        for i, element in enumerate(self.styles):
            local = etree.QName(element).localname
            if local in order[: order.index(name)]:
                position = i + 1
        self.styles.insert(position, parent)

    def merge_styles(self, new: etree._Element) -> None:
        def listed(name: str) -> list[etree._Element]:
            found = new.find(_tag(name))
            return [] if found is None else list(found)

        codes = [int(e.get("numFmtId", "0")) for e in self.style_list("numFmts")]
        following = max([163, *codes]) + 1
        formats: dict[str, str] = {}
        renumbered = listed("numFmts")
        for i, element in enumerate(renumbered):
            formats[element.get("numFmtId", "")] = str(following + i)
            element.set("numFmtId", str(following + i))
        self.append("numFmts", renumbered)
        for name in ("fonts", "fills", "borders"):
            self.append(name, listed(name))
        xfs = listed("cellXfs")
        for element in xfs:
            for key, name in (("fontId", "fonts"), ("fillId", "fills"), ("borderId", "borders")):
                element.set(key, str(int(element.get(key, "0")) + self.offsets[name]))
            code = element.get("numFmtId", "0")
            element.set("numFmtId", formats.get(code, code))
            element.set("xfId", "0")
        self.append("cellXfs", xfs)
        self.append("dxfs", listed("dxfs"))
