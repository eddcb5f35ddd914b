"""A LibreOffice process for tests: load, fill, recalculate, save, print.

Runs LibreOffice's own bridge (python3-uno). The bridge is a compiled module of the system's
Python; if the tests run on another minor version, the bridge runs in a child process of
/usr/bin/python3 that speaks JSON lines. That is always done, so that one way is tested.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from types import TracebackType
from typing import Any

SYSTEM_PYTHON = "/usr/bin/python3"
SERVER = Path(__file__).with_name("office_server.py")


def available() -> bool:
    """Whether LibreOffice Calc and its Python bridge are installed."""
    if shutil.which("soffice") is None or not Path(SYSTEM_PYTHON).exists():
        return False
    probe = subprocess.run([SYSTEM_PYTHON, "-c", "import uno"], capture_output=True, check=False)
    return probe.returncode == 0


class Office:
    """A running Calc; use as a context manager."""

    def __init__(self, profile: Path, server: Path = SERVER) -> None:
        self._child = subprocess.Popen(
            [SYSTEM_PYTHON, str(server), str(profile)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def __enter__(self) -> Office:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.call("quit")
        self._child.wait(30)
        for pipe in (self._child.stdin, self._child.stdout):
            if pipe is not None:
                pipe.close()

    def call(self, action: str, **arguments: Any) -> Any:
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        self._child.stdin.write(json.dumps({"action": action, **arguments}) + "\n")
        self._child.stdin.flush()
        answer = json.loads(self._child.stdout.readline())
        if "error" in answer:
            raise RuntimeError(answer["error"])
        return answer["result"]

    def recalculate(
        self,
        path: Path,
        fill: dict[str, list[float | str | None]] | None = None,
        save: Path | None = None,
    ) -> dict[str, list[Any]]:
        """Open a workbook, type into its named ranges, recalculate, and read every name.

        Returns for each defined name the list of its cells: a number, a text, or an error as
        ``{"error": code}``.
        """
        return self.call(  # type: ignore[no-any-return]
            "recalculate",
            path=str(path),
            fill=fill or {},
            save=None if save is None else str(save),
        )

    def type_in(self, path: Path, cells: dict[str, dict[str, str]], save: Path) -> None:
        """Type texts into cells, by sheet and cell, as at the keyboard, and save."""
        self.call("type_in", path=str(path), cells=cells, save=str(save))

    def formulas(self, path: Path) -> list[list[Any]]:
        """Every formula cell as [sheet, cell, value or text, error code] after recalculation."""
        return self.call("formulas", path=str(path))  # type: ignore[no-any-return]

    def type_cells(self, path: Path, cells: dict[str, dict[str, float | str]], save: Path) -> None:
        """Open a workbook, type into cells by sheet and address, and save it as .xlsx."""
        self.call("type_cells", path=str(path), cells=cells, save=str(save))

    def to_pdf(self, path: Path, target: Path) -> None:
        """Print all sheets of a workbook."""
        self.call("pdf", path=str(path), target=str(target))
