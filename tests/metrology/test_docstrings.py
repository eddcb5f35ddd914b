"""What a reader must find in a docstring of the science: shapes, units, errors."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable, Iterator, Sequence
from types import FunctionType, ModuleType
from typing import Any

import pytest

import sheetlab.metrology


def _public(module: ModuleType) -> Iterator[tuple[str, FunctionType]]:
    """Functions, methods and properties that the module itself defines."""
    for name, member in vars(module).items():
        if name.startswith("_") or getattr(member, "__module__", None) != module.__name__:
            continue
        if inspect.isfunction(member):
            yield name, member
        elif inspect.isclass(member):
            for part, value in vars(member).items():
                function = value.fget if isinstance(value, property) else value
                if not part.startswith("_") and inspect.isfunction(function):
                    yield f"{name}.{part}", function


def _faults(function: Callable[..., Any]) -> list[str]:
    text = inspect.getdoc(function)
    if not text:
        return ["no docstring"]
    signature = inspect.signature(function)
    # annotations are text, because every module postpones them
    taken = [str(p.annotation) for p in signature.parameters.values()]
    faults = []
    if any(re.search(r"\b(Sequence|Pairs)\b", a) for a in taken) and not re.search(
        "shape|pairs", text, re.IGNORECASE
    ):
        faults.append("no shape")
    if "raise ValueError" in inspect.getsource(function) and not re.search(
        r"^Raises\n-{6}\nValueError$", text, re.MULTILINE
    ):
        faults.append("no Raises")
    if any(
        re.search(r"\bfloat\b", a) for a in [*taken, str(signature.return_annotation)]
    ) and not re.search(r"\b(unit|number|probability|factor)s?\b", text, re.IGNORECASE):
        faults.append("no unit")
    return faults


_MODULES = [m.name for m in pkgutil.iter_modules(sheetlab.metrology.__path__)]
_FUNCTIONS = {
    f"{name}.{path}": function
    for name in _MODULES
    for path, function in _public(importlib.import_module(f"sheetlab.metrology.{name}"))
}


@pytest.mark.parametrize("name", _FUNCTIONS)
def test_docstring_says_what_a_caller_needs(name: str) -> None:
    assert _faults(_FUNCTIONS[name]) == []


def test_functions_methods_and_properties_are_looked_at() -> None:
    assert {
        "line.fit_line",
        "line.LineFit.at",
        "budget.Source.half_width",
        "montecarlo.propagate",
    } <= set(_FUNCTIONS)
    # what a module imports is judged where it is defined
    assert "linetests.fit_line" not in _FUNCTIONS


def _bare(x: Sequence[float]) -> float:
    """Sum of what is given."""
    if not x:
        raise ValueError("nothing")
    return sum(x)


def _silent(x: float) -> float:
    return x


def test_faults_are_seen() -> None:
    assert _faults(_bare) == ["no shape", "no Raises", "no unit"]
    assert _faults(_silent) == ["no docstring"]
