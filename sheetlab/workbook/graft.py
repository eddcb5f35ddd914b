"""Add result sheets to a workbook file without touching what is in it.

Only the four parts that list sheets and formats are edited, and in the sheet that was open last
the word that it is selected, because the results are opened instead; every other part of the
student's file goes over byte for byte, and the input sheets with them. Sheets of an earlier
evaluation are taken out first, so that evaluating twice gives the same file.
"""

from __future__ import annotations

import hashlib
import io
import itertools
import posixpath
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from xml.sax.saxutils import escape

from lxml import etree
from msgspec import Struct

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
_STYLE_ORDER = ("numFmts", "fonts", "fills", "borders", "cellStyleXfs", "cellXfs", "cellStyles",
                "dxfs")  # fmt: skip
"""The order of the lists is fixed by ISO/IEC 29500-1, CT_Stylesheet."""
_SELECTED = re.compile(rb""" tabSelected=(["'])(1|true)\1""")
_OWN_NAME = re.compile(rf"({RESULT_NAME}[0-9]+)|{STYLES_NAME}", re.IGNORECASE)
_TITLE = re.compile(rf"({'|'.join(TITLES)})( \([0-9]+\))?")
_TYPES = {
    "worksheets": "application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml",
    "drawings": "application/vnd.openxmlformats-officedocument.drawing+xml",
    "charts": "application/vnd.openxmlformats-officedocument.drawingml.chart+xml",
}
_STYLES_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.styles+xml"
_CELLS = b"sheetData"
_CELL = re.compile(rb'<c r="([A-Z]+[0-9]+)"(?: s="([0-9]+)")?(?: t="s"><v>([0-9]+)</v></c>)?')
"""A cell of a sheet that was written here a moment ago; never run over a part of another's file."""
_RETURN = {"\r": "&#13;"}
_LINK = f"{{{RELATIONSHIPS}}}id"

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
        slot = parse_reference((element.text or "").strip())
        if slot is None or element.get("localSheetId") is not None:
            # a copied sheet brings copies of names along: the copy is the student's
            continue
        own = _OWN_NAME.fullmatch(element.get("name", ""))
        if own is not None and own[1]:
            marked.append(slot.sheet)
        else:
            students.add(slot.sheet)
    return tuple(t for t in marked if t not in students and _TITLE.fullmatch(t))


def as_grafted(package: Package) -> bool:
    """Whether a file is as an evaluation wrote it: no program has saved it since."""
    if package.open_document or not own_sheets(package):
        return False
    parts = (p for kind, p in package.relationships(package.workbook).values() if kind == "styles")
    styles = package.parts.get(next(parts, ""), b"")
    marks = xml(package.parts[package.workbook], package.path).iter(_tag("definedName"))
    texts = (e.text or "" for e in marks if e.get("name", "").lower() == STYLES_NAME)
    return _counts(next(texts, "")).get(DIGEST) == _digest(styles)


def _digest(styles: bytes) -> str:
    return hashlib.sha256(styles).hexdigest()


def _counts(text: str) -> dict[str, str]:
    """How many formats of each kind there were before, as text, and the digest of all after."""
    pairs = (pair.partition("=") for pair in text.strip('"').split())
    return {name: value for name, _, value in pairs}


def is_own_name(name: str) -> bool:
    """Whether a defined name is one by which an evaluation finds its own again."""
    return _OWN_NAME.fullmatch(name) is not None


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


def graft(package: Package, results: bytes, own: Iterable[str]) -> bytes:
    """The file of a package with the sheets of a workbook as its last sheets.

    Parameters
    ----------
    results
        The workbook (``write_results``), as XlsxWriter writes it.
    own
        Titles of the sheets of an earlier evaluation, which go (``own_sheets``).
    """
    with zipfile.ZipFile(io.BytesIO(results)) as archive:
        new = {name: archive.read(name) for name in archive.namelist()}
    file = _opened(package)
    _strip(file, frozenset(own))
    counts = {name: len(_listed(file.styles, name)) for name in _STYLE_LISTS}
    _merge_styles(file.styles, etree.fromstring(new["xl/styles.xml"]))
    titles = _add(file, new, counts["cellXfs"])
    _open_at(file, titles)
    styles = _serialise(file.styles)
    _mark(file.workbook, titles, counts, styles)
    file.parts |= {
        package.workbook: _serialise(file.workbook),
        relationships_name(package.workbook): _serialise(file.relations),
        CONTENT_TYPES_PART: _serialise(file.types),
        file.styles_part: styles,
    }
    return _zipped(file)


