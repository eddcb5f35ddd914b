"""The plan and its risk sheet print on a page each."""

from __future__ import annotations

import subprocess
from itertools import product
from pathlib import Path

import pytest
from calc.office import Office
from examples import SHIPPED

from sheetlab.before.plan import make_plan
from sheetlab.before.plan_pages import write_plan
from sheetlab.practical.loader import catalogue
from sheetlab.practical.profile import BUILT_IN

pytestmark = pytest.mark.calc


def test_a_page_each(office: Office, tmp_path: Path) -> None:
    # a profile adds lines to the fullest page
    for name, profile in product(SHIPPED, (None, BUILT_IN["school-maximum"])):
        path, pdf = tmp_path / f"{name}.xlsx", tmp_path / f"{name}.pdf"
        path.write_bytes(write_plan(make_plan(catalogue(), name, profile=profile), 0.05))
        office.to_pdf(path, pdf)
        for page, words in ((1, "What was assumed"), (2, "Signature")):
            command = ["pdftotext", "-f", str(page), "-l", str(page), str(pdf), "-"]
            out = subprocess.run(command, capture_output=True, text=True, check=True).stdout
            assert words in out
        info = subprocess.run(["pdfinfo", str(pdf)], capture_output=True, text=True, check=True)
        assert "Pages:           2" in info.stdout
        assert "A4" in info.stdout
