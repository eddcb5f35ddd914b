"""A filled workbook with everything that people and their programs put into one.

The parts are written by hand after ISO/IEC 29500 and the published schemas of its extensions: file
libraries cannot make most of them, which is why they lose them.
"""

from __future__ import annotations

import io
import re
import struct
import zlib

import openpyxl
from openpyxl.chart import Reference, ScatterChart, Series
from openpyxl.comments import Comment
from openpyxl.drawing.image import Image
from openpyxl.formatting.rule import CellIsRule
from openpyxl.styles import PatternFill
from openpyxl.worksheet.datavalidation import DataValidation
from workbook.tamper import edited, part, with_parts

OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006"
RELATIONS = f'<Relationships xmlns="{OFFICE.replace("officeDocument", "package")}/relationships">'
MACRO_TYPE = b"application/vnd.ms-excel.sheet.macroEnabled.main+xml"
PLAIN_TYPE = b"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"
EXTRA = {
    "xl/vbaProject.bin": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(range(256)) * 40,
    "xl/vbaProjectSignature.bin": b"signature" * 30,
    "xl/threadedComments/threadedComment1.xml": b'<ThreadedComments xmlns="http://schemas.'
    b'microsoft.com/office/spreadsheetml/2018/threadedcomments"><threadedComment ref="B2" '
    b'dT="2026-05-02T10:00:00.00" personId="{1}" id="{2}"><text>screw stuck?</text>'
    b"</threadedComment></ThreadedComments>",
    "xl/persons/person.xml": b'<personList xmlns="http://schemas.microsoft.com/office/'
    b'spreadsheetml/2018/threadedcomments"><person displayName="A" id="{1}" userId="a" '
    b'providerId="None"/></personList>',
    "customXml/item1.xml": b'<?xml version="1.0"?>\r\n<note xmlns="urn:note">  mine  </note>',
    "customXml/itemProps1.xml": b"<x/>",
    "xl/printerSettings/printerSettings1.bin": b"\0\1\2" * 400,
    "docProps/custom.xml": b'<Properties xmlns="' + OFFICE.encode() + b'/custom-properties"/>',
    "xl/ctrlProps/ctrlProp1.xml": b'<formControlPr objectType="Button"/>',
    "xl/activeX/activeX1.bin": b"\7" * 99,
    "xl/embeddings/oleObject1.bin": b"\xd0\xcf\x11\xe0" * 50,
    "xl/slicers/slicer1.xml": b"<slicers/>",
    "xl/media/video.mp4": b"\0\0\0\x18ftyp" * 100,
    "xl/queryTables/queryTable1.xml": b"<queryTable/>",
    "xl/metadata.xml": b"<metadata/>",
    "xl/calcChain.xml": b'<calcChain xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/'
    b'main"/>',
}
TEXT_BOX = (
    "<xdr:twoCellAnchor><xdr:from><xdr:col>1</xdr:col><xdr:colOff>0</xdr:colOff><xdr:row>1</xdr:row>"
    "<xdr:rowOff>0</xdr:rowOff></xdr:from><xdr:to><xdr:col>4</xdr:col><xdr:colOff>0</xdr:colOff>"
    '<xdr:row>6</xdr:row><xdr:rowOff>0</xdr:rowOff></xdr:to><xdr:sp macro="" textlink="">'
    '<xdr:nvSpPr><xdr:cNvPr id="9" name="TextBox 1"/><xdr:cNvSpPr txBox="1"/></xdr:nvSpPr>'
    '<xdr:spPr><a:prstGeom prst="rect"><a:avLst/></a:prstGeom></xdr:spPr><xdr:txBody><a:bodyPr/>'
    "<a:p><a:r><a:t>the micrometer slipped here</a:t></a:r></a:p></xdr:txBody></xdr:sp>"
    "<xdr:clientData/></xdr:twoCellAnchor>"
)
EXTENSIONS = (
    '<extLst><ext xmlns:x14="http://schemas.microsoft.com/office/spreadsheetml/2009/9/main" '
    'uri="{05C60535-1F16-4fd2-B633-F4F36F0B64E0}"><x14:sparklineGroups xmlns:xm="http://schemas.'
    'microsoft.com/office/excel/2006/main"><x14:sparklineGroup><x14:sparklines><x14:sparkline>'
    "<xm:f>Readings!B9:B18</xm:f><xm:sqref>R9</xm:sqref></x14:sparkline></x14:sparklines>"
    "</x14:sparklineGroup></x14:sparklineGroups></ext></extLst>"
)


