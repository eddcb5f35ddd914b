"""What a child process does to a workbook on a disk that fails: ``saving.py HOW FOLDER``.

Prints one JSON object: codes and texts of the findings, what the folder holds, and whether the
file is as it was.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
from pathlib import Path

from sheetlab.handling.batch import evaluate_files
from sheetlab.workbook import evaluate_file as module
from sheetlab.workbook.evaluate_file import evaluate_file


def fill(folder: Path) -> None:
    """Write until nothing goes in any more."""
    with open(folder / "filler", "wb", buffering=0) as stream:
        try:
            while True:
                stream.write(b"\0" * 512)
        except OSError:
            pass


def vanish(folder: Path) -> None:
    real = module.assess

    def assess(*args: object, **kwargs: object) -> object:
        subprocess.run(["umount", "-l", str(folder)], check=True)
        return real(*args, **kwargs)  # type: ignore[arg-type]

    module.assess = assess  # type: ignore[assignment]


def main() -> None:
    how, folder = sys.argv[1], Path(sys.argv[2])
    source = folder / "a.xlsx"
    before = source.read_bytes()
    match how:
        case "full":
            fill(folder)
        case "read-only":
            subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
        case "vanished":
            vanish(folder)
        case "too big":
            resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
    outcomes = [
        evaluate_file(source, source, trials=0),
        *evaluate_files([source], folder / "out", in_place=False),
    ]
    there = source.exists()
    print(
        json.dumps(
            {
                "findings": [[f.code, f.found] for o in outcomes for f in o.findings[:1]],
                "written": [o.written is not None for o in outcomes],
                "assessed": [o.assessment is not None for o in outcomes],
                "same": there and source.read_bytes() == before,
                "names": sorted(
                    str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()
                ),
                "user": os.getuid(),
            }
        )
    )


if __name__ == "__main__":
    main()
