"""The extension file of LibreOffice: everything in it is made from the list of functions."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping
from importlib.resources import files
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import sheetlab
from sheetlab.live.calc.typelibrary import Method, type_library
from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.inplace import COLOURS, NOTE, RULES, TAIL
from sheetlab.live.library import PART, Argument, Function
from sheetlab.workbook.book import zipped
from sheetlab.workbook.graft import RESULT_NAME

IDENTIFIER = "org.sheetlab.calc"
INTERFACE = "org.sheetlab.XFunctions"
SERVICE = "org.sheetlab.Functions"
REMEDY = (
    "In an environment that has sheetlab, “sheetlab addin calc --out sheetlab.oxt” makes a new "
    "add-in; add it with Tools > Extension Manager."
)
MENU = (
    ("evaluate", "Evaluate this workbook"),
    ("check", "Check readings"),
    ("clear", "Clear results"),
)
_HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
_SPACES = (
    'xmlns:oor="http://openoffice.org/2001/registry" xmlns:xs="http://www.w3.org/2001/XMLSchema"'
)
_CONFIGURATION = "application/vnd.sun.star.configuration-data"


def extension(python: Path | None = None, patience: Mapping[str, float] | None = None) -> bytes:
    """The file that LibreOffice's extension manager takes.

    Parameters
    ----------
    python
        The interpreter that does the work; this one, if none is named.
    patience
        Seconds to wait, other than the usual: ``start_seconds``, ``call_seconds``,
        ``evaluate_seconds``.
    """
    settings = {
        "python": str(python or sys.executable),
        "folder": str(Path(sheetlab.__file__).parents[1]),
        "version": sheetlab.__version__,
        "functions": {one.id: gives_block(one) for one in FUNCTIONS.values()},
        "remedy": REMEDY,
        "result_name": RESULT_NAME,
        "note": NOTE,
        "tail": TAIL,
        "rules": RULES,
        "colours": COLOURS,
        "start_seconds": 60.0,
        "call_seconds": 30.0,
        "evaluate_seconds": 300.0,
        **(patience or {}),
    }
    configuration = {
        "CalcAddIns.xcu": _add_in(FUNCTIONS.values()),
        "Addons.xcu": _menu(),
        "ProtocolHandler.xcu": _protocol(),
        "Jobs.xcu": _job(),
    }
    component = files("sheetlab.live.calc").joinpath("component.py").read_bytes()
    parts = {
        "META-INF/manifest.xml": _manifest(configuration).encode(),
        "description.xml": _description().encode(),
        "functions.rdb": type_library(INTERFACE, methods()),
        "component.py": component,
        "settings.json": json.dumps(settings, indent=1, ensure_ascii=False).encode(),
        **{name: text.encode() for name, text in configuration.items()},
    }
    return zipped(parts)


def gives_block(one: Function) -> bool:
    """Whether a function may give several cells; Calc wants to know before it calls."""
    several = any(isinstance(example.expected, tuple) for example in one.examples)
    return several or (bool(one.arguments) and one.arguments[-1].id == PART)


def methods() -> dict[str, Method]:
    """The methods of the add-in, one a function."""
    return {
        one.id: Method([_bare(a) for a in one.arguments], gives_block(one))
        for one in FUNCTIONS.values()
    }


def _bare(one: Argument) -> str:
    """Name of an argument in the type library, where small letters and underscores do not mix."""
    return one.id.replace("_", "")


def _manifest(configuration: Iterable[str]) -> str:
    entries = [
        ("functions.rdb", "application/vnd.sun.star.uno-typelibrary;type=RDB"),
        ("component.py", "application/vnd.sun.star.uno-component;type=Python"),
        *((name, _CONFIGURATION) for name in configuration),
    ]
    lines = [
        f'<manifest:file-entry manifest:full-path="{name}" manifest:media-type="{kind}"/>'
        for name, kind in entries
    ]
    return "\n".join(
        (
            f'{_HEAD}<manifest:manifest xmlns:manifest="http://openoffice.org/2001/manifest">',
            *lines,
            "</manifest:manifest>\n",
        )
    )


def _description() -> str:
    return (
        f'{_HEAD}<description xmlns="http://openoffice.org/extensions/description/2006">\n'
        f'<identifier value="{IDENTIFIER}"/>\n'
        f'<version value="{sheetlab.__version__}"/>\n'
        '<display-name><name lang="en">sheetlab: readings, lines and uncertainties</name>'
        "</display-name>\n"
        '<publisher><name lang="en">The sheetlab authors</name></publisher>\n'
        "</description>\n"
    )


def _data(name: str, content: str) -> str:
    return (
        f'{_HEAD}<oor:component-data {_SPACES} oor:name="{name}" '
        f'oor:package="org.openoffice.Office">\n{content}\n</oor:component-data>\n'
    )


def _node(name: str, content: str) -> str:
    return f'<node oor:name={quoteattr(name)} oor:op="replace">{content}</node>'


def _text(name: str, text: str) -> str:
    return (
        f'<prop oor:name="{name}" oor:type="xs:string">'
        f'<value xml:lang="en">{escape(text)}</value></prop>'
    )


def _plain(name: str, text: str) -> str:
    return f'<prop oor:name="{name}" oor:type="xs:string"><value>{escape(text)}</value></prop>'


def _add_in(functions: Iterable[Function]) -> str:
    listed = "\n".join(_node(one.id, _function(one)) for one in functions)
    inner = f'<node oor:name="AddInFunctions">\n{listed}\n</node>'
    return _data("CalcAddIns", f'<node oor:name="AddInInfo">{_node(SERVICE, inner)}</node>')


def _function(one: Function) -> str:
    arguments = "".join(_node(_bare(a), _argument(a)) for a in one.arguments)
    return (
        _text("DisplayName", one.id)
        + _text("Description", f"{one.title}. {one.help}")
        + _plain("Category", "Add-In")
        + _text("CompatibilityName", one.id)
        + f'<node oor:name="Parameters">{arguments}</node>'
    )


def _argument(one: Argument) -> str:
    choices = f" One of {', '.join(one.choices)}." if one.choices else ""
    optional = " May be left out." if one.optional else ""
    return _text("DisplayName", one.id) + _text("Description", f"{one.help}{choices}{optional}")


def _menu() -> str:
    entries = "".join(
        _node(
            f"m{k}",
            _plain("URL", f"org.sheetlab:{command}")
            + _text("Title", title)
            + _plain("Target", "_self"),
        )
        for k, (command, title) in enumerate(MENU, 1)
    )
    menu = _node(
        "org.sheetlab.menu",
        _text("Title", "sheetlab")
        + _plain("Context", "com.sun.star.sheet.SpreadsheetDocument")
        + f'<node oor:name="Submenu">{entries}</node>',
    )
    bar = f'<node oor:name="OfficeMenuBar">{menu}</node>'
    return _data("Addons", f'<node oor:name="AddonUI">{bar}</node>')


def _protocol() -> str:
    protocols = (
        '<prop oor:name="Protocols" oor:type="oor:string-list"><value>org.sheetlab:*</value></prop>'
    )
    handlers = f'<node oor:name="HandlerSet">{_node("org.sheetlab.Commands", protocols)}</node>'
    return _data("ProtocolHandler", handlers)


def _job() -> str:
    # when it is loaded it has no window yet, in which a bar could stand
    job = _node("org.sheetlab.Loaded", _plain("Service", "org.sheetlab.Loaded"))
    event = (
        '<node oor:name="OnViewCreated" oor:op="fuse"><node oor:name="JobList">'
        f"{_node('org.sheetlab.Loaded', '')}</node></node>"
    )
    return _data(
        "Jobs", f'<node oor:name="Jobs">{job}</node><node oor:name="Events">{event}</node>'
    )
