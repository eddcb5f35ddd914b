"""Times as ratios to named floors, measured in turn in the same run.

    python tests/benchmarks/run.py [--quick] [--only NAME] [--most WORKBOOKS]

A floor is work that anyone would have to do, done by a general-purpose library. Ratios are what
counts: absolute times depend on the machine. Nothing is asserted here; see README.md beside this.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
ROUNDS, FEW = 25, 3


def main() -> None:
    parser = argparse.ArgumentParser(description="times as ratios to named floors")
    parser.add_argument("--quick", action="store_true", help="few rounds, small classes")
    parser.add_argument("--only", default="", help="benchmarks with this in the name of their file")
    parser.add_argument("--most", type=int, default=1000, help="greatest class (usual: 1000)")
    options = parser.parse_args()
    from measure import measured, modules

    rounds = FEW if options.quick else ROUNDS
    most = min(options.most, 100) if options.quick else options.most
    print(
        f"median of {rounds} rounds, of fewer for what takes long; ratio to the floor at the right"
    )
    with tempfile.TemporaryDirectory() as name:
        # compiled modules are kept as after an installation, but not in the tree
        os.environ["PYTHONPYCACHEPREFIX"] = str(Path(name) / "compiled")
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        for module in modules():
            if options.only in module:
                print(f"\n{module.removeprefix('bench_').replace('_', ' ')}")
                folder = Path(name) / module
                folder.mkdir()
                for case in importlib.import_module(module).cases(folder, most):
                    print("  " + measured(case, rounds, options.quick), flush=True)


if __name__ == "__main__":
    # for the processes that it starts as well
    paths = [str(HERE), str(HERE.parent), str(ROOT)]
    sys.path[:0] = paths
    os.environ["PYTHONPATH"] = os.pathsep.join([*paths, os.environ.get("PYTHONPATH", "")])
    main()
