"""Workbooks made to take all memory or time, one of each kind; ``python tests/fuzz/hostile.py``."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import tempfile
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from examples import filled
from workbook.odf import open_document
from workbook.tamper import part, with_parts

SECONDS = 10
MEGABYTES = 300
"""What no workbook may take: of a processor, and of memory with all that Python has loaded."""
READINGS = "xl/worksheets/sheet4.xml"
WORKBOOK, STYLES, TEXTS = "xl/workbook.xml", "xl/styles.xml", "xl/sharedStrings.xml"
MILLION = 1_000_000
Kind = Callable[[], bytes]

CHILD = """
import json, resource, sys
from pathlib import Path
from sheetlab.workbook.evaluate_file import evaluate_file
resource.setrlimit(resource.RLIMIT_CPU, (3 * {seconds}, 3 * {seconds}))
path = Path(sys.argv[1])
outcome = evaluate_file(path, path.with_name("out.xlsx"), trials=0)
used = resource.getrusage(resource.RUSAGE_SELF)
# Linux counts what the parent had when this process began as well, but not here
status = Path("/proc/self/status")
lines = status.read_text().splitlines() if status.exists() else []
kilobytes = [int(line.split()[1]) for line in lines if line.startswith("VmHWM:")]
print(json.dumps([
    [finding.code for finding in outcome.findings], outcome.written is not None,
    used.ru_utime + used.ru_stime, (kilobytes or [used.ru_maxrss])[0] / 1024,
]))
"""


@dataclass(frozen=True, slots=True)
class Taken:
    """What a workbook took of a process of its own."""

    codes: tuple[str, ...]
    written: bool
    seconds: float
    megabytes: float


def taken(data: bytes, name: str = "a.xlsx") -> Taken:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        done = subprocess.run(
            [sys.executable, "-c", CHILD.format(seconds=SECONDS), str(path)],
            capture_output=True, text=True, check=False,
            env={**os.environ, "OMP_NUM_THREADS": "1"},
        )  # fmt: skip
    if done.returncode:
        return Taken((f"ended with {done.returncode}",), False, 3.0 * SECONDS, 0.0)
    codes, written, seconds, megabytes = json.loads(done.stdout)
    return Taken(tuple(codes), written, seconds, megabytes)


@cache
def good() -> bytes:
    return filled("Avocet")


# -- archives that say what is not so -------------------------------------------------------------


def archive(parts: list[tuple[str, int, bytes, int, int]]) -> bytes:
    """A file of entries: name, method, bytes as packed, and the size and check sum that it says."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as made:
        for name, method, packed, size, crc in parts:
            info = zipfile.ZipInfo(name)
            info.compress_type, info.CRC = method, crc
            info.compress_size, info.file_size = len(packed), size
            info.header_offset = out.tell()
            out.write(info.FileHeader(zip64=False) + packed)
            made.filelist.append(info)
            made.NameToInfo[name] = info
        made.start_dir = out.tell()
        made._didModify = True  # type: ignore[attr-defined]
    return out.getvalue()


def entries(data: bytes) -> list[tuple[str, int, bytes, int, int]]:
    """The parts of a workbook as ``archive`` takes them."""
    found = []
    with zipfile.ZipFile(io.BytesIO(data)) as old:
        for name in old.namelist():
            found.append(entry(name, old.read(name)))
    return found


def entry(name: str, text: bytes, says: int | None = None) -> tuple[str, int, bytes, int, int]:
    pack = zlib.compressobj(9, zlib.DEFLATED, -15)
    packed = pack.compress(text) + pack.flush()
    return name, 8, packed, len(text) if says is None else says, zlib.crc32(text)


def lying_deflate() -> bytes:
    """A part that says 1000 bytes and unpacks to 400 MB."""
    pack = zlib.compressobj(9, zlib.DEFLATED, -15)
    packed = b"".join(pack.compress(bytes(MILLION)) for _ in range(400)) + pack.flush()
    lie = "xl/media/x.bin", 8, packed, 1000, 0
    return archive([*entries(good()), lie])


