"""Folders of workbooks: ``class`` and how it grows, ``evaluate``, ``archive add``."""

from __future__ import annotations

import os
import random
import re
import shutil
import zipfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from examples import WORKBOOKS, filled
from measure import Case, Task, sheetlab, shown
from python_calamine import CalamineWorkbook

from sheetlab.workbook.layout import defined_name
from sheetlab.workbook.opening import open_store
from sheetlab.workbook.package import Package, open_package
from sheetlab.workbook.reader import read_workbook
from sheetlab.workbook.store import address

SIZES = (20, 100, 1000, 10_000)
CELL = rb'(<c r="%b"[^>]*?)(?: t="s")?(?:/>|><v>([^<]*)</v></c>)'


def make(folder: Path, count: int) -> None:
    """Workbooks of invented groups: those of the demo, each with its own name and last digits.

    Edited as text, because writing each from its definition would take minutes.
    """
    folder.mkdir()
    models = []
    for group in sorted(WORKBOOKS):
        path = folder.parent / f"{group}.xlsx"
        path.write_bytes(filled(group))
        models.append((open_package(path), _places(path)))
    generator = random.Random(1)
    for i in range(count):
        package, places = models[i % len(models)]
        _write(package, places, f"Group {i:05}", generator, folder / f"{i:05}.xlsx")


def _places(path: Path) -> list[tuple[str, str, int | None]]:
    """Part and cell of the group's name, then of readings, with the decimals of each."""
    read = read_workbook(path)
    store = open_store(read.package)
    kinds = {one.id: one.kind for one in read.practical.definition.instruments}
    found: list[tuple[str, str, int | None]] = []
    for key, one in read.practical.inputs.items():
        slot = store.slot(defined_name(one))
        part = store.part(slot.sheet) if slot is not None else None
        if slot is None or part is None:
            continue
        if key == "start.group":
            found.insert(0, (part, address(slot.row, slot.column), None))
        elif key.endswith(".coincidence") or kinds.get(one.instrument) == "direct":
            for row in range(slot.rows):
                found.append((part, address(slot.row + row, slot.column), one.decimals or 0))
    return found


def _write(
    package: Package, places: list[tuple[str, str, int | None]], group: str,
    generator: random.Random, target: Path,
) -> None:  # fmt: skip
    parts = dict(package.parts)
    for part, cell, decimals in places:

        def other(match: re.Match[bytes], decimals: int | None = decimals) -> bytes:
            if decimals is None:
                text = f"<is><t>{group}</t></is></c>".encode()
                return match[1] + b' t="inlineStr">' + text
            if not match[2] or b' t="' in match[1] or float(match[2]) < 2.0 * 10.0**-decimals:
                return match[0]
            value = float(match[2]) - generator.choice((0, 0, 1)) * 10.0**-decimals
            return match[1] + f"><v>{value:.{decimals}f}</v></c>".encode()

        parts[part] = re.sub(CELL % cell.encode(), other, parts[part], count=1)
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            packed = zipfile.ZIP_STORED if name.endswith(".png") else zipfile.ZIP_DEFLATED
            archive.writestr(zipfile.ZipInfo(name), data, packed)


def evaluate(folder: Path, out: Path) -> None:
    out.unlink(missing_ok=True)
    sheetlab("class", str(folder), "--out", str(out))
    assert out.exists()


def evaluate_all(folder: Path, out: Path) -> None:
    shutil.rmtree(out, ignore_errors=True)
    sheetlab("evaluate", str(folder), "--out", str(out))
    assert len(list(out.iterdir())) == len(list(folder.iterdir()))


def archive(folder: Path, out: Path) -> None:
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir()
    target = out / "DEPARTMENT.sqlite"
    sheetlab("archive", "add", str(folder), "--archive", str(target), "--year", "2026")
    assert target.exists()


def read(path: Path) -> int:
    """Every cell of every sheet, as plain values."""
    book = CalamineWorkbook.from_path(str(path))
    return sum(len(book.get_sheet_by_name(name).to_python()) for name in book.sheet_names)


def read_all(folder: Path) -> None:
    for path in sorted(folder.glob("*.xlsx")):
        read(path)


def read_all_at_once(folder: Path) -> None:
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        list(pool.map(read, sorted(folder.glob("*.xlsx")), chunksize=16))


def cases(folder: Path, most: int) -> Iterator[Case]:
    before: list[tuple[int, float]] = []
    for count in (size for size in SIZES if size <= most):
        made = folder / str(count)
        make(made, count)
        work = Task(evaluate, (made, folder / "class.xlsx"), children=True)
        rounds = 5 if count < 1000 else 3 if count == 1000 else 1

        def growth(ours: float, floor: float, count: int = count) -> str:
            told = f"{1e3 * ours / count:.1f} ms a workbook"
            if before:
                fewer, then = before[-1]
                told += f", {shown((ours - then) / (count - fewer))} each beyond {fewer}"
            before.append((count, ours))
            return told

        yield Case(
            f"class, {count} workbooks", work, Task(read_all, (made,)),
            "python-calamine reads all, one process", rounds, growth,
        )  # fmt: skip
        if count == max(size for size in SIZES if size <= most):
            floor = Task(read_all_at_once, (made,), children=True)
            works = (
                ("class", work),
                ("evaluate --out", Task(evaluate_all, (made, folder / "out"), children=True)),
                ("archive add", Task(archive, (made, folder / "archive"), children=True)),
            )
            for name, one in works:
                yield Case(
                    f"{name}, {count} workbooks", one, floor,
                    "python-calamine reads all, every processor", rounds,
                )  # fmt: skip