class _File(Struct):
    """The new file, while it is made: the parts that are edited as trees."""

    package: Package
    parts: dict[str, bytes | None]
    """None for one that goes over as it lies in the old file."""
    workbook: Any
    relations: Any
    types: Any
    styles_part: str = ""
    styles: Any = None


def _opened(package: Package) -> _File:
    def tree(part: str) -> Any:
        return xml(package.parts[part], package.path)

    file = _File(
        package, dict.fromkeys(package.parts), tree(package.workbook),
        tree(relationships_name(package.workbook)), tree(CONTENT_TYPES_PART),
    )  # fmt: skip
    for kind, part in package.relationships(package.workbook).values():
        if kind == "styles" and part in file.parts:
            file.styles_part, file.styles = part, tree(part)
            return file
    # a plain one is made for a workbook that has no formats
    for element in [e for e in file.relations if e.get("Type", "").endswith("/styles")]:
        file.relations.remove(element)
    # some programs look for it under this name only
    part = resolve(package.workbook, "styles.xml")
    part = _free_part(part, file.parts) if part in file.parts else part
    file.parts[part] = PLAIN_STYLES
    _add_type(file, part, _STYLES_TYPE)
    _add_relation(file, "rIdSheetlabStyles", "styles", part)
    file.styles_part, file.styles = part, xml(PLAIN_STYLES, package.path)
    return file


def _zipped(file: _File) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        old = {entry.filename: entry for entry in file.package.entries}
        for name, data in file.parts.items():
            entry = old.get(name)
            if entry is not None and data is None:
                _copy(entry, file.package.raw, archive, buffer)
                continue
            info = zipfile.ZipInfo(name, _NEW_TIME if entry is None else entry.date_time)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o600 << 16 if entry is None else entry.external_attr
            archive.writestr(info, data or b"", compresslevel=LEVEL)
    return buffer.getvalue()


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


def _tag(name: str) -> str:
    return f"{{{MAIN}}}{name}"


def _serialise(root: etree._Element) -> bytes:
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8", standalone=True)


def _free_part(name: str, taken: Iterable[str]) -> str:
    folder, base = posixpath.split(name)
    tries = (f"{folder}/sheetlab{k or ''}-{base}" for k in itertools.count())
    return next(target for target in tries if target not in taken)


def _add_type(file: _File, part: str, content_type: str) -> None:
    tag = f"{{{CONTENT_TYPES}}}Override"
    etree.SubElement(file.types, tag, {"PartName": f"/{part}", "ContentType": content_type})


def _add_relation(file: _File, relation: str, kind: str, part: str) -> None:
    tag = f"{{{PACKAGE_RELATIONSHIPS}}}Relationship"
    names = {"Id": relation, "Type": f"{RELATIONSHIPS}/{kind}", "Target": f"/{part}"}
    etree.SubElement(file.relations, tag, names)


# -- taking out an earlier evaluation --------------------------------------------------------


def _strip(file: _File, own: frozenset[str]) -> None:
    sheets = file.workbook.find(_tag("sheets"))
    gone = []
    for index, element in enumerate(list(sheets)):
        if element.get("name") in own:
            gone.append(index)
            sheets.remove(element)
            relation = element.get(f"{{{RELATIONSHIPS}}}id", "")
            for link in [e for e in file.relations if e.get("Id") == relation]:
                _drop_part(file, resolve(file.package.workbook, link.get("Target", "")))
                file.relations.remove(link)
    names = file.workbook.find(_tag("definedNames"))
    for element in [] if names is None else list(names):
        name, local = element.get("name", "").lower(), element.get("localSheetId")
        if name == STYLES_NAME:
            _strip_styles(file, element.text or "")
        if local is None and not is_own_name(name):
            continue
        if name == STYLES_NAME or local is None or int(local) in gone:
            names.remove(element)
        else:
            element.set("localSheetId", str(int(local) - sum(g < int(local) for g in gone)))


