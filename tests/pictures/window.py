"""Make the pictures of the README that show a window of Calc: python tests/pictures/window.py

Needs LibreOffice Calc with python3-uno, Xvfb, xdotool and ImageMagick. Where things are in the
window was measured once, with LibreOffice 7.4; look at the pictures.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from calc.office import profile_with  # noqa: E402
from examples import filled  # noqa: E402

from sheetlab.live.calc.extension import extension  # noqa: E402

FORMULA = "=CORRECTED_READING(SCALE_READING(A1;B1;0.5;50);-0.03)"
MENU, CHECK = (380, 10), (430, 45)
SHEET_READINGS, BUTTON_OK, CELL_C1, NOWHERE = (490, 727), (573, 422), (260, 133), (700, 500)
SCREEN = ":97"


@contextmanager
def running(*command: str) -> Iterator[None]:
    process = subprocess.Popen(
        command,
        env={**os.environ, "DISPLAY": SCREEN},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield
    finally:
        process.terminate()
        process.wait(30)


def act(*words: str, wait: float = 1.5) -> None:
    subprocess.run(["xdotool", *words], env={**os.environ, "DISPLAY": SCREEN}, check=True)
    time.sleep(wait)


def click(place: tuple[int, int], wait: float = 1.5) -> None:
    act("mousemove", str(place[0]), str(place[1]), "click", "1", wait=wait)


def picture(name: str, cut: str) -> None:
    raw = subprocess.run(
        ["import", "-window", "root", "png:-"],
        env={**os.environ, "DISPLAY": SCREEN},
        capture_output=True,
        check=True,
    ).stdout
    looks = f"-crop {cut} +repage +dither -colors 64".split()
    subprocess.run(["convert", "png:-", *looks, str(HERE / name)], input=raw, check=True)
    print(HERE / name)


def main() -> None:
    with (
        tempfile.TemporaryDirectory() as name,
        profile_with(extension()) as profile,
        running("Xvfb", SCREEN, "-screen", "0", "1150x760x24"),
    ):
        time.sleep(1)
        book = Path(name) / "Fulmar.xlsx"
        book.write_bytes(filled("Fulmar"))
        office = ("soffice", "--norestore", "--nologo", "--nofirststartwizard", "--nolockcheck",
                  f"-env:UserInstallation={profile.as_uri()}")  # fmt: skip
        with running(*office, "--calc"):
            time.sleep(10)
            click(NOWHERE)
            act("key", "ctrl+Home")
            act("type", "--delay", "40", f"5.5\t28\t{FORMULA}")
            act("key", "Return", wait=3)
            click(CELL_C1)
            picture("calc-cell.png", "600x118+0+76")
        with running(*office, str(book)):
            time.sleep(10)
            click(MENU)
            click(CHECK, wait=6)
            click(BUTTON_OK)
            click(SHEET_READINGS)
            click(NOWHERE)
            click(MENU)
            picture("calc-menu.png", "620x560+0+0")


if __name__ == "__main__":
    main()
