"""Make the pictures of the README from the demo: python tests/pictures/make.py

Needs LibreOffice Calc with python3-uno, poppler-utils, and ImageMagick for cropping.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from calc.office import Office  # noqa: E402

from sheetlab.classes.demo import EVALUATED, run_demo  # noqa: E402
from sheetlab.practical.loader import catalogue  # noqa: E402

PAGES = {"start": 1, "readings": 4, "evaluation": 6, "graphs": 11}
"""Page of the printed workbook for each picture."""


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        first = next(
            outcome.written
            for _, outcome in run_demo(catalogue(), folder / "demo")
            if outcome.assessment is not None and outcome.assessment.status == "doubtful"
        )
        assert first is not None
        assert first.parent.name == EVALUATED
        with Office(folder / "profile") as office:
            office.to_pdf(first, folder / "all.pdf")
        for picture, page in PAGES.items():
            raw = folder / picture
            pages = ["-f", str(page), "-l", str(page), "-r", "80", "-png", "-singlefile"]
            subprocess.run(["pdftoppm", *pages, str(folder / "all.pdf"), str(raw)], check=True)
            looks = (
                "-gravity south -chop 0x50 -trim -bordercolor white -border 14 +dither -colors 64"
            )
            target = str(HERE / f"{picture}.png")
            subprocess.run(["convert", f"{raw}.png", *looks.split(), target], check=True)
            print(HERE / f"{picture}.png")


if __name__ == "__main__":
    main()