def picture(size: int = 24) -> bytes:
    """A small PNG."""
    rows = b"".join(b"\0" + bytes((x * y) % 256 for x in range(3 * size)) for y in range(size))

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = struct.pack(">IIBBBBB", size, size, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )


def decorated(workbook: openpyxl.Workbook) -> None:
    """Photo, comment, own chart, formats, validation, print settings, properties."""
    sheet = workbook["Readings"]
    sheet.add_image(Image(io.BytesIO(picture())), "R2")
    sheet["B9"].comment = Comment("wire 3, re-hung", "group")
    chart = ScatterChart()
    chart.series.append(
        Series(
            Reference(sheet, min_col=3, min_row=9, max_row=18),
            Reference(sheet, min_col=2, min_row=9, max_row=18),
        )
    )
    sheet.add_chart(chart, "R20")
    red = PatternFill("solid", bgColor="FFC7CE")
    sheet.conditional_formatting.add("B9:B18", CellIsRule("greaterThan", ["1"], fill=red))
    rule = DataValidation("whole", operator="between", formula1="0", formula2="49")
    sheet.add_data_validation(rule)
    rule.add("S1:S9")
    sheet.oddHeader.center.text = "Group 7 && friends"
    sheet.print_title_rows = "8:8"
    workbook.properties.creator = "a student"
    workbook.create_sheet("Our notes")["A1"] = "=SUM(Readings!B9:B18)"


def rich(data: bytes, macros: bool = False) -> bytes:
    """A filled workbook with parts that file libraries do not know."""
    made = edited(data, decorated)
    names = part_names(made)
    drawing = next(n for n in names if re.fullmatch(r"xl/drawings/drawing\d\.xml", n)
                   and b"graphicFrame" in part(made, n))  # fmt: skip
    text = part(made, drawing).decode()
    close = re.search(r"</[^<>]*wsDr>\s*$", text)
    assert close is not None
    box = TEXT_BOX.replace(
        "<xdr:twoCellAnchor>",
        '<xdr:twoCellAnchor xmlns:xdr="http://schemas.openxmlformats.org/drawingml/2006/'
        'spreadsheetDrawing" xmlns:a="http://schemas.openxmlformats.org/drawingml/2006/main">',
    )
    sheet = "xl/worksheets/sheet4.xml"
    changes: dict[str, bytes | None] = {
        drawing: (text[: close.start()] + box + text[close.start() :]).encode(),
        sheet: part(made, sheet).replace(b"</worksheet>", EXTENSIONS.encode() + b"</worksheet>"),
        **EXTRA,
    }
    types = part(made, "[Content_Types].xml")
    if macros:
        types = types.replace(PLAIN_TYPE, MACRO_TYPE)
    types = types.replace(
        b"</Types>",
        b'<Default Extension="bin" ContentType="application/vnd.ms-office.vbaProject"/>'
        b'<Default Extension="mp4" ContentType="video/mp4"/></Types>',
    )
    relations = part(made, "xl/_rels/workbook.xml.rels").replace(
        b"</Relationships>",
        b'<Relationship Id="rIdVba" Type="http://schemas.microsoft.com/office/2006/relationships/'
        b'vbaProject" Target="vbaProject.bin"/><Relationship Id="rIdPerson" Type="http://schemas.'
        b'microsoft.com/office/2017/10/relationships/person" Target="persons/person.xml"/>'
        b"</Relationships>",
    )
    return with_parts(
        made, {**changes, "[Content_Types].xml": types, "xl/_rels/workbook.xml.rels": relations}
    )


def part_names(data: bytes) -> list[str]:
    """Names of the parts of a file."""
    import zipfile

    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return archive.namelist()


def with_names_and_views(workbook: openpyxl.Workbook) -> None:
    """Give a workbook a name, a view and a coloured tab of the student's own."""
    workbook.defined_names["mine"] = openpyxl.workbook.defined_name.DefinedName(
        "mine", attr_text="Readings!$B$9"
    )
    workbook.active = 3
    workbook["Readings"].freeze_panes = "B9"
    workbook["Readings"].sheet_properties.tabColor = "FF0000"
