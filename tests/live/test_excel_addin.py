"""The folder for a lab PC: what is in it, and what is refused."""

from __future__ import annotations

import importlib.metadata
import importlib.util
import io
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from lxml import etree
from openpyxl import load_workbook

from sheetlab import cli
from sheetlab.finding import SheetlabError
from sheetlab.live.excel import addin, commands, vba
from sheetlab.live.functions import FUNCTIONS

SPREADSHEET = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


def xlwings_folder() -> Path:
    spec = importlib.util.find_spec("xlwings")
    assert spec is not None
    assert spec.submodule_search_locations
    return Path(spec.submodule_search_locations[0])


@pytest.fixture(scope="module")
def files() -> dict[str, bytes]:
    return addin.excel_files(r"D:\Python & more\python.exe")


def parts(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert archive.testzip() is None
        return {name: archive.read(name) for name in archive.namelist()}


def settings_cells(data: bytes) -> list[tuple[object, object]]:
    """Rows of the settings sheet, read by another library (which knows no add-ins)."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, part in parts(data).items():
            archive.writestr(name, part.replace(b"ms-excel.addin.", b"ms-excel.sheet."))
    book = load_workbook(out)
    assert book.sheetnames == ["myaddin.conf"]
    return [(row[0].value, row[1].value) for row in book.active.iter_rows(max_col=2)]


def test_the_addin_is_the_template_of_xlwings_but_for_settings_and_ribbon(
    files: dict[str, bytes],
) -> None:
    ours = parts(files[addin.ADDIN])
    theirs = parts((xlwings_folder() / addin.TEMPLATE).read_bytes())
    assert list(ours) == list(theirs)
    changed = {name for name in ours if ours[name] != theirs[name]}
    assert changed == {
        "xl/workbook.xml",
        "xl/worksheets/sheet1.xml",
        "customUI/customUI.xml",
    }
    assert "xl/vbaProject.bin" in ours
    kept = etree.fromstring(ours["xl/worksheets/sheet1.xml"]).find(f"{SPREADSHEET}sheetPr")
    assert kept is not None
    assert kept.get("codeName") == "Sheet2"  # by this name the macros know the sheet


def test_the_settings_stand_where_xlwings_looks_for_them(files: dict[str, bytes]) -> None:
    rows = settings_cells(files[addin.ADDIN])
    settings = dict(rows)
    assert settings["INTERPRETER_WIN"] == r"D:\Python & more\python.exe"
    assert settings["UDF MODULES"] == "sheetlab.live.excel.functions"
    assert settings["ADD_WORKBOOK_TO_PYTHONPATH"] == "false"
    # they are declared as Boolean in the macros: an empty cell there is an error
    for name in ("DEBUG UDFS", "USE UDF SERVER", "SHOW CONSOLE"):
        assert settings[name] is False
    # xlwings reads keys from A1 down to the first empty cell
    column = [key for key, _ in rows]
    assert all(column)
    assert column == [str(key).upper() for key in column]


def test_no_setting_is_left_to_a_file_beside_a_students_workbook(files: dict[str, bytes]) -> None:
    """What the settings sheet lacks, xlwings' macros look up beside the active workbook."""
    macros = (xlwings_folder() / "xlwings_custom_addin.bas").read_text("utf-8", "replace")
    asked = set(re.findall(r'GetConfig\("([^"]+)"', macros))
    assert {"INTERPRETER_WIN", "PYTHONPATH", "LICENSE_KEY"} <= asked
    set_here = {key for key, _ in settings_cells(files[addin.ADDIN])}
    on_a_mac = {name for name in asked if name.endswith("_MAC")}
    only_if_unset = {"INTERPRETER"}  # asked for if INTERPRETER_WIN is empty
    assert asked - set_here - on_a_mac - only_if_unset == set()


def test_every_button_has_a_macro_and_every_macro_a_command(files: dict[str, bytes]) -> None:
    ribbon = etree.fromstring(parts(files[addin.ADDIN])["customUI/customUI.xml"])
    buttons = [e for e in ribbon.iter() if str(e.tag).endswith("}button")]
    actions = [button.get("onAction") for button in buttons]
    assert actions == [macro for macro, _ in vba.COMMANDS] == [b[0] for b in addin.BUTTONS]
    text = files[addin.MACROS].decode("ascii")
    for macro, command in vba.COMMANDS:
        assert f"Sub {macro}(control As IRibbonControl)" in text
        assert callable(getattr(commands, command))


def test_the_macros_call_only_what_the_template_has(files: dict[str, bytes]) -> None:
    macros = (xlwings_folder() / "xlwings_custom_addin.bas").read_text("utf-8", "replace")
    text = files[addin.MACROS].decode("ascii")
    for name, kind in (
        ("RunPython", "Public Function RunPython(PythonCommand As String)"),
        ("SheetExists", "Function SheetExists(wb As Workbook, sheetName As String) As Boolean"),
        ("XLPy", "Function XLPy()"),
    ):
        assert kind in macros
        assert name in text
    assert "Private Function SheetExists" not in macros


def test_steps_and_settings_name_the_version_and_the_path(files: dict[str, bytes]) -> None:
    steps = files[addin.STEPS].decode()
    version = importlib.metadata.version("xlwings")
    assert f"xlwings=={version}" in steps
    assert r"D:\Python & more\python.exe" in steps
    assert "$" not in steps
    assert addin.MACROS in steps
    assert addin.ADDIN in steps
    assert max(map(len, steps.splitlines())) <= 100
    for name in re.findall(r"=([A-Z_]+)\(", steps):
        assert name in FUNCTIONS
    lines = files[addin.SETTINGS].decode().splitlines()
    assert r'"INTERPRETER_WIN","D:\Python & more\python.exe"' in lines
    assert b"Redistribution" in files[addin.LICENCE]


def test_the_command_lays_the_folder_down_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "for the lab" / "excel"
    assert cli.main(["addin", "excel", "--out", str(out)]) == 0
    assert {p.name for p in out.iterdir()} == set(addin.excel_files())
    assert "STEPS.txt" in capsys.readouterr().out
    before = {p: p.read_bytes() for p in out.iterdir()}
    assert cli.main(["addin", "excel", "--out", str(out), "--python", "x"]) == 2
    assert "is not an empty folder" in capsys.readouterr().err
    assert {p: p.read_bytes() for p in out.iterdir()} == before
    assert cli.main(["addin", "excel", "--out", str(out / "STEPS.txt")]) == 2
    assert "is not an empty folder" in capsys.readouterr().err


@pytest.mark.parametrize("there", ["STEPS.txt", "marks.xlsx"])
def test_a_folder_with_a_file_in_it_is_left_as_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], there: str
) -> None:
    (tmp_path / there).write_bytes(b"mine")
    assert cli.main(["addin", "excel", "--out", str(tmp_path)]) == 2
    assert "is not an empty folder" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == [there]
    assert (tmp_path / there).read_bytes() == b"mine"


