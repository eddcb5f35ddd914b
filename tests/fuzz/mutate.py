"""Accidents of every kind to a workbook file, drawn by a seeded generator."""

from __future__ import annotations

import io
import random
import re
import zipfile
from collections.abc import Callable
from copy import deepcopy

import openpyxl
from lxml import etree
from workbook.tamper import part, with_parts

EXTREMES = (
    "0", "-0", "-1", "1", "2", "65535", "65536", "1048576", "1048577", "16384", "2147483647",
    "2147483648", "4294967295", "9223372036854775807", "9223372036854775808",
    "18446744073709551616", "-9223372036854775808", "1e308", "1e309", "-1e309", "1e-320", "nan",
    "NaN", "INF", "-INF", "inf", "1_000", "1,5", "0x10", "٣", "", " ", "1e", "--1", "9" * 400,
    "0.1" * 30,
)  # fmt: skip
TEXTS = (
    "", " ", "\u200b", "\ufeff1", "=1+1", "=HYPERLINK(\"http://x\")", "@SUM(A1)", "+1", "-1",
    "#REF!", "#N/A", "TRUE", "1,5", "1.234,5", "1 000", "１２", "१२", "½", "1e5", "😀", "👩‍🔬",
    "\u202e0.5", "\u202b12\u202c", "مرحبا 12", "שלום", "\x1b[31m", "_x001B_]0;x_x0007_",
    "A" * 32767, "A" * 200_000, "../../x", "C:\\x", "'0.5", "0.5 mm", "0.5kg", "&amp;", "]]>",
    "<v>1</v>",
    "NaN", "inf", "1e400", "0.5\n0.6", "\u00a00.5", "−0.5", "0.5″", "٠٫٥", "x" * 61,
)  # fmt: skip
XML_TEXT = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

Mutation = Callable[[bytes, random.Random], bytes]


def names_of(data: bytes) -> list[str]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return [n for n in archive.namelist() if not n.endswith("/")]


# -- the file as bytes ---------------------------------------------------------------------------


