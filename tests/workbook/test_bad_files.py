"""Broken and hostile files: one clear message each, nothing crashes, the batch goes on."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest
from examples import filled
from workbook.tamper import edited, part, with_parts

from sheetlab.handling.batch import evaluate_files
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.layout import IDENTITY
from sheetlab.workbook.package import write_atomically

BOMB = (
    b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">'
    + b"".join(b'<!ENTITY a%d "%s">' % (i, (b"&a%d;" % (i - 1) if i else b"&a;") * 10)
               for i in range(8))
    + b']><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
    b"<sheetData><row r='1'><c r='A1' t='str'><v>&a7;</v></c></row></sheetData></worksheet>"
)  # fmt: skip


def archive(**parts: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as made:
        for name, data in parts.items():
            made.writestr(name, data)
    return buffer.getvalue()


def twice(data: bytes) -> bytes:
    buffer = io.BytesIO(data)
    with pytest.warns(UserWarning, match="Duplicate name"), zipfile.ZipFile(buffer, "a") as made:
        made.writestr("xl/workbook.xml", b"<x/>")
    return buffer.getvalue()


GOOD = filled("Avocet")
ENCRYPTED = (
    b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 500 + "EncryptedPackage".encode("utf-16-le")
)
OLD_XLS = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 500 + "Workbook".encode("utf-16-le")
SHEET = "xl/worksheets/sheet4.xml"

BAD = {
    "empty": (b"", "0 bytes"),
    "text": (b"group,load\n1,2\n", "no workbook"),
    "web page": (b"<!DOCTYPE html><html></html>", "web page"),
    "truncated": (GOOD[: len(GOOD) // 2], "cut short or damaged"),
    "flipped": (GOOD[:3000] + b"\xff" * 400 + GOOD[3400:], "damaged"),
    "encrypted": (ENCRYPTED, "password"),
    "old xls": (OLD_XLS, ".xls"),
    "open document": (
        archive(mimetype=b"application/vnd.oasis.opendocument.text"),
        "OpenDocument",
    ),
    "plain archive": (archive(**{"a.txt": b"a"}), "not a workbook"),
    "part twice": (twice(GOOD), "twice"),
    "zip bomb": (with_parts(GOOD, {"xl/media/x.bin": b"\0" * 40_000_000}), "unpack"),
    "entity bomb": (with_parts(GOOD, {SHEET: BOMB}), "document type"),
    "broken sheet": (with_parts(GOOD, {SHEET: part(GOOD, SHEET)[:500]}), "damaged inside"),
    "no main part": (with_parts(GOOD, {"xl/workbook.xml": None}), "main part"),
    "strict": (
        with_parts(
            GOOD,
            {
                "xl/workbook.xml": part(GOOD, "xl/workbook.xml").replace(
                    b"http://schemas.openxmlformats.org/spreadsheetml/2006/main",
                    b"http://purl.oclc.org/ooxml/spreadsheetml/main",
                )
            },
        ),
        "Strict Open XML",
    ),
    "not issued": (
        edited(GOOD, lambda workbook: workbook.remove(workbook[IDENTITY])),
        "not issued",
    ),
}


@pytest.mark.parametrize("kind", sorted(BAD))
def test_one_clear_message(tmp_path: Path, kind: str) -> None:
    data, words = BAD[kind]
    path = tmp_path / "bad.xlsx"
    path.write_bytes(data)
    outcome = evaluate_file(path, tmp_path / "out.xlsx")
    assert outcome.assessment is None
    (finding,) = outcome.findings
    assert words in finding.message
    assert finding.place.file == "bad.xlsx"
    assert finding.expected
    assert finding.remedy
    assert not (tmp_path / "out.xlsx").exists()
    assert path.read_bytes() == data


def test_identity_of_another_format_or_damaged(tmp_path: Path) -> None:
    for old, new, code in (("1", "99", "other-format"), ("corrected", "x", "identity-damaged")):

        def change(workbook, old=old, new=new) -> None:  # type: ignore[no-untyped-def]
            sheet = workbook[IDENTITY]
            for row in range(2, 8):
                if sheet.cell(row, 2).value == old and sheet.cell(row, 1).value != "version":
                    sheet.cell(row, 2).value = new
                    break

        path = tmp_path / "a.xlsx"
        path.write_bytes(edited(GOOD, change))
        (finding,) = evaluate_file(path, None).findings
        assert finding.code == code


def test_a_missing_file(tmp_path: Path) -> None:
    (finding,) = evaluate_file(tmp_path / "none.xlsx", None).findings
    assert "cannot be opened" in finding.message


def test_another_practical_is_refused_when_one_is_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(filled("Sanderling"))
    (finding,) = evaluate_file(path, None, practical="wire-stretching").findings
    assert "simple-pendulum" in finding.message


def test_a_bad_file_does_not_stop_the_batch(tmp_path: Path) -> None:
    good, bad = tmp_path / "good.xlsx", tmp_path / "bad.xlsx"
    good.write_bytes(GOOD)
    bad.write_bytes(b"nonsense")
    outcomes = list(evaluate_files([bad, good, bad], tmp_path / "out", in_place=False))
    assert [o.assessment is not None for o in outcomes] == [False, True, False]


def test_two_files_of_one_name_do_not_overwrite_each_other(tmp_path: Path) -> None:
    paths = [tmp_path / folder / "a.xlsx" for folder in ("x", "y")]
    for path in paths:
        path.parent.mkdir()
        path.write_bytes(GOOD)
    first, second = evaluate_files(paths, tmp_path / "out", in_place=False)
    assert first.written is not None
    assert second.written is None
    assert "same name" in second.findings[0].message


def test_a_copy_never_lands_on_its_source(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(GOOD)
    (outcome,) = evaluate_files([path], tmp_path, in_place=False)
    assert outcome.written is None
    assert path.read_bytes() == GOOD


@pytest.mark.parametrize("lock", ["~$a.xlsx", ".~lock.a.xlsx#"])
def test_an_open_file_is_not_replaced(tmp_path: Path, lock: str) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(GOOD)
    (tmp_path / lock).write_bytes(b"")
    outcome = evaluate_file(path, path)
    assert outcome.written is None
    assert "open in a spreadsheet program" in outcome.findings[0].message
    assert path.read_bytes() == GOOD


def test_writing_is_atomic(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(b"old")

    def fail(self: Path, target: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(OSError, match="No space"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.xlsx"]


def test_permissions_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(b"old")
    path.chmod(0o640)
    write_atomically(path, b"new")
    assert path.stat().st_mode & 0o777 == 0o640
