"""The same inputs give the same bytes: in another process, order, time zone, language and hash."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from examples import filled
from workbook.odf import open_document

from sheetlab.cli import main

HERE = Path(__file__).parent
CHILD = HERE / "reproduce.py"
WORLDS = [
    {"PYTHONHASHSEED": "1", "LC_ALL": "C.UTF-8", "OMP_NUM_THREADS": "1"},
    {"PYTHONHASHSEED": "77", "LC_ALL": "de_DE.UTF-8", "COLUMNS": "40", "OMP_NUM_THREADS": "2"},
]


def digests(tmp_path: Path, inputs: Path, number: int, zone: str) -> dict[str, str]:
    environment = {
        **os.environ, **WORLDS[number], "TZ": zone,
        "PYTHONPATH": f"{HERE.parent}{os.pathsep}{HERE}",
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, CHILD, inputs, tmp_path / f"work{number}",
         ("forwards", "backwards")[number]],
        capture_output=True, text=True, check=True, env=environment,
    )  # fmt: skip
    return json.loads(done.stdout)  # type: ignore[no-any-return]


@pytest.mark.slow
def test_every_command_writes_the_same_bytes_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    inputs = tmp_path / "inputs"
    inputs.mkdir()
    for i, group in enumerate(("Avocet", "Fulmar", "Petrel", "Sanderling")):
        path = inputs / f"{group}.xlsx"
        path.write_bytes(filled(group))
        os.utime(path, (1_770_000_000 + i, 1_770_000_000 + i))
    (inputs / "Dunlin.ods").write_bytes(open_document(filled("Avocet")))
    os.utime(inputs / "Dunlin.ods", (1_770_000_000, 1_770_000_000))
    archive = tmp_path / "made" / "DEP.sqlite"
    archive.parent.mkdir()
    assert main(["archive", "add", str(inputs), "--archive", str(archive), "--year", "2026"]) == 0
    capsys.readouterr()
    for path in archive.parent.iterdir():
        if path.suffix in (".xlsx", ".sqlite"):
            path.rename(inputs / path.name)
    first = digests(tmp_path, inputs, 0, "UTC")
    time.sleep(2.1)  # a clock in a file (of an archive: steps of two seconds) would show
    second = digests(tmp_path, inputs, 1, "Pacific/Auckland")
    assert len(first) > 18
    assert set(first) == set(second)
    # when a hand-in was saved is told in the time of the place, in the workbook of the class
    assert {name for name in first if first[name] != second[name]} <= {"class.xlsx"}
    third = digests(tmp_path / "again", inputs, 1, "UTC")
    assert [name for name in first if first[name] != third[name]] == []