def test_the_same_folder_comes_out_each_time(files: dict[str, bytes]) -> None:
    assert addin.excel_files(r"D:\Python & more\python.exe") == files


def test_without_xlwings_the_command_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    assert cli.main(["addin", "excel", "--out", str(tmp_path / "new")]) == 2
    assert "pip install" in capsys.readouterr().err
    assert not (tmp_path / "new").exists()


def test_another_template_is_refused() -> None:
    template = (xlwings_folder() / addin.TEMPLATE).read_bytes()
    for part, old, new in (
        ("xl/workbook.xml", b"_myaddin.conf", b"_other.conf"),
        ("xl/vbaProject.bin", None, None),
    ):
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w") as archive:
            for name, data in parts(template).items():
                if name != part:
                    archive.writestr(name, data)
                elif old is not None and new is not None:
                    archive.writestr(name, data.replace(old, new))
        with pytest.raises(SheetlabError, match="another template"):
            addin._addin(out.getvalue(), {"A": "1"})


@pytest.mark.slow
def test_nothing_imports_xlwings_that_does_not_have_to() -> None:
    code = (
        "import sys\n"
        "from sheetlab.cli import main\n"
        "from sheetlab.live.excel import addin, commands, program, vba\n"
        "addin.excel_files()\n"
        "print(*[m for m in sys.modules if m.startswith('xlwings')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


def test_only_the_free_part_of_xlwings_is_named() -> None:
    folder = Path(addin.__file__).parent
    for path in folder.glob("*.py"):
        text = path.read_text("utf-8")
        assert "xlwings.pro" not in text
        assert "xlwings.server" not in text
