"""A practical made in Calc from the definition workbook, as a teacher does it, and then used."""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path

import openpyxl
import pytest
from calc.office import Office
from msgspec.structs import replace

from sheetlab.before import starter_text
from sheetlab.before.definition_book import definition_text, load_file, write_definition
from sheetlab.cli import main
from sheetlab.finding import SheetlabError
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import catalogue, load
from sheetlab.workbook.layout import lay_out

pytestmark = pytest.mark.calc

TEXTS = {
    "": starter_text(),
    **{name: catalogue().text(name) for name in ("simple-pendulum", "wire-stretching")},
}


@pytest.mark.parametrize("name", TEXTS)
@pytest.mark.parametrize("ending", ["xlsx", "ods"])
def test_nothing_is_lost_in_calc(office: Office, tmp_path: Path, name: str, ending: str) -> None:
    ours, saved = tmp_path / "own.xlsx", tmp_path / f"saved.{ending}"
    ours.write_bytes(write_definition(tomllib.loads(TEXTS[name])))
    office.type_in(ours, {}, saved)
    again, _ = definition_text(saved)
    one, other = (load(text, name="own.toml").definition for text in (TEXTS[name], again))
    assert replace(one, version="") == replace(other, version="")


def below(path: Path, key: str, typed: dict[str, str]) -> dict[str, str]:
    """Cells of the row below a thing, by the headings of its block, and what is typed into them."""
    place = definition_text(path)[1][key]
    sheet, row = openpyxl.load_workbook(path)[place.sheet], int(place.cell[1:])
    head = next(r for r in range(row, 0, -1) if sheet.cell(r, 1).value == "name")
    headings = {cell.value: cell.column_letter for cell in sheet[head] if cell.value}
    return {f"{headings[heading]}{row + 1}": text for heading, text in typed.items()}


def test_an_inclined_plane_made_in_calc_gives_the_g_that_went_in(
    office: Office, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new, own = tmp_path / "new.xlsx", tmp_path / "plane.ods"
    assert main(["practicals", "new", "--out", str(new)]) == 0
    places = definition_text(new)[1]
    cells: dict[str, dict[str, str]] = {}
    for key, text in {
        "title": "Inclined plane", "tables.runs.rows": "10", "instruments.scale.least_count": "0,1",
        "quantities.a.formula": "2 * 0.010 / (fall.slope * 0.01)",
    }.items():  # fmt: skip
        cells.setdefault(places[key].sheet, {})[places[key].cell] = text
    cells["Results"] |= below(new, "quantities.g", {"name": "tilt", "formula": "height / long"})
    office.type_in(new, cells, own)
    model = load_file(own)
    assert (model.definition.id, model.definition.title) == ("plane", "Inclined plane")
    assert main(["practicals", "check", str(own)]) == 0
    assert main(["issue", str(own), "--assist", "full", "--out", str(tmp_path / "issued")]) == 0
    # a cart that needs exactly what g = 9.8 m/s² says, on a track of 160 cm with a block of 8 cm
    distances = [30.0 + 12 * k for k in range(10)]
    times = [(2 * s * 160 / (980.0 * 8)) ** 0.5 for s in distances]
    plan = lay_out(model, Assist.FULL)
    fill: dict[str, list[float | str | None]] = {
        plan.name("height"): [8.0], plan.name("long"): [160.0],
        plan.name("runs.s"): list(distances),
        **{plan.name(f"runs.t.{k}"): [round(t, 9) for t in times] for k in (1, 2, 3)},
    }  # fmt: skip
    filled = tmp_path / "filled.ods"
    office.recalculate(tmp_path / "issued" / "plane.xlsx", fill=fill, save=filled)
    capsys.readouterr()
    assert main(["evaluate", str(filled), "--json", "--out", str(tmp_path / "done")]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["practical"] == "plane"
    assert told["measurand"]["value"] == pytest.approx(9.8, abs=1e-7)
    # g = a L / h, and nothing scatters: what is left are the two rectangular half-widths
    share = math.hypot(0.05 / 8, 0.1 / 160) / math.sqrt(3)
    assert told["measurand"]["standard_uncertainty"] == pytest.approx(9.8 * share, rel=1e-6)
    assert told["quantities"]["tilt"]["value"] == pytest.approx(0.05, rel=1e-12)


def test_what_a_teacher_types_wrongly_in_calc_is_told_with_its_cell(
    office: Office, tmp_path: Path
) -> None:
    new, own = tmp_path / "new.xlsx", tmp_path / "own.ods"
    new.write_bytes(write_definition(tomllib.loads(TEXTS[""])))
    places = definition_text(new)[1]
    typed = {
        "tables.runs.rows": ("=4+4", "is a formula of the spreadsheet program"),
        "inputs.height.maximum": ("#N/A", "is no number"),
        "quantities.g.plausible": ("one", "is no number"),
        "inputs.long.required": ("perhaps", "is neither yes nor no"),
    }
    cells: dict[str, dict[str, str]] = {}
    for key, (text, _) in typed.items():
        cells.setdefault(places[key].sheet, {})[places[key].cell] = text
    office.type_in(new, cells, own)
    with pytest.raises(SheetlabError) as caught:
        load_file(own)
    found = {(f.place.sheet, f.place.cell): f.found for f in caught.value.findings}
    for key, (_, told) in typed.items():
        assert told in found[places[key].sheet, places[key].cell]
    assert len(caught.value.findings) == len(typed)
