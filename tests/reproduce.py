"""Run every command that writes and print digests: ``reproduce.py INPUTS WORK ORDER``."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import shutil
import sys
from pathlib import Path

from sheetlab.cli import main


def run(*arguments: object) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        main([str(one) for one in arguments])
    return out.getvalue()


def work() -> None:
    inputs, folder, order = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
    names = sorted((p.name for p in inputs.iterdir()), reverse=order == "backwards")
    class_ = folder / "class"
    class_.mkdir(parents=True)
    for name in names:
        # the times of the files are inputs too
        shutil.copy2(inputs / name, (folder if name.startswith("DEP") else class_) / name)
    texts = {
        "json": run("evaluate", class_, "--json", "--out", folder / "evaluated"),
        "issue": run("issue", "wire-stretching", "--out", folder / "issued", "--assist", "full"),
        "class": run("class", class_, "--out", folder / "class.xlsx"),
        "set": run("practice-set", "simple-pendulum", "--out", folder / "set", "--count", 2),
        "plan": run("plan", "wire-stretching", "--out", folder / "plan.xlsx"),
        "register": run("register", "new", "--out", folder / "register.xlsx"),
        "view": run("archive", "export", folder / "DEP.sqlite"),
        "csv": run("archive", "export", folder / "DEP.sqlite", "--out", folder / "all.csv"),
        "drift": run("drift", folder / "DEP.sqlite", "--out", folder / "drift.xlsx"),
    }
    digests = {
        name: hashlib.sha256(text.replace(str(folder), "").encode()).hexdigest()
        for name, text in texts.items()
    }
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path.suffix in (".xlsx", ".csv"):
            digests[str(path.relative_to(folder))] = hashlib.sha256(path.read_bytes()).hexdigest()
    print(json.dumps(digests))


if __name__ == "__main__":
    work()
