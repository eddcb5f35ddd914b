"""Tables of materials and gauges for plans: those that come with sheetlab, and the user's own."""

from __future__ import annotations

import tomllib
from functools import cache, partial
from pathlib import Path
from typing import Any

from sheetlab.finding import Finding, Place, Severity, SheetlabError
from sheetlab.practical import standards
from sheetlab.practical.files import key_refused
from sheetlab.practical.loads import Gauge, Material, megapascals
from sheetlab.practical.planning import Books

MATERIALS = Path(__file__).with_name("materials.toml")
SWG_SOURCE = "Imperial standard wire gauge, BS 3737:1964"
AWG_SOURCE = "American wire gauge, ASTM B258: d = 0.127 mm × 92^((36 − n)/39)"
AWG_NUMBERS = range(45)
MILLIMETRE = 1e-3
GIGA = 1e9
MOST_TEXT = 100_000


def books(own: Path | None = None) -> Books:
    """Materials and gauges that come with sheetlab, and the user's own materials before them.

    Raises
    ------
    SheetlabError
        If the user's file cannot be read or a row of it cannot be used.
    """
    shipped = _materials(MATERIALS.read_text(encoding="utf-8"), MATERIALS.name)
    if own is None:
        return Books(shipped, gauges())
    try:
        text = own.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is no text in UTF-8"
        raise SheetlabError(_unreadable(own, reason)) from error
    mine = _materials(text, own.name)
    names = {one.name for one in mine}
    return Books((*mine, *(one for one in shipped if one.name not in names)), gauges())


@cache
def gauges() -> tuple[Gauge, ...]:
    """All gauge numbers: SWG from the table, AWG by its formula."""
    found = [
        Gauge(f"SWG {one.number}", one.diameter * MILLIMETRE, SWG_SOURCE)
        for number in range(standards.FIRST_GAUGE, standards.LAST_GAUGE + 1)
        if (one := standards.gauge("SWG", number)) is not None
    ]
    found += [
        Gauge(f"AWG {number}", standards.awg(number) * MILLIMETRE, AWG_SOURCE)
        for number in AWG_NUMBERS
    ]
    return tuple(found)


def _materials(text: str, name: str) -> tuple[Material, ...]:
    if len(text) > MOST_TEXT:
        raise SheetlabError(_refused(name, "file", "is too long"))
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise SheetlabError(_refused(name, "file", f"is not TOML: {error}")) from error
    rows = data.get("materials")
    if not isinstance(rows, list) or set(data) != {"materials"}:
        raise SheetlabError(_refused(name, "file", "has no list of materials only"))
    return tuple(_material(row, f"materials[{i}]", name) for i, row in enumerate(rows))


def _material(row: Any, where: str, file: str) -> Material:
    def refuse(key: str, reason: str) -> SheetlabError:
        return SheetlabError(_refused(file, f"{where}.{key}", reason))

    allowed = {"name", "choice", "modulus", "breaking", "yield", "source", "confirmed"}
    if not isinstance(row, dict):
        raise SheetlabError(_refused(file, where, "is no table"))
    for key in sorted(set(row) - allowed):
        raise refuse(key, "is not a key that is known")
    for key in ("name", "source"):
        if not isinstance(row.get(key), str) or not row[key].strip():
            raise refuse(key, "is missing: every material has a name and a source")
    if not isinstance(row.get("choice", ""), str):
        raise refuse("choice", "is no text")
    if not isinstance(row.get("confirmed", True), bool):
        raise refuse("confirmed", "is neither true nor false")

    def ends(key: str) -> tuple[float, float]:
        pair = row.get(key)
        if not (
            isinstance(pair, list)
            and len(pair) == 2
            and all(type(v) in (int, float) for v in pair)
            and 0.0 < pair[0] <= pair[1] <= 1e6
        ):
            raise refuse(key, "is not a range [lowest, highest]")
        return float(pair[0]), float(pair[1])

    modulus = ends("modulus")
    return Material(
        name=row["name"].strip(),
        choice=row.get("choice", "").strip(),
        modulus=(modulus[0] * GIGA, modulus[1] * GIGA),
        breaking=megapascals(*ends("breaking")),
        yielding=megapascals(*ends("yield")) if "yield" in row else None,
        source=row["source"].strip(),
        confirmed=row.get("confirmed", True),
    )


def _unreadable(path: Path, reason: str) -> Finding:
    return Finding(
        "materials-refused",
        Severity.STOP,
        f"{path.name} cannot be read: {reason}",
        "a text file with a table of materials",
        "Check the name and the folder.",
        Place(path.name),
    )


_refused = partial(
    key_refused,
    "materials-refused",
    allowed="tables [[materials]] with name, choice, modulus (GPa), breaking and yield (MPa), "
    "source",
)
