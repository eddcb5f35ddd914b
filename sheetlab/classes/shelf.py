"""What only its own rows and its own page need of a hand-in, put aside until they are written.

A class keeps of each hand-in what is compared and counted; findings, budget, marks and own results
wait in a file of the system's own, which is gone with the program that opened it.
"""

from __future__ import annotations

import io
import pickle
import sys
import tempfile
from array import array
from contextlib import AbstractContextManager
from typing import Any, BinaryIO, cast

from msgspec.structs import replace

from sheetlab.checks.marks import Item
from sheetlab.classes.handins import HandIn


class Shelf(AbstractContextManager["Shelf"]):
    """Details of hand-ins, by the number that each gets when it is put here."""

    def __init__(self) -> None:
        self._stream = cast(BinaryIO, tempfile.TemporaryFile())  # noqa: SIM115
        self._begins = array("q")
        self._items: dict[Item, int] = {}

    def __exit__(self, *error: object) -> None:
        """End of the shelf and of what lies on it."""
        self._stream.close()

    def put(self, one: HandIn) -> HandIn:
        """A hand-in without its details, which are kept here."""
        o = one.outcome
        self._begins.append(self._stream.seek(0, 2))
        self._dump((one.findings, one.own, one.marks))
        self._dump(None if o is None else (o.budget, o.budget_note))
        same = sys.intern  # what many have in common is kept once
        if o is not None:
            o = replace(
                o, budget=(), budget_note="", title=same(o.title), symbol=same(o.symbol),
                unit=same(o.unit), accepted_source=same(o.accepted_source),
            )  # fmt: skip
        return replace(
            one, findings=(), own=(), marks=(), outcome=o, shelved=len(self._begins) - 1,
            practical=same(one.practical), title=same(one.title), version=same(one.version),
            sample=same(one.sample), setup=same(one.setup), date=same(one.date),
            status=same(one.status), saved_by=same(one.saved_by),
        )  # fmt: skip

    def whole(self, one: HandIn, budget: bool = False) -> HandIn:
        """A hand-in with its details, its budget if asked for, whatever was changed since."""
        if one.shelved is None:
            return one
        self._stream.seek(self._begins[one.shelved])
        findings, own, marks = self._load()
        o = one.outcome
        if budget and o is not None:
            rows, note = self._load()
            o = replace(o, budget=rows, budget_note=note)
        return replace(one, findings=findings, own=own, marks=marks, outcome=o)

    def _dump(self, what: Any) -> None:
        _Dump(self._stream, self._items).dump(what)

    def _load(self) -> Any:
        return _Load(self._stream, list(self._items)).load()


class _Dump(pickle.Pickler):
    """Items of the scheme, which every hand-in has, are kept once."""

    def __init__(self, stream: io.IOBase | BinaryIO, items: dict[Item, int]) -> None:
        super().__init__(cast(Any, stream), -1)
        self.items = items

    def persistent_id(self, obj: Any) -> int | None:
        return self.items.setdefault(obj, len(self.items)) if isinstance(obj, Item) else None


class _Load(pickle.Unpickler):
    def __init__(self, stream: io.IOBase | BinaryIO, items: list[Item]) -> None:
        super().__init__(cast(Any, stream))
        self.items = items

    def persistent_load(self, pid: int) -> Item:
        return self.items[pid]
