"""The house stays as drawn: imports go downwards, start-up stays light, no practical in code."""

from __future__ import annotations

import ast
import subprocess
import sys
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest
from examples import SHIPPED

PACKAGE = Path(__file__).parents[1] / "sheetlab"

ROOMS = {
    "units": 0,
    "manual": 0,
    "metrology": 1,
    "messages": 2,
    "finding": 3,
    "formula": 4,
    "practical": 5,
    "checks": 6,
    "workbook": 7,
    "handling": 8,
    "before": 9,
    "during": 10,
    "classes": 11,
    "years": 12,
    "live": 13,
    "commands": 14,
    "notebook": 14,
    "cli": 15,
    "__main__": 16,
}
"""A room may import itself and rooms below it. Metrology stands below formula because the table
of functions gives its statistics; it knows nothing of formulas."""

PURE = ("messages", "finding", "units", "metrology", "formula", "practical", "checks")
FORBIDDEN_IN_PURE = ("xlsxwriter", "openpyxl", "lxml", "zipfile", "xlwings", "argparse")


@cache
def nodes(path: Path) -> tuple[ast.AST, ...]:
    kinds = ast.Import | ast.ImportFrom | ast.Call
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return tuple(node for node in ast.walk(tree) if isinstance(node, kinds))


def imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in nodes(path):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


FILES = sorted(p for p in PACKAGE.rglob("*.py") if p.parent != PACKAGE or p.stem != "__init__")


def test_imports_go_downwards() -> None:
    assert len(FILES) > 50
    for path in FILES:
        own = room(path)
        for name in imports(path):
            if not name.startswith("sheetlab."):
                continue
            other = name.split(".")[1]
            if other == "__version__":
                continue
            assert ROOMS[other] < ROOMS[own] or other == own, f"{path} imports {name}"


def module(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def test_no_module_needs_itself() -> None:
    """Imports for types, and those inside of functions, count: they only hide a circle."""
    modules = {module(path): path for path in FILES}
    needs = {
        own: {name if name in modules else name.rpartition(".")[0] for name in imports(path)}
        for own, path in modules.items()
    }
    # without the imports of packages from outside, which cannot come back
    order = TopologicalSorter({own: names & set(modules) for own, names in needs.items()})
    order.prepare()  # raises CycleError with the circle


def test_the_core_knows_no_file_format_and_prints_nothing() -> None:
    core = [path for path in FILES if room(path) in PURE]
    assert {room(path) for path in core} >= set(PURE) - {"messages"}
    for path in core:
        roots = {name.split(".")[0] for name in imports(path)}
        assert not roots & set(FORBIDDEN_IN_PURE), path
        calls = [
            node.func.id
            for node in nodes(path)
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        ]
        assert not {"print", "eval", "exec", "compile"} & set(calls), path


def test_no_code_knows_a_practical() -> None:
    for path in FILES:
        text = path.read_text(encoding="utf-8").lower()
        for name in (*SHIPPED, "pendulum", "young", "extensometer"):
            assert name not in text, f"{path} has {name}"


def run(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout


@pytest.mark.parametrize(
    "arguments", [["--help"], ["--version"], ["evaluate", "--help"], ["practicals"]]
)
def test_help_and_the_list_load_nothing_heavy(arguments: list[str]) -> None:
    code = (
        "import sys; from sheetlab.cli import main\n"
        f"try: main({arguments!r})\n"
        "except SystemExit: pass\n"
        "print('LOADED', *[m for m in ('scipy', 'pandas', 'numpy', 'pint', 'xlsxwriter', 'lxml', "
        "'uncertainties', 'xlwings', 'watchfiles') if m in sys.modules])"
    )
    assert run(code).splitlines()[-1] == "LOADED"


def test_the_help_page_makes_no_classes() -> None:
    """What classes need to be made takes as long as Python takes to start."""
    code = (
        "import sys; from sheetlab.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "print('LOADED', *[m for m in ('dataclasses', 'msgspec', 'inspect', 'pathlib', "
        "'sheetlab.finding') if m in sys.modules])"
    )
    assert run(code).splitlines()[-1] == "LOADED"


def test_evaluation_loads_neither_scipy_nor_pandas(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path\n"
        "from sheetlab.classes.demo import fill, demo_class\n"
        "from sheetlab.practical.definition import Assist\n"
        "from sheetlab.practical.loader import catalogue\n"
        "from sheetlab.workbook.evaluate_file import evaluate_file\n"
        f"path = Path({str(tmp_path)!r}) / 'a.xlsx'\n"
        "for one in demo_class()[1][2::4]:\n"
        "    fill(catalogue(), one, path, Assist.CORRECTED)\n"
        "    assert evaluate_file(path, path).written\n"
        "print('LOADED', *[m for m in ('scipy', 'numpy.f2py', 'pandas', 'openpyxl', 'xlwings') "
        "if m in sys.modules])"
    )
    assert run(code).splitlines()[-1] == "LOADED"