def flip_bytes(data: bytes, chance: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(chance.choice((1, 1, 3, 20, 300))):
        out[chance.randrange(len(out))] = chance.randrange(256)
    return bytes(out)


def cut_bytes(data: bytes, chance: random.Random) -> bytes:
    a, b = sorted(chance.randrange(len(data)) for _ in range(2))
    return chance.choice((data[:a], data[a:], data[:a] + data[b:], data[:b] + data[a:]))


def flip_directory(data: bytes, chance: random.Random) -> bytes:
    """The list at the end of the archive, where sizes, names and methods stand."""
    start = data.rfind(b"PK\x01\x02", 0, data.find(b"PK\x01\x02") + 1)
    out = bytearray(data)
    for _ in range(chance.choice((1, 2, 5))):
        out[chance.randrange(max(start, 0), len(out))] = chance.choice((0, 1, 8, 255, 127))
    return bytes(out)


def flip_local_heads(data: bytes, chance: random.Random) -> bytes:
    heads = [match.start() for match in re.finditer(rb"PK\x03\x04", data)]
    out = bytearray(data)
    for _ in range(3):
        out[min(chance.choice(heads) + chance.randrange(30), len(out) - 1)] = chance.randrange(256)
    return bytes(out)


# -- parts ---------------------------------------------------------------------------------------


def drop_part(data: bytes, chance: random.Random) -> bytes:
    return with_parts(data, {chance.choice(names_of(data)): None})


def swap_parts(data: bytes, chance: random.Random) -> bytes:
    a, b = chance.choices(names_of(data), k=2)
    return with_parts(data, {a: part(data, b), b: part(data, a)})


def garble_part(data: bytes, chance: random.Random) -> bytes:
    name = chance.choice([n for n in names_of(data) if n.endswith((".xml", ".rels"))])
    text = part(data, name)
    return with_parts(data, {name: chance.choice((flip_bytes, cut_bytes))(text or b"x", chance)})


def rename_part(data: bytes, chance: random.Random) -> bytes:
    name = chance.choice(names_of(data))
    new = chance.choice((f"../{name}", name.upper(), f"/{name}", name + " ", "a" * 300, "\\x"))
    return with_parts(data, {name: None, new: part(data, name)})


def recode_part(data: bytes, chance: random.Random) -> bytes:
    """A part in another encoding than it says."""
    name = chance.choice([n for n in names_of(data) if n.endswith((".xml", ".rels"))])
    text = part(data, name).decode("utf-8", "replace")
    coding = chance.choice(("utf-16", "utf-32", "utf-7", "cp037", "utf-8-sig"))
    return with_parts(data, {name: text.encode(coding, "replace")})


# -- elements ------------------------------------------------------------------------------------


def important(data: bytes, chance: random.Random) -> str:
    found = [n for n in names_of(data) if n.endswith((".xml", ".rels"))]
    grave = [n for n in found if "worksheets" in n or "workbook" in n or n == "content.xml"]
    return chance.choice(grave if grave and chance.random() < 0.7 else found)


def in_xml(change: Callable[[etree._Element, random.Random], None]) -> Mutation:
    def mutation(data: bytes, chance: random.Random) -> bytes:
        name = important(data, chance)
        root = etree.fromstring(part(data, name))
        for _ in range(chance.choice((1, 1, 2, 8))):
            change(root, chance)
        return with_parts(
            data, {name: etree.tostring(root, xml_declaration=True, encoding="UTF-8")}
        )

    mutation.__name__ = change.__name__
    return mutation


def _any(root: etree._Element, chance: random.Random) -> etree._Element:
    return chance.choice([e for e in root.iter() if isinstance(e.tag, str)])


def delete_element(root: etree._Element, chance: random.Random) -> None:
    element = _any(root, chance)
    parent = element.getparent()
    if parent is not None:
        parent.remove(element)


def double_element(root: etree._Element, chance: random.Random) -> None:
    element = _any(root, chance)
    if element.getparent() is not None:
        for _ in range(chance.choice((1, 1, 100))):
            element.addnext(deepcopy(element))


def swap_elements(root: etree._Element, chance: random.Random) -> None:
    a, b = _any(root, chance), _any(root, chance)
    old = a.tag, dict(a.attrib), a.text
    for element, (tag, attributes, text) in ((a, (b.tag, dict(b.attrib), b.text)), (b, old)):
        element.tag, element.text = tag, text
        element.attrib.clear()
        element.attrib.update(attributes)


def nest_element(root: etree._Element, chance: random.Random) -> None:
    element = _any(root, chance)
    for _ in range(chance.choice((1, 50, 400))):
        element = etree.SubElement(element, element.tag)


def rename_element(root: etree._Element, chance: random.Random) -> None:
    _any(root, chance).tag = chance.choice((_any(root, chance).tag, "x", "{urn:x}c"))


def lose_attribute(root: etree._Element, chance: random.Random) -> None:
    element = _any(root, chance)
    if element.attrib:
        del element.attrib[chance.choice(list(element.attrib))]


def extreme_attribute(root: etree._Element, chance: random.Random) -> None:
    element = _any(root, chance)
    if element.attrib:
        element.set(chance.choice(list(element.attrib)), chance.choice(EXTREMES))


def odd_attribute(root: etree._Element, chance: random.Random) -> None:
    element = _any(root, chance)
    if element.attrib:
        element.set(chance.choice(list(element.attrib)), XML_TEXT.sub("", chance.choice(TEXTS)))


def extreme_text(root: etree._Element, chance: random.Random) -> None:
    found = [e for e in root.iter() if isinstance(e.tag, str) and e.text]
    if found:
        chance.choice(found).text = chance.choice(EXTREMES)


def odd_text(root: etree._Element, chance: random.Random) -> None:
    found = [e for e in root.iter() if isinstance(e.tag, str) and e.text]
    if found:
        chance.choice(found).text = XML_TEXT.sub("", chance.choice(TEXTS))


# -- what people do (through a file library) -----------------------------------------------------


def in_book(change: Callable[[openpyxl.Workbook, random.Random], None]) -> Mutation:
    def mutation(data: bytes, chance: random.Random) -> bytes:
        book = openpyxl.load_workbook(io.BytesIO(data))
        change(book, chance)
        buffer = io.BytesIO()
        book.save(buffer)
        return buffer.getvalue()

    mutation.__name__ = change.__name__
    return mutation


def _input_cell(book: openpyxl.Workbook, chance: random.Random):  # type: ignore[no-untyped-def]
    name = chance.choice([n for n in book.defined_names if n.startswith("in_")])
    for title, area in book.defined_names[name].destinations:
        cells = book[title][area.replace("$", "")]
        return chance.choice([row[0] for row in cells] if isinstance(cells, tuple) else [cells])
    raise ValueError(name)


def type_number(book: openpyxl.Workbook, chance: random.Random) -> None:
    cell = _input_cell(book, chance)
    value = cell.value if isinstance(cell.value, int | float) else 1.0
    cell.value = chance.choice(
        (0, -value, value * 10, value / 10, value + 0.5, 2**63, -(2**63), 1e300, 1e-300, 1e16, 0.1)
    )


def type_text(book: openpyxl.Workbook, chance: random.Random) -> None:
    cell = _input_cell(book, chance)
    cell.value = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", "", chance.choice(TEXTS))[:32767]
    cell.data_type = "s"


def type_other(book: openpyxl.Workbook, chance: random.Random) -> None:
    cell = _input_cell(book, chance)
    cell.value = chance.choice((True, False, "=A1", "=1/0", "='[1]Sheet1'!A1", None))
    if chance.random() < 0.3:
        cell.value, cell.data_type = chance.choice(("#N/A", "#DIV/0!", "#VALUE!")), "e"


def clear_inputs(book: openpyxl.Workbook, chance: random.Random) -> None:
    for _ in range(chance.choice((1, 5, 40))):
        _input_cell(book, chance).value = None


def drop_names(book: openpyxl.Workbook, chance: random.Random) -> None:
    for _ in range(chance.choice((1, 3, 30))):
        if book.defined_names:
            del book.defined_names[chance.choice(list(book.defined_names))]


def move_names(book: openpyxl.Workbook, chance: random.Random) -> None:
    names = list(book.defined_names)
    a, b = chance.choices(names, k=2)
    texts = (
        book.defined_names[b].attr_text, "#REF!", "Readings!$B$9", "'No such'!$A$1", "1", "A1",
        "Readings!$B$1:$B$1048576", "Readings!$B:$B", "Readings!$A$1:$Z$99", "Readings!#REF!",
        "'[1]other'!$A$1", "Readings!$B$0", "Readings!$XFD$1048576",
    )  # fmt: skip
    book.defined_names[a].attr_text = chance.choice(texts)


def shuffle_sheets(book: openpyxl.Workbook, chance: random.Random) -> None:
    sheet = chance.choice(book.worksheets)
    match chance.randrange(6):
        case 0:
            book.remove(sheet)
        case 1:
            book.copy_worksheet(sheet)
        case 2:
            book.move_sheet(sheet, chance.choice((-3, -1, 1, 3)))
        case 3:
            sheet.title = chance.choice(("X", "😀", "It's", "Evaluation", "a" * 31, "שלום"))
        case 4:
            sheet.sheet_state = chance.choice(("visible", "hidden", "veryHidden"))
        case _:
            book.create_sheet(chance.choice(("Evaluation", "sheetlab2", "Notes")))


def insert_lines(book: openpyxl.Workbook, chance: random.Random) -> None:
    """Without moving the names, as some programs do it."""
    sheet = chance.choice(book.worksheets)
    at, many = chance.randrange(1, 20), chance.randrange(1, 4)
    chance.choice((sheet.insert_rows, sheet.delete_rows, sheet.insert_cols, sheet.delete_cols))(
        at, many
    )


BYTES = (flip_bytes, cut_bytes, flip_directory, flip_local_heads)
PARTS = (drop_part, swap_parts, garble_part, rename_part, recode_part)
XML = tuple(
    map(
        in_xml,
        (delete_element, double_element, swap_elements, nest_element, rename_element,
         lose_attribute, extreme_attribute, odd_attribute, extreme_text, odd_text),
    )
)  # fmt: skip
PEOPLE = tuple(
    map(
        in_book,
        (type_number, type_text, type_other, clear_inputs, drop_names, move_names, shuffle_sheets,
         insert_lines),
    )
)  # fmt: skip
ALL: tuple[Mutation, ...] = (*BYTES, *PARTS, *XML, *PEOPLE)
