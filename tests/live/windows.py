"""xlwings' own Windows code, on any machine: pywin32 is stubbed, Excel's ranges are played.

What is real: the decorators, the conversion of arguments and results, the texts of the VBA
wrappers. What is played: the COM objects that Excel would hand over. Their values are those that
Excel's documentation gives for ``Range.Value``: a single cell is a scalar, a range a tuple of
tuples; an empty cell ``None``; a number a float, with the format of a currency a ``Decimal``; an
error a number of its own.
"""

from __future__ import annotations

import ctypes
import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType, SimpleNamespace
from typing import Any
from unittest.mock import MagicMock, patch

STUBBED = (
    "pythoncom",
    "pywintypes",
    "win32api",
    "win32con",
    "win32event",
    "win32gui",
    "win32process",
    "win32timezone",
    "win32com",
    "win32com.client",
    "win32com.server",
    "win32com.server.dispatcher",
    "win32com.server.policy",
    "win32com.server.util",
)
RANGE = "{00020846-0000-0000-C000-000000000046}"
MISSING = -2147352572
"""What Excel hands over for an argument that was left out."""
DIVISION_BY_ZERO = -2146826281
SPILL = -2146826243
"""An error that is newer than xlwings' list."""


class Played(ModuleType):
    """A module that has whatever is asked of it."""

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        value = MagicMock(name=f"{self.__name__}.{name}")
        setattr(self, name, value)
        return value


@contextmanager
def xlwings_of_windows() -> Iterator[SimpleNamespace]:
    """xlwings' modules ``udfs`` and ``_xlwindows``, and our functions decorated by them."""
    import xlwings as xw

    kept = {name: sys.modules.get(name) for name in STUBBED}
    stubs: dict[str, Any] = {name: Played(name) for name in STUBBED}
    for name, stub in stubs.items():
        stub.__path__, stub.__file__ = [], name
        parent, _, child = name.rpartition(".")
        if parent:
            setattr(stubs[parent], child, stub)
    stubs["pywintypes"].TimeType = type("TimeType", (), {})
    stubs["pywintypes"].com_error = type("com_error", (Exception,), {})
    stubs["pywintypes"].IID = str
    stubs["win32process"].GetWindowThreadProcessId = lambda window: (0, window)
    for name in ("CDispatch", "CoClassBaseClass", "DispatchBaseClass"):
        setattr(stubs["win32com.client"], name, type(name, (), {}))
    stubs["win32com.server.policy"].BasicWrapPolicy = type("BasicWrapPolicy", (), {})
    loader = [name for name in ("oledll", "windll") if not hasattr(ctypes, name)]
    plain = {name: getattr(xw, name) for name in ("func", "arg", "ret")}
    try:
        sys.modules.update(stubs)
        for name in loader:
            setattr(ctypes, name, MagicMock())
        with patch.object(ctypes, "PyDLL", MagicMock()):
            windows = importlib.import_module("xlwings._xlwindows")
        udfs = importlib.import_module("xlwings.udfs")
        if "excel" not in [engine.name for engine in xw.engines]:
            xw.engines.add(xw.Engine(impl=windows.engine))
        xw.func, xw.arg, xw.ret = udfs.xlfunc, udfs.xlarg, udfs.xlret
        sys.modules.pop("sheetlab.live.excel.functions", None)
        functions = importlib.import_module("sheetlab.live.excel.functions")
        yield SimpleNamespace(udfs=udfs, windows=windows, functions=functions)
    finally:
        for name, value in plain.items():
            setattr(xw, name, value)
        for name in loader:
            delattr(ctypes, name)
        sys.modules.pop("sheetlab.live.excel.functions", None)
        for name, module in kept.items():
            if module is None:
                sys.modules.pop(name, None)
            else:
                sys.modules[name] = module


class PlayedRange:
    """A range as COM hands it to a function."""

    def __init__(self, rows: tuple[tuple[Any, ...], ...]) -> None:
        self.Value = rows if len(rows) > 1 or len(rows[0]) > 1 else rows[0][0]
        self.Row = self.Column = 1
        self.Rows = SimpleNamespace(Count=len(rows))
        self.Columns = SimpleNamespace(Count=len(rows[0]))
        book = SimpleNamespace(Application=SimpleNamespace(Hwnd=1))
        self.Worksheet = SimpleNamespace(Parent=book)
        kind = SimpleNamespace(GetTypeAttr=lambda: SimpleNamespace(iid=RANGE))
        self._oleobj_ = SimpleNamespace(GetTypeInfo=lambda: kind)


def played(value: Any) -> Any:
    """An argument of an example as Excel would hand it over: columns as ranges, texts as texts."""
    if value is None:
        return MISSING
    if isinstance(value, tuple):
        return PlayedRange(tuple(row if isinstance(row, tuple) else (row,) for row in value))
    return value
