"""The folder from which a lab PC gets the functions and buttons in Excel.

The add-in is xlwings' own template (BSD), taken from the xlwings that is installed, because its
VBA loads a library of exactly that version. Its macros stay as they are, byte for byte; the
settings sheet is filled and the ribbon replaced. Nothing here imports xlwings.
"""

from __future__ import annotations

import importlib.metadata
import importlib.resources
import importlib.util
import io
import sys
import zipfile
from collections.abc import Iterable
from pathlib import Path
from string import Template
from xml.sax.saxutils import escape

from lxml import etree
from msgspec import Struct

from sheetlab import __version__
from sheetlab.finding import Finding, Severity, SheetlabError, finding
from sheetlab.live.excel import vba
from sheetlab.live.functions import FUNCTIONS
from sheetlab.workbook.parts import packed

ADDIN = "sheetlab.xlam"
MACROS = "sheetlab.bas"
SETTINGS = "xlwings.conf"
STEPS = "STEPS.txt"
LICENCE = "xlwings-licence.txt"

PYTHON = r"C:\sheetlab\venv\Scripts\python.exe"
"""Where the steps put Python, unless another one is named."""
TEMPLATE = "quickstart_addin_ribbon.xlam"
_NO = "FALSE"
"""A truth value: xlwings' macros stop at an empty cell or a text where they expect one."""
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_RIBBON_PART = "customUI/customUI.xml"
_WORKBOOK_PART = "xl/workbook.xml"
_SETTINGS_PART = "xl/worksheets/sheet1.xml"
_VBA_PART = "xl/vbaProject.bin"


class Source(Struct, frozen=True):
    """What is taken from the xlwings that is installed."""

    version: str
    template: bytes
    licence: str


def excel_files(python: str = "") -> dict[str, bytes]:
    """Name -> content of the files for a lab PC.

    Parameters
    ----------
    python
        Path of the Python that Excel is to use; empty: this one on Windows, ``PYTHON`` elsewhere.

    Raises
    ------
    SheetlabError
        If xlwings is not installed, or has another template than the one known here.
    """
    source = _source()
    where = python or (sys.executable if sys.platform == "win32" else PYTHON)
    settings = _settings(where)
    macros = vba.module_text(FUNCTIONS.values(), __version__)
    return {
        ADDIN: _addin(source.template, settings),
        MACROS: macros.encode("ascii"),
        SETTINGS: _lines(
            f'"{key}","{value}"' for key, value in settings.items() if value and value != _NO
        ),
        STEPS: _lines(_steps(source.version, where).splitlines()),
        LICENCE: _lines(source.licence.splitlines()),
    }


def _source() -> Source:
    spec = importlib.util.find_spec("xlwings")
    if spec is None or not spec.submodule_search_locations:
        raise SheetlabError(finding("no-xlwings", Severity.STOP))
    template = Path(spec.submodule_search_locations[0]) / TEMPLATE
    if not template.is_file():
        raise SheetlabError(_other_template())
    files = importlib.metadata.files("xlwings") or []
    licence = next((f.read_text() for f in files if f.name == "LICENSE.txt"), "")
    return Source(importlib.metadata.version("xlwings"), template.read_bytes(), licence)


def _other_template() -> Finding:
    return finding("other-template", Severity.STOP)


def _settings(python: str) -> dict[str, str]:
    """Every setting that xlwings looks up, so that no file beside a workbook is asked for one."""
    return {
        "INTERPRETER_WIN": python,
        "INTERPRETER_MAC": "",
        "PYTHONPATH": "",
        "UDF MODULES": vba.FUNCTIONS_MODULE,
        # the folder of a student's workbook is no place to look for Python modules
        "ADD_WORKBOOK_TO_PYTHONPATH": "false",
        "DEBUG UDFS": _NO,
        "USE UDF SERVER": _NO,
        "SHOW CONSOLE": _NO,
        "CONDA PATH": "",
        "CONDA ENV": "",
        "LICENSE_KEY": "",
        "TEMP DIR": "%TEMP%",
        "SHOW_ERROR_POPUPS": "True",
        "ONEDRIVE_CONSUMER_WIN": "",
        "ONEDRIVE_COMMERCIAL_WIN": "",
        "SHAREPOINT_WIN": "",
    }


# -- the add-in ----------------------------------------------------------------------------------