def _drop_part(file: _File, part: str) -> None:
    if part not in file.parts:
        return
    del file.parts[part]
    for kind, inner in file.package.relationships(part).values():
        if kind in ("drawing", "chart"):
            _drop_part(file, inner)
    file.parts.pop(relationships_name(part), None)
    for element in [e for e in file.types if e.get("PartName") == f"/{part}"]:
        file.types.remove(element)


def _strip_styles(file: _File, text: str) -> None:
    """Cut the format lists back to what they were, if they are still as they were written."""
    counts = _counts(text)
    if counts.get(DIGEST) != _digest(file.package.parts.get(file.styles_part, b"")):
        # another program has saved the file since and numbered the formats anew
        return
    for name in _STYLE_LISTS:
        parent, count = file.styles.find(_tag(name)), counts.get(name, "")
        if parent is not None and count:
            del parent[whole(count) :]
            parent.set("count", str(len(parent)))


# -- adding ----------------------------------------------------------------------------------


def _add(file: _File, new: Mapping[str, bytes], first_format: int) -> list[str]:
    """Take the sheets over with their drawings and charts; their titles."""
    main = "xl/workbook.xml"
    items = etree.fromstring(new.get("xl/sharedStrings.xml", b"<sst/>"))
    texts = [_in_cell("".join(map(str, item.itertext()))) for item in items]
    renamed: dict[str, str] = {}
    for name in new:
        folder, base = posixpath.split(name)
        if posixpath.basename(folder) in _TYPES and base.endswith(".xml"):
            renamed[name] = _free_part(name, file.parts)
            file.parts[renamed[name]] = None
    for name, target in renamed.items():
        kind, beside = name.split("/")[1], relationships_name(name)
        sheet = kind == "worksheets"
        file.parts[target] = _moved(new[name], first_format, texts) if sheet else new[name]
        _add_type(file, target, _TYPES[kind])
        if beside in new:
            root = etree.fromstring(new[beside])
            for element in [e for e in root if e.get("TargetMode") != "External"]:
                part = resolve(name, element.get("Target", ""))
                element.set("Target", f"/{renamed.get(part, part)}")
            file.parts[relationships_name(target)] = _serialise(root)
    sheets = file.workbook.find(_tag("sheets"))
    number = max((int(e.get("sheetId", "0")) for e in sheets), default=0)
    used = {e.get("Id") for e in file.relations}
    targets = {
        e.get("Id"): e.get("Target", "") for e in etree.fromstring(new[relationships_name(main)])
    }
    titles = []
    for k, element in enumerate(etree.fromstring(new[main]).iter(_tag("sheet")), 1):
        relation = f"rIdSheetlab{k}"
        while relation in used:
            relation += "x"
        titles.append(element.get("name", ""))
        names = {"name": titles[-1], "sheetId": str(number + k), _LINK: relation}
        etree.SubElement(sheets, _tag("sheet"), names)
        part = renamed[resolve(main, targets[element.get(_LINK)])]
        _add_relation(file, relation, "worksheet", part)
    return titles


def _moved(data: bytes, first_format: int, texts: Sequence[bytes]) -> bytes:
    """A sheet of ours with its formats behind those of another workbook, its texts in its cells."""
    # no tree: of a thousand cells it takes longer than all else that is done here

    def moved(cell: re.Match[bytes]) -> bytes:
        head = b'<c r="%b" s="%d"' % (cell[1], first_format + int(cell[2] or 0))
        if cell[3] is None:
            return head
        return b'%b t="inlineStr"><is>%b</is></c>' % (head, texts[int(cell[3])])

    return _CELL.sub(moved, data)


