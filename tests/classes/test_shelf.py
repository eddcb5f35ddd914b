"""Details of hand-ins are put aside and found again."""

from __future__ import annotations

from pathlib import Path

from classes.groups import fill_class
from msgspec.structs import replace

from sheetlab.classes.collect import collect
from sheetlab.classes.schemes import USUAL, find_scheme
from sheetlab.classes.shelf import Shelf


def test_a_hand_in_comes_back_whole(tmp_path: Path) -> None:
    fill_class(tmp_path, 3)
    scheme = find_scheme(USUAL)
    with Shelf() as shelf, Shelf() as other:
        found = collect(tmp_path, tmp_path / "CLASS.xlsx", scheme, shelf)
        assert len(found.handins) == 3
        for one in reversed(found.handins):
            assert one.outcome is not None
            details = (one.findings, one.own, one.marks, one.outcome.budget)
            assert not any(details)
            whole = shelf.whole(one, budget=True)
            assert whole.outcome is not None
            assert whole.own
            assert whole.outcome.budget
            # every hand-in has the items of the scheme, not copies of them
            assert [mark.item for mark in whole.marks] == list(scheme.items)
            again = other.put(whole)
            assert other.whole(again, budget=True) == replace(whole, shelved=again.shelved)
        marks = [shelf.whole(one).marks for one in found.handins]
        assert marks[0][0].item is marks[1][0].item


def test_what_was_changed_since_stays_changed(tmp_path: Path) -> None:
    fill_class(tmp_path, 1)
    with Shelf() as shelf:
        (one,) = collect(tmp_path, tmp_path / "C.xlsx", find_scheme(USUAL), shelf).handins
        whole = shelf.whole(replace(one, setup="S9"))
        assert whole.setup == "S9"
        assert whole.findings == shelf.whole(one).findings
