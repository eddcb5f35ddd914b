"""Times as ratios to named floors, measured in turn in the same run.

    python tests/benchmarks/run.py [--quick] [--only NAME] [--most WORKBOOKS]

A floor is work that anyone would have to do, done by a general-purpose library. Ratios are what
counts: absolute times depend on the machine. Nothing is asserted here; see README.md beside this.
What is measured is an installation as users have it, in an environment made for it.
"""

from __future__ import annotations

import argparse
import importlib
import os
import subprocess
import sys
import sysconfig
import tempfile
import venv
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
ROUNDS, FEW = 25, 3
QUICK = 20
"""Workbooks of a class if it has to be quick."""
INSTALLED = "SHEETLAB_BENCHMARK"
"""Set where this runs in the environment made for it."""


def install(folder: Path) -> Path:
    """An environment with this tree, not linked to it, and everything that is installed here."""
    venv.create(folder, symlinks=os.name != "nt")
    python = folder / ("Scripts" if os.name == "nt" else "bin") / "python"
    command = [sys.executable, "-m", "pip", "--python", str(python), "install", "--quiet"]
    subprocess.run([*command, "--no-deps", str(ROOT)], check=True)
    site = sysconfig.get_path("purelib", vars={"base": str(folder), "platbase": str(folder)})
    # the files of paths there are not looked at: a link to this tree is none here
    Path(site, "others.pth").write_text(sysconfig.get_path("purelib"), encoding="utf-8")
    return python


def main() -> None:
    parser = argparse.ArgumentParser(description="times as ratios to named floors")
    parser.add_argument("--quick", action="store_true", help="few rounds, small classes")
    parser.add_argument("--only", default="", help="benchmarks with this in the name of their file")
    parser.add_argument("--most", type=int, default=1000, help="greatest class (usual: 1000)")
    options = parser.parse_args()
    from measure import measured, modules

    rounds = FEW if options.quick else ROUNDS
    most = min(options.most, QUICK) if options.quick else options.most
    print(
        f"median of {rounds} rounds, of fewer for what takes long: seconds by the clock, of "
        "processors, memory of all processes, ratios to the floor by the clock and of processors"
    )
    with tempfile.TemporaryDirectory() as name:
        for module in modules():
            if options.only in module:
                print(f"\n{module.removeprefix('bench_').replace('_', ' ')}")
                folder = Path(name) / module
                folder.mkdir()
                for case in importlib.import_module(module).cases(folder, most):
                    print("  " + measured(case, rounds, options.quick), flush=True)


if __name__ == "__main__":
    if INSTALLED in os.environ:
        sys.path[:0] = [str(HERE), str(HERE.parent)]
        main()
    else:
        with tempfile.TemporaryDirectory() as name:
            rest = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
            command = [str(install(Path(name))), str(Path(__file__).resolve()), *sys.argv[1:]]
            sys.exit(subprocess.run(command, check=False, env={**rest, INSTALLED: "1"}).returncode)