def _in_cell(text: str) -> bytes:
    """The element of a text; a carriage return would be read as the end of a line."""
    space = ' xml:space="preserve"' if text != text.strip() else ""
    return f"<t{space}>{escape(text, _RETURN)}</t>".encode()


def _open_at(file: _File, titles: Sequence[str]) -> None:
    """Show the first of the new sheets when the workbook is opened, and select no other.

    Sheets that are selected together are typed into together, so that none may stay selected.
    """
    sheets = file.workbook.find(_tag("sheets"))
    links = file.package.relationships(file.package.workbook)
    for element in sheets:
        _, part = links.get(element.get(_LINK, ""), ("", ""))
        if element.get("name", "") not in titles and part in file.parts:
            # what stands in its cells is no word of its view
            head, cells, rest = (file.parts[part] or file.package.parts[part]).partition(_CELLS)
            if _SELECTED.search(head):
                file.parts[part] = _SELECTED.sub(b"", head) + cells + rest
    views = file.workbook.find(_tag("bookViews"))
    if views is None:
        views = etree.Element(_tag("bookViews"))
        sheets.addprevious(views)
    view = views.find(_tag("workbookView"))
    if view is None:
        view = etree.SubElement(views, _tag("workbookView"))
    view.set("activeTab", str([e.get("name", "") for e in sheets].index(titles[0])))


def _mark(workbook: Any, titles: Sequence[str], counts: Mapping[str, int], styles: bytes) -> None:
    """Hidden names by which the next evaluation finds its own sheets and formats."""
    names = workbook.find(_tag("definedNames"))
    if names is None:
        names = etree.Element(_tag("definedNames"))
        after = workbook.find(_tag("sheets"))
        for following in after.itersiblings():
            if following.tag in (_tag("functionGroups"), _tag("externalReferences")):
                after = following
        after.addnext(names)
    listed = " ".join(f"{name}={count}" for name, count in counts.items())
    texts = {f"{RESULT_NAME}{k}": f"{quoted_sheet(t)}!$A$1" for k, t in enumerate(titles, 1)}
    texts[STYLES_NAME] = f'"{listed} {DIGEST}={_digest(styles)}"'
    for name, text in texts.items():
        element = etree.SubElement(names, _tag("definedName"), {"name": name, "hidden": "1"})
        element.text = text


def _listed(styles: Any, name: str) -> list[Any]:
    parent = styles.find(_tag(name))
    return [] if parent is None else list(parent)


def _merge_styles(styles: Any, new: Any) -> None:
    """Put the formats of another workbook behind those that are there."""
    codes = [int(e.get("numFmtId", "0")) for e in _listed(styles, "numFmts")]
    formats: dict[str | None, str] = {}
    for code, element in enumerate(_listed(new, "numFmts"), max([163, *codes]) + 1):
        formats[element.get("numFmtId")] = str(code)
        element.set("numFmtId", str(code))
    parts = (("fontId", "fonts"), ("fillId", "fills"), ("borderId", "borders"))
    before_ours = {key: len(_listed(styles, name)) for key, name in parts}
    for xf in _listed(new, "cellXfs"):
        for key, count in before_ours.items():
            xf.set(key, str(int(xf.get(key, "0")) + count))
        code = xf.get("numFmtId", "0")
        xf.set("numFmtId", formats.get(code, code))
        xf.set("xfId", "0")
    for name in _STYLE_LISTS:
        elements, parent = _listed(new, name), styles.find(_tag(name))
        if parent is None and elements:
            parent = etree.Element(_tag(name))
            before = [_tag(one) for one in _STYLE_ORDER[: _STYLE_ORDER.index(name)]]
            places = [i for i, element in enumerate(styles, 1) if element.tag in before]
            styles.insert(max(places, default=0), parent)
        if parent is not None:
            parent.extend(elements)
            parent.set("count", str(len(parent)))
