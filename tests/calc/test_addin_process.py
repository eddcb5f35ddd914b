"""The add-in for Calc without Calc: its file, and the process that does the work."""

from __future__ import annotations

import ast
import io
import json
import subprocess
import sys
import types
import zipfile
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from lxml import etree

import sheetlab
from sheetlab.cli import main
from sheetlab.finding import Severity
from sheetlab.live.calc.extension import REMEDY, extension
from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.inplace import RULES, Doubt, is_own_note, marks
from sheetlab.live.library import call
from sheetlab.workbook.graft import RESULT_NAME, is_own_name

COMPONENT = files("sheetlab.live.calc").joinpath("component.py").read_text(encoding="utf-8")


class Anything(types.ModuleType):
    """Stands for a module of LibreOffice's Python."""

    def __getattr__(self, name: str) -> Any:
        if name == "ImplementationHelper":
            return lambda: types.SimpleNamespace(addImplementation=lambda *_: None)
        if name.startswith("__"):
            raise AttributeError(name)
        return type(name, (), {})


@pytest.fixture
def component(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    for name in ("uno", "unohelper", "org", "org.sheetlab", "com", "com.sun", "com.sun.star"):
        monkeypatch.setitem(sys.modules, name, Anything(name))
    for part in ("beans", "document", "frame", "lang", "task"):
        monkeypatch.setitem(sys.modules, f"com.sun.star.{part}", Anything(part))
    with zipfile.ZipFile(io.BytesIO(extension())) as archive:
        archive.extractall(tmp_path)
    found: dict[str, Any] = {"__file__": str(tmp_path / "component.py"), "__name__": "component"}
    exec(compile(COMPONENT, "component.py", "exec"), found)
    return found


@pytest.fixture
def process(component: dict[str, Any]) -> Iterator[Any]:
    running = component["PROCESS"]
    yield running
    running.stop()


def ask(process: Any, name: str, *values: object) -> Any:
    return process.ask({"do": "call", "name": name, "values": list(values)})["value"]


def test_the_component_is_python_that_old_offices_have() -> None:
    ast.parse(COMPONENT, feature_version=(3, 7))
    imported = {
        node.module if isinstance(node, ast.ImportFrom) else node.names[0].name
        for node in ast.walk(ast.parse(COMPONENT))
        if isinstance(node, ast.Import | ast.ImportFrom)
    }
    assert not [name for name in imported if str(name).startswith("sheetlab")]


@pytest.mark.parametrize(
    ("formula", "expected"),
    [
        ("=LEAST_COUNT(0.5;50)+SUM (A1:B2)", True),
        ("=IF(\nA1>0\n;LEAST_COUNT(0.5;50)\n;0)", True),
        ('=LEAST_COUNT(1;2)&DDE("soffice";"a.ods";"x")', False),
        # a name of three letters is no column where a bracket follows, on the next line too
        ('=LEAST_COUNT(1;2)&DDE\n("soffice";"a.ods";"x")', False),
        ('=LEAST_COUNT(1;2)&DDE \n ("soffice";"a.ods";"x")', False),
        ("=LEAST_COUNT('file:///a.ods'#$Sheet1.A1;2)", False),
    ],
)
def test_only_what_calculates_is_entered_again(
    component: dict[str, Any], formula: str, expected: bool
) -> None:
    assert component["harmless"](formula, {}) is expected


def test_calc_knows_its_own_as_excel_does(component: dict[str, Any]) -> None:
    assert component["RULES"] == RULES
    assert not any("(" in rule for rule in RULES.values())  # no function: Excel translates them
    (mark,) = marks([Doubt("Readings", "D11", Severity.STOP, "It is empty.")])
    for text in (mark.note, f"{mark.note} Mine.", f"Mine: {mark.note}", "sheet and lab"):
        assert component["ours"](text) == is_own_note(text) == (text == mark.note)
    for name in (f"{RESULT_NAME}1", f"{RESULT_NAME}12".upper(), "sheetlab_result", "readings"):
        known = component["RESULT_NAME"].fullmatch(name) is not None
        assert known == is_own_name(name) == ("_1" in name)


@pytest.mark.slow
def test_calls_are_answered_and_a_killed_process_is_replaced(process: Any) -> None:
    assert ask(process, "LEAST_COUNT", 0.5, 50.0) == 0.01
    first = process.child
    first.kill()
    first.wait()
    assert ask(process, "LEAST_COUNT", [[0.5]], [[50.0]]) == 0.01
    assert process.child.pid != first.pid
    # killed between the look whether it runs and the answer: the same call is made again
    process.start = lambda: None if process.child else type(process).start(process)
    process.child.kill()
    process.child.wait()
    assert ask(process, "LEAST_COUNT", 1.0, 100.0) == 0.01


def test_the_process_ends_with_its_input_and_takes_its_folder_along() -> None:
    code = "from sheetlab.live.calc.server import main; print('noise'); main()"
    environment = {"PYTHONPATH": str(Path(sheetlab.__file__).parents[1])}
    requests = [
        {"do": "folder"},
        {"do": "nonsense"},
        {"do": "call", "name": "LEAST_COUNT", "values": [0.5, 50.0]},
        # Calc gives 0 for a reference to an empty cell; where a text belongs that is no value
        {"do": "call", "name": "MEAN_TYPE_A", "values": [[[1.0], [2.0], [4.0]], 0.0, 0.0]},
    ]
    done = subprocess.run(
        [sys.executable, "-c", code],
        input="".join(json.dumps(one) + "\n" for one in requests),
        capture_output=True,
        text=True,
        check=True,
        env=environment,
        timeout=60,
    )
    greeting, folder, nonsense, answer, mean = map(json.loads, done.stdout.splitlines())
    assert greeting == {"sheetlab": sheetlab.__version__}
    assert "nonsense" in nonsense["refused"]
    assert answer == {"value": 0.01}
    expected = call(FUNCTIONS, "MEAN_TYPE_A", [[[1.0], [2.0], [4.0]]])
    assert mean == {"value": [list(row) for row in expected]}  # type: ignore[union-attr]
    assert not Path(folder["folder"]).exists()


def test_a_missing_environment_is_told_with_the_remedy(
    component: dict[str, Any], tmp_path: Path
) -> None:
    process = component["PROCESS"]
    process.settings["python"] = str(tmp_path / "gone" / "python")
    with pytest.raises(component["UnavailableError"]) as told:
        ask(process, "LEAST_COUNT", 0.5, 50.0)
    assert str(tmp_path / "gone" / "python") in str(told.value)
    assert REMEDY in str(told.value)


def shell(path: Path, text: str) -> str:
    path.write_text(f"#!/bin/sh\n{text}\n", encoding="utf-8")
    path.chmod(0o755)
    return str(path)


@pytest.mark.skipif(sys.platform == "win32", reason="the false interpreters are shell scripts")
def test_an_environment_without_sheetlab_is_told_once(
    component: dict[str, Any], tmp_path: Path
) -> None:
    process = component["PROCESS"]
    count = tmp_path / "count"
    process.settings["python"] = shell(tmp_path / "python", f"echo started >> '{count}'; exit 1")
    for _ in range(20):  # as many cells
        with pytest.raises(component["UnavailableError"], match=r"-m sheetlab\.live\.calc\.server"):
            ask(process, "LEAST_COUNT", 0.5, 50.0)
    assert count.read_text(encoding="utf-8").count("started") == 1


@pytest.mark.skipif(sys.platform == "win32", reason="the false interpreters are shell scripts")
def test_a_call_that_hangs_is_given_up(component: dict[str, Any], tmp_path: Path) -> None:
    process = component["PROCESS"]
    process.settings["python"] = shell(tmp_path / "python", 'echo "{}"; exec sleep 600')
    process.settings["call_seconds"] = 0.2
    with pytest.raises(component["UnavailableError"], match=r"no answer after 0\.2 seconds"):
        ask(process, "LEAST_COUNT", 0.5, 50.0)
    assert process.child is None


def test_the_file_holds_what_calc_asks_for() -> None:
    data = extension()
    assert data == extension()
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    manifest = parts["META-INF/manifest.xml"].decode()
    for name, content in parts.items():
        if name.endswith(".xcu"):
            etree.fromstring(content)
            assert f'full-path="{name}"' in manifest
    settings = json.loads(parts["settings.json"])
    assert settings["python"] == sys.executable
    described = etree.fromstring(parts["CalcAddIns.xcu"])
    name = "{http://openoffice.org/2001/registry}name"
    texts = {node.get(name): "".join(node.itertext()) for node in described.iter("node")}
    for one in FUNCTIONS.values():
        assert one.help in texts[one.id]
        for argument in one.arguments:
            assert argument.help in texts[one.id]


def test_the_command_writes_it_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "sheetlab.oxt"
    assert main(["addin", "calc", "--out", str(target)]) == 0
    assert "Extension Manager" in capsys.readouterr().out
    assert target.read_bytes() == extension()
    assert main(["addin", "calc", "--out", str(target)]) == 2