def lying_bzip2() -> bytes:
    import bz2

    packed = bz2.compress(bytes(400 * MILLION), 9)
    lie = "xl/media/x.bin", 12, packed, 1000, 0
    return archive([*entries(good()), lie])


def lying_about_a_sheet() -> bytes:
    """The sheet of readings says less than it holds."""
    parts = entries(good())
    text = part(good(), READINGS)
    lie = entry(READINGS, text + b" " * 100 * MILLION, len(text))
    return archive([lie if one[0] == READINGS else one for one in parts])


def overlapping() -> bytes:
    """Two thousand entries that all lie at the place of one with 2 MB of zeros."""
    data = archive([*entries(good()), entry("xl/media/x.bin", bytes(2 * MILLION))])
    with zipfile.ZipFile(io.BytesIO(data)) as old:
        last = old.infolist()[-1]
    start = data.rfind(b"PK\x01\x02")
    head, ending = data[start : data.rfind(b"PK\x05\x06")], data[data.rfind(b"PK\x05\x06") :]
    assert last.filename.encode() in head
    heads = b"".join(
        head.replace(b"xl/media/x.bin", b"xl/media/%05d" % k + b"") for k in range(2000)
    )
    first = data.find(b"PK\x01\x02")
    count = (len(entries(data)) + 2000).to_bytes(2, "little")
    size = (len(data[first:start]) + len(head) + len(heads)).to_bytes(4, "little")
    ending = ending[:8] + count + count + size + ending[16:]
    return data[:start] + head + heads + ending


def many_entries() -> bytes:
    """A list of 400,000 parts."""
    data = good()
    first, ending = data.find(b"PK\x01\x02"), data.rfind(b"PK\x05\x06")
    one = data[data.rfind(b"PK\x01\x02") : ending]
    heads = one * 400_000
    size = (ending - first + len(heads)).to_bytes(4, "little")
    tail = data[ending:]
    return data[:ending] + heads + tail[:8] + b"\xff\xfe\xff\xfe" + size + tail[16:]


