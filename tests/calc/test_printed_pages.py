"""How many pages each sheet takes when Calc prints it, and how small its letters are."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest
from calc.office import Office
from calc.printed import Page, pages, sheet_pages
from classes.groups import WIRE, fill_class
from examples import filled

from sheetlab.before.issue import issue
from sheetlab.cli import main
from sheetlab.handling.roster import Group
from sheetlab.practical.loader import catalogue
from sheetlab.workbook.graft import TITLES

pytestmark = pytest.mark.calc

LEAST = 7.0
"""Height of a line in points, which is a fifth more than the size of its letters."""


def printed(office: Office, path: Path) -> list[Page]:
    target = path.with_suffix(".pdf")
    office.to_pdf(path, target)
    return pages(target, openpyxl.load_workbook(path, read_only=True).sheetnames)


@pytest.mark.parametrize("group", ["Fulmar", "Dunlin", "Turnstone"])
def test_a_sheet_of_results_is_a_page(office: Office, tmp_path: Path, group: str) -> None:
    path = tmp_path / f"{group}.xlsx"
    path.write_bytes(filled(group))
    assert main(["evaluate", str(path), "--in-place"]) == 0
    found = printed(office, path)
    assert {page.sheet: 1 for page in found} | {"Working": 2} == sheet_pages(found)
    assert {page.sheet for page in found if page.lies} >= {"Working", "Findings"}
    assert not any(page.lies for page in found if page.sheet in ("Budget", "Lines", "Graphs"))
    assert min(page.letters for page in found if page.sheet in TITLES) > LEAST


def test_a_wide_sheet_lies(office: Office, tmp_path: Path) -> None:
    path = tmp_path / "wire.xlsx"
    path.write_bytes(filled("Avocet"))
    lying = {page.sheet: page.lies for page in printed(office, path)}
    assert lying == {
        "Start": False, "Instruments": False, "Dimensions": True, "Readings": True,
        "My result": False,
    }  # fmt: skip


@pytest.mark.parametrize("scheme", ["bench-and-sums", "quick-ten"])
def test_a_class_is_read_on_paper(office: Office, tmp_path: Path, scheme: str) -> None:
    paths = fill_class(tmp_path / "in", 12)
    paths[0].rename(paths[0].with_name("wire-stretching Sanderling.xlsx"))
    out = tmp_path / "CLASS.xlsx"
    assert main(["class", str(tmp_path / "in"), "--scheme", scheme, "--out", str(out)]) == 0
    found = printed(office, out)
    assert min(page.letters for page in found) > LEAST
    count = sheet_pages(found)
    assert count["Feedback"] == 12
    # the table, and the plot below it
    assert count["Results"] == 2
    assert {count[sheet] for sheet in ("Marks", "Set-ups", "Budget", "Open points")} == {1}
    names = sorted(path.name for path in (tmp_path / "in").iterdir())
    first = next(page for page in found if page.sheet == "Results")
    assert all(name in first.text for name in names)


@pytest.mark.parametrize("group", ["W" * 60, "Thursday afternoon " * 3, "鳥" * 60])
def test_the_texts_of_a_footer_stand_apart(office: Office, tmp_path: Path, group: str) -> None:
    (made,) = issue(catalogue(), WIRE, tmp_path, [Group(group, "W1")])
    found = printed(office, made.path)
    assert all(page.gap > 10.0 for page in found)
    assert all(group[:10] in page.text for page in found)
