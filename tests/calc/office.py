"""A LibreOffice process for tests: load, fill, recalculate, save, print.

Runs LibreOffice's own bridge (python3-uno). The bridge is a compiled module of the system's
Python; if the tests run on another minor version, the bridge runs in a child process of
/usr/bin/python3 that speaks JSON lines. That is always done, so that one way is tested.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
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


@contextmanager
def profile_with(extension: bytes) -> Iterator[Path]:
    """A throwaway profile of LibreOffice with an extension in it."""
    # not in pytest's folder, which belongs to one user alone: unopkg refuses to run as root
    folder = Path(tempfile.mkdtemp(prefix="sheetlab-profile-"))
    try:
        folder.chmod(0o777)
        file = folder / "addin.oxt"
        file.write_bytes(extension)
        file.chmod(0o644)
        profile = folder / "profile"
        profile.mkdir()
        profile.chmod(0o777)
        nobody = {"user": 65534, "group": 65534, "extra_groups": ()} if os.geteuid() == 0 else {}
        done = subprocess.run(
            ["unopkg", "add", "-f", f"-env:UserInstallation={profile.as_uri()}", str(file)],
            env={**os.environ, "HOME": str(profile)},
            capture_output=True,
            text=True,
            check=False,
            **nobody,  # type: ignore[arg-type]
        )
        assert done.returncode == 0, done.stdout + done.stderr
        yield profile
    finally:
        shutil.rmtree(folder, ignore_errors=True)


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

    def heights(self, path: Path) -> dict[str, list[list[list[int]]]]:
        """By sheet: rows as [top, height, height that texts need], and pictures as [top, end].

        In hundredths of a millimetre; texts in merged cells need nothing.
        """
        return self.call("heights", path=str(path))  # type: ignore[no-any-return]

    def type_cells(self, path: Path, cells: dict[str, dict[str, float | str]], save: Path) -> None:
        """Open a workbook, type into cells by sheet and address, and save it (.xlsx or .ods)."""
        self.call("type_cells", path=str(path), cells=cells, save=str(save))

    def to_pdf(self, path: Path, target: Path) -> None:
        """Print all sheets of a workbook."""
        self.call("pdf", path=str(path), target=str(target))

    @contextmanager
    def book(self, path: Path | None = None, hidden: bool = True) -> Iterator[Book]:
        """A workbook that stays open; a new one, if none is named."""
        key = self.call("open_book", path="" if path is None else str(path), hidden=hidden)
        try:
            yield Book(self, key)
        finally:
            self.call("close_book", key=key)

    @property
    def process(self) -> int:
        """Id of the process between here and LibreOffice, which is below it."""
        return self._child.pid


class Book:
    """A workbook that is open in Calc."""

    def __init__(self, office: Office, key: int) -> None:
        self._office, self._key = office, key

    def _call(self, action: str, **arguments: Any) -> Any:
        return self._office.call(action, key=self._key, **arguments)

    def command(self, name: str) -> tuple[bool, str]:
        """Choose an entry of the add-in's menu: whether it was done, and what it said."""
        done, text = self._call("command", name=name)
        return done, text

    def bar(self, name: str) -> bool:
        """Whether a bar of this name stands above the sheet."""
        return self._call("bar", name=name)  # type: ignore[no-any-return]

    def sheets(self) -> list[str]:
        """Titles of the sheets."""
        return self._call("sheets")  # type: ignore[no-any-return]

    def enter(self, sheet: str, cells: dict[str, str]) -> dict[str, Any]:
        """Type formulas, numbers or texts as at the keyboard; what the cells show then."""
        return self._call("enter", sheet=sheet, cells=cells)  # type: ignore[no-any-return]

    def array(self, sheet: str, area: str, formula: str) -> list[list[Any]]:
        """Enter an array formula; what its cells show."""
        return self._call("array", sheet=sheet, area=area, formula=formula)  # type: ignore[no-any-return]

    def put(self, sheet: str, area: str, rows: list[list[Any]]) -> None:
        """Fill an area."""
        self._call("put", sheet=sheet, area=area, rows=rows)

    def shown(self, sheet: str, area: str) -> list[list[Any]]:
        """What an area holds; errors as ``None``."""
        return self._call("shown", sheet=sheet, area=area)  # type: ignore[no-any-return]

    def add_sheet(self, title: str) -> None:
        """A new last sheet."""
        self._call("add_sheet", title=title)

    def steps(self) -> list[str]:
        """What can be undone, last first."""
        return self._call("steps")  # type: ignore[no-any-return]

    def comments(self) -> list[list[str]]:
        """Comments as [sheet, cell, text]."""
        return self._call("comments")  # type: ignore[no-any-return]

    def comment(self, sheet: str, cell: str, text: str) -> None:
        """Write a comment."""
        self._call("comment", sheet=sheet, cell=cell, text=text)

    def coloured(self) -> list[list[str]]:
        """Conditional formats as [sheet, area, formula]."""
        return self._call("coloured")  # type: ignore[no-any-return]

    def protected(self) -> list[bool]:
        """Which sheets are protected."""
        return self._call("protected")  # type: ignore[no-any-return]

    def protect_sheet(self, sheet: str, password: str) -> None:
        """Protect a sheet anew with a password."""
        self._call("protect_sheet", sheet=sheet, password=password)

    def protect_structure(self) -> None:
        """Protect the list of sheets."""
        self._call("protect_structure")

    def charts(self) -> list[list[Any]]:
        """Charts as [sheet, what its series show]."""
        return self._call("charts")  # type: ignore[no-any-return]

    def recalculate(self, times: int) -> list[float]:
        """Recalculate everything so often; seconds each."""
        return self._call("recalculate_book", times=times)  # type: ignore[no-any-return]

    def save(self, path: Path) -> None:
        """Store a copy, in the format of its name."""
        self._call("save_book", path=str(path))