def many_megabytes() -> bytes:
    """Parts of what does not pack well, just below what may be unpacked."""
    noise = os.urandom(MILLION // 4)
    return with_parts(
        good(), {f"xl/media/{k}.bin": (noise + bytes(MILLION // 2)) * 4 for k in range(36)}
    )


# -- sheets and tables ----------------------------------------------------------------------------


def sheet_with(inside: bytes) -> bytes:
    return part(good(), READINGS).replace(b"</sheetData>", inside + b"</sheetData>")


def readings(inside: bytes) -> bytes:
    return loose({READINGS: sheet_with(inside)})


def loose(changes: dict[str, bytes]) -> bytes:
    """The workbook with parts that are not packed, and so pass every limit on how well they are."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(good())) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in dict.fromkeys([*old.namelist(), *changes]):
            method = zipfile.ZIP_STORED if name in changes else zipfile.ZIP_DEFLATED
            new.writestr(name, changes.get(name) or old.read(name), method)
    return out.getvalue()


def filler(megabytes: int, seed: int = 0) -> bytes:
    """Rows of different numbers, which pack by less than the limit."""
    made, row, size = [], 1000, 0
    while size < megabytes * MILLION:
        row += 1
        number = (row * 7919 + seed) * 104729 % 1_000_003
        made.append(b'<row r="%d"><c r="A%d"><v>%d</v></c></row>' % (row, row, number))
        size += len(made[-1])
    return b"".join(made)


def fat_sheets() -> bytes:
    """Four hundred sheets of 360 kB, of which names of readings point to many."""
    workbook = part(good(), WORKBOOK).decode()
    relations = part(good(), "xl/_rels/workbook.xml.rels").decode()
    changes: dict[str, bytes | None] = {}
    sheets = links = ""
    for k in range(400):
        rows = b"".join(
            b'<row r="%d"><c r="A%d"><v>%d</v></c></row>' % (n, n, (n * 7919 + k) % 100_003)
            for n in range(1, 8000)
        )
        changes[f"xl/worksheets/fat{k}.xml"] = (
            b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
            b"<sheetData>" + rows + b"</sheetData></worksheet>"
        )
        sheets += f'<sheet name="Fat{k}" sheetId="{1000 + k}" r:id="fat{k}"/>'
        links += (
            f'<Relationship Id="fat{k}" Type="http://schemas.openxmlformats.org/officeDocument/'
            f'2006/relationships/worksheet" Target="worksheets/fat{k}.xml"/>'
        )
    names = 0

    def pointed(text: str) -> str:
        nonlocal names
        pieces = text.split(">'Readings'!")
        names = len(pieces)
        if names == 1:
            pieces = text.split(">Readings!")
        return pieces[0] + "".join(f">Fat{k}!{rest}" for k, rest in enumerate(pieces[1:]))

    workbook = pointed(workbook).replace("</sheets>", sheets + "</sheets>")
    relations = relations.replace("</Relationships>", links + "</Relationships>")
    changes |= {WORKBOOK: workbook.encode(), "xl/_rels/workbook.xml.rels": relations.encode()}
    return with_parts(good(), changes)


def many_cells() -> bytes:
    return readings(filler(25))


def one_row() -> bytes:
    """A row of millions of elements that are no cells."""
    return readings(b'<row r="5000">' + b"<x/><y/><z/><w/>" * 1_500_000 + b"</row>")


def one_cell() -> bytes:
    return readings(
        b'<row r="5000"><c r="A5000">' + b"<v>1</v><v>2</v>" * 1_000_000 + b"</c></row>"
    )


def long_text() -> bytes:
    return readings(
        b'<row r="5000"><c r="A5000" t="str"><v>' + b"abcdefgh" * 3_000_000 + b"</v></c></row>"
    )


def many_attributes() -> bytes:
    names = b" ".join(b'a%d=""' % k for k in range(1_500_000))
    return readings(b'<row r="5000" ' + names + b"></row>")


def long_texts_of_emoji() -> bytes:
    text = "😀".encode() + b"a" * 32_000
    rows = b"".join(
        b'<row r="%d"><c r="A%d" t="str"><v>%s%d</v></c></row>' % (n, n, text, n)
        for n in range(5000, 5800)
    )
    return readings(rows)


def many_shared_texts() -> bytes:
    text = part(good(), TEXTS)
    return loose({TEXTS: text.replace(b"</sst>", b"<si><t>a</t></si>" * 550_000 + b"</sst>")})


def nodes(count: int) -> bytes:
    return b"<x><a/><b/><c/></x>" * (count // 4)


def many_nodes_in_every_tree() -> bytes:
    """Every part that is read into a tree holds as much as may be."""
    changes: dict[str, bytes] = {}
    for name, end in (
        (WORKBOOK, b"</workbook>"), (STYLES, b"</styleSheet>"), (TEXTS, b"</sst>"),
        ("xl/_rels/workbook.xml.rels", b"</Relationships>"), ("[Content_Types].xml", b"</Types>"),
    ):  # fmt: skip
        changes[name] = part(good(), name).replace(end, nodes(220_000) + end)
    return loose(changes)


def entities() -> bytes:
    """A document type with entities of entities, in two bytes a sign."""
    text = part(good(), WORKBOOK).decode()
    text = text[text.index("?>") + 2 :]
    levels = "".join(f'<!ENTITY e{k} "{f"&e{k - 1};" * 10}">' for k in range(1, 9))
    kind = f'<!DOCTYPE x [<!ENTITY e0 "{"x" * 100}">{levels}]>'
    text = text.replace('name="', 'name="&e8;', 1)
    xml = f'<?xml version="1.0" encoding="UTF-16"?>{kind}{text}'
    return with_parts(good(), {WORKBOOK: xml.encode("utf-16")})


# -- what patterns once looked at -------------------------------------------------------------


def brackets_in_a_format() -> bytes:
    text = part(good(), STYLES)
    code = b'<numFmts count="1"><numFmt numFmtId="200" formatCode="%s"/></numFmts>' % (
        b"[" * 300_000
    )
    found = text.find(b"<numFmts")
    assert found < 0 or text.find(b"</numFmts>") > found
    if found >= 0:
        text = text[:found] + text[text.find(b"</numFmts>") + len(b"</numFmts>") :]
    text = text.replace(b"<fonts", code + b"<fonts", 1)
    return with_parts(good(), {STYLES: text.replace(b'numFmtId="0"', b'numFmtId="200"')})


def rows_in_a_comment() -> bytes:
    return readings(b"<!-- hidden=" + b"<row " * 300_000 + b"-->")


def pairs_in_the_name_of_formats() -> bytes:
    """What tells of the formats of an earlier evaluation is a long word."""
    text = part(good(), WORKBOOK)
    name = b'<definedName name="sheetlab_formats" hidden="1">"%s"</definedName>' % (b"a" * 380_000)
    return with_parts(
        good(), {WORKBOOK: text.replace(b"</definedNames>", name + b"</definedNames>")}
    )


# -- OpenDocument -----------------------------------------------------------------------------


@cache
def good_ods() -> bytes:
    return open_document(good())


def content(change: Callable[[bytes], bytes]) -> bytes:
    data = good_ods()
    return with_parts(data, {"content.xml": change(part(data, "content.xml"))})


def hidden_rows_of_an_ods() -> bytes:
    """Each of many rows says that it stands for a million."""
    row = (
        b'<table:table-row table:visibility="collapse" table:number-rows-repeated="1048576">'
        b"<table:table-cell/></table:table-row>"
    )
    return content(lambda text: text.replace(b"</table:table>", row * 5_000 + b"</table:table>"))


def repeated_cells_of_an_ods() -> bytes:
    row = (
        b'<table:table-row table:number-rows-repeated="1000"><table:table-cell '
        b'table:number-columns-repeated="160" office:value-type="float" office:value="1"/>'
        b"</table:table-row>"
    )
    return content(lambda text: text.replace(b"</table:table>", row + b"</table:table>"))


def deep_rows_of_an_ods() -> bytes:
    open_, close = b"<table:table-row-group>" * 240, b"</table:table-row-group>" * 240
    return content(lambda text: text.replace(b"</table:table>", open_ + close + b"</table:table>"))


def spaces_of_an_ods() -> bytes:
    """A text of tens of millions of blanks, of a few bytes a thousand."""
    text = b"<text:p>" + b'<text:s text:c="1000"/>' * 60_000 + b"</text:p>"
    cell = (
        b'<table:table-row><table:table-cell office:value-type="string">%s</table:table-cell>'
        b"</table:table-row>" % text
    )
    return content(lambda old: old.replace(b"</table:table>", cell + b"</table:table>"))


QUICK: tuple[Kind, ...] = (
    overlapping, brackets_in_a_format, pairs_in_the_name_of_formats, hidden_rows_of_an_ods,
)  # fmt: skip
KINDS: tuple[Kind, ...] = (
    *QUICK, lying_about_a_sheet, lying_deflate, lying_bzip2, many_entries, many_megabytes,
    fat_sheets, rows_in_a_comment, many_cells, one_row, one_cell, long_text, many_attributes,
    long_texts_of_emoji, many_shared_texts, many_nodes_in_every_tree, entities,
    repeated_cells_of_an_ods, deep_rows_of_an_ods, spaces_of_an_ods,
)  # fmt: skip


def name_of(kind: Kind) -> str:
    return "a.ods" if kind.__name__.endswith("_ods") else "a.xlsx"


def main() -> None:
    kinds = [kind for kind in KINDS if not sys.argv[1:] or kind.__name__ in sys.argv[1:]]
    for kind in kinds:
        data = kind()
        its = taken(data, name_of(kind))
        print(
            f"{kind.__name__:32} {len(data) / 1000:8.0f} kB {its.seconds:6.2f} s "
            f"{its.megabytes:6.0f} MB  {'written' if its.written else '-':8}"
            f"{', '.join(its.codes[:3])}",
            flush=True,
        )


if __name__ == "__main__":
    main()
