"""What people add to a workbook in Calc is there after the evaluation, for Calc too."""

from __future__ import annotations

from pathlib import Path

import pytest
from calc.office import Office
from examples import filled
from workbook.audit import findings
from workbook.rich import picture, rich
from workbook.test_graft import EDITED, changed, parts

from sheetlab.workbook.evaluate_file import evaluate_file

pytestmark = pytest.mark.calc


def test_photos_text_boxes_comments_and_charts_made_in_calc_survive(
    office: Office, tmp_path: Path
) -> None:
    plain, photo = tmp_path / "plain.xlsx", tmp_path / "photo.png"
    plain.write_bytes(filled("Avocet"))
    photo.write_bytes(picture())
    source, target = tmp_path / "made.xlsx", tmp_path / "out.xlsx"
    office.call("decorate", path=str(plain), picture=str(photo), save=str(source))
    first = office.call("shapes", path=str(source))
    assert any("the wire slipped" in text for text in first[1])
    assert first[2] == first[3] == 1
    outcome = evaluate_file(source, target)
    assert outcome.written == target
    before, after = parts(source), parts(target)
    assert changed(before, after) <= EDITED
    assert any(name.startswith("xl/media/") for name in before)
    assert office.call("shapes", path=str(target)) == first
    assert not [cell for cell in office.formulas(target) if cell[3]]


@pytest.mark.parametrize("macros", [False, True])
def test_a_workbook_full_of_strange_parts_still_opens(
    office: Office, tmp_path: Path, macros: bool
) -> None:
    source = tmp_path / ("made.xlsm" if macros else "made.xlsx")
    source.write_bytes(rich(filled("Avocet"), macros))
    first = office.call("shapes", path=str(source))
    assert evaluate_file(source, source).written == source
    assert office.call("shapes", path=str(source)) == first
    assert first[3] == 1


def test_what_calc_saved_after_an_evaluation_gets_no_finding_from_the_next(
    office: Office, tmp_path: Path
) -> None:
    source, saved, target = (tmp_path / name for name in ("a.xlsx", "saved.xlsx", "out.xlsx"))
    source.write_bytes(filled("Fulmar"))
    assert evaluate_file(source, source).written == source
    office.type_in(source, {}, saved)
    of_calc = findings(saved)
    assert evaluate_file(saved, target).written == target
    assert findings(target) <= of_calc


def test_an_ods_is_not_touched(office: Office, tmp_path: Path) -> None:
    plain, photo = tmp_path / "plain.xlsx", tmp_path / "photo.png"
    plain.write_bytes(filled("Avocet"))
    photo.write_bytes(picture())
    source = tmp_path / "made.ods"
    office.call("decorate", path=str(plain), picture=str(photo), save=str(source))
    before = source.read_bytes()
    outcome = evaluate_file(source, source)
    assert source.read_bytes() == before
    assert outcome.assessment is not None
    assert outcome.assessment.status == "ok"


@pytest.mark.parametrize("ending", ["xlsx", "ods"])
def test_rows_and_columns_inserted_and_sheets_renamed_in_calc(
    office: Office, tmp_path: Path, ending: str
) -> None:
    plain, path = tmp_path / "a.xlsx", tmp_path / f"moved.{ending}"
    plain.write_bytes(filled("Avocet"))
    office.call("rearranged", path=str(plain), save=str(path))
    values = [
        outcome.assessment.evaluation.measurand.budget.value
        for outcome in (evaluate_file(plain, None, trials=0), evaluate_file(path, None, trials=0))
    ]
    assert values[0] == values[1]
    codes = {finding.code for finding in evaluate_file(path, None, trials=0).findings}
    assert codes == {"protection-removed"}
