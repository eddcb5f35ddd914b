"""A workbook that LibreOffice Calc has open and saves while the folder is watched."""

from __future__ import annotations

from pathlib import Path

import pytest
from calc.office import Office
from during.watching import Watching
from examples import filled, typed

pytestmark = pytest.mark.calc

COLUMN = "readings.up.1.main"


@pytest.mark.parametrize("options", [[], ["--poll"]])
def test_calc_saves_into_the_watched_folder(
    office: Office, tmp_path: Path, options: list[str]
) -> None:
    folder = tmp_path / "shared"
    folder.mkdir()
    path = folder / "bench.xlsx"
    path.write_bytes(filled("Avocet"))
    with Watching(folder, *options) as running:
        running.shows("Y = (108 ± 5) GPa")
        readings = list(typed("Avocet")[COLUMN])
        for slip, words in ((9.0, "Readings C"), (None, "Y = (108 ± 5) GPa")):
            mark = len(running.text)
            changed = [*readings]
            if slip is not None:
                changed[4] = slip
            office.recalculate(path, {f"in_{COLUMN.replace('.', '_')}": changed}, save=path)
            running.shows(words, 10, mark)
            assert not any("cut short" in line for line in running.text.splitlines())
        assert running.stop() == 0
    assert [p.name for p in folder.iterdir()] == ["bench.xlsx"]