def _addin(template: bytes, settings: dict[str, str]) -> bytes:
    with zipfile.ZipFile(io.BytesIO(template)) as archive:
        parts = {entry.filename: archive.read(entry) for entry in archive.infolist()}
    if not {_RIBBON_PART, _WORKBOOK_PART, _SETTINGS_PART, _VBA_PART} <= parts.keys():
        raise SheetlabError(_other_template())
    parts[_WORKBOOK_PART] = _active_settings(parts[_WORKBOOK_PART])
    parts[_SETTINGS_PART] = _settings_sheet(parts[_SETTINGS_PART], settings)
    parts[_RIBBON_PART] = _ribbon().encode()
    return packed(parts)


def _active_settings(workbook: bytes) -> bytes:
    """The workbook part with the settings sheet under the name that xlwings looks for."""
    root = etree.fromstring(workbook)
    sheets = list(root.iter(f"{{{_MAIN}}}sheet"))
    if [one.get("name") for one in sheets] != [f"_{vba.PROJECT}.conf"]:
        raise SheetlabError(_other_template())
    sheets[0].set("name", f"{vba.PROJECT}.conf")
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8", standalone=True)


def _settings_sheet(sheet: bytes, settings: dict[str, str]) -> bytes:
    root = etree.fromstring(sheet)
    rows = root.find(f"{{{_MAIN}}}sheetData")
    if rows is None:
        raise SheetlabError(_other_template())
    for old in list(rows):
        rows.remove(old)
    for number, pair in enumerate(settings.items(), 1):
        row = etree.SubElement(rows, f"{{{_MAIN}}}row", r=str(number))
        for column, value in zip("AB", pair, strict=True):
            if value:
                kind = "b" if value == _NO else "inlineStr"
                cell = etree.SubElement(row, f"{{{_MAIN}}}c", r=f"{column}{number}", t=kind)
                if value == _NO:
                    etree.SubElement(cell, f"{{{_MAIN}}}v").text = "0"
                else:
                    inline = etree.SubElement(cell, f"{{{_MAIN}}}is")
                    etree.SubElement(inline, f"{{{_MAIN}}}t").text = value
    dimension = root.find(f"{{{_MAIN}}}dimension")
    if dimension is not None:
        dimension.set("ref", f"A1:B{len(settings)}")
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8", standalone=True)


BUTTONS = (
    (
        "SheetlabEvaluate",
        "Evaluate",
        "MacroPlay",
        "Evaluate this workbook",
        "Puts the result sheets into the workbook in front, in place of earlier ones. "
        "Readings are not touched.",
    ),
    (
        "SheetlabMark",
        "Mark doubtful cells",
        "ReviewNewComment",
        "Mark doubtful cells",
        "Colours the cells that someone has to look at and writes the reason into a note. "
        "Formats and notes of others stay.",
    ),
    (
        "SheetlabClear",
        "Clear results",
        "Delete",
        "Clear results and marks",
        "Takes the result sheets and the marks out again.",
    ),
)
"""Macro, label, icon, tip, and what it does."""


def _ribbon() -> str:
    buttons = "\n".join(
        f'          <button id="{macro}Button" label="{escape(label)}" size="large" '
        f'imageMso="{icon}" onAction="{macro}" screentip="{escape(tip)}" '
        f'supertip="{escape(about)}"/>'
        for macro, label, icon, tip, about in BUTTONS
    )
    return f"""<?xml version="1.0" encoding="UTF-8" standalone="yes"?>
<customUI xmlns="http://schemas.microsoft.com/office/2006/01/customui">
  <ribbon>
    <tabs>
      <tab id="sheetlabTab" label="sheetlab">
        <group id="sheetlabGroup" label="This workbook">
{buttons}
        </group>
      </tab>
    </tabs>
  </ribbon>
</customUI>
"""


# -- texts ---------------------------------------------------------------------------------------


def _lines(lines: Iterable[str]) -> bytes:
    return ("\r\n".join(lines) + "\r\n").encode()


def _steps(xlwings: str, python: str) -> str:
    text = (importlib.resources.files(__package__) / "steps.txt").read_text("utf-8")
    return Template(text).substitute(
        sheetlab=__version__,
        xlwings=xlwings,
        python=python,
        addin=ADDIN,
        macros=MACROS,
        settings=SETTINGS,
        module=vba.MODULE_NAME,
        project=vba.PROJECT,
    )
