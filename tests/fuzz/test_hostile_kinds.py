"""No kind of workbook takes more than ten seconds of a processor or 300 MB of memory."""

from __future__ import annotations

import pytest
from fuzz.hostile import KINDS, MEGABYTES, QUICK, SECONDS, Kind, good, name_of, taken

READ = {
    "brackets_in_a_format", "rows_in_a_comment", "pairs_in_the_name_of_formats",
    "hidden_rows_of_an_ods", "many_megabytes", "long_texts_of_emoji", "many_nodes_in_every_tree",
    "deep_rows_of_an_ods",
}  # fmt: skip
"""Kinds that are odd and no more: the readings are all there."""


@pytest.mark.parametrize(
    "kind",
    [pytest.param(k, marks=() if k in QUICK else pytest.mark.slow) for k in KINDS],
    ids=lambda kind: kind.__name__,
)
def test_a_hostile_workbook_takes_little(kind: Kind) -> None:
    its = taken(kind(), name_of(kind))
    assert its.seconds < SECONDS
    assert its.megabytes < MEGABYTES
    assert its.written is (kind.__name__ in READ)
    assert its.codes == () if its.written else its.codes[0] == "file-unreadable"


@pytest.mark.slow
def test_an_ordinary_workbook_takes_less() -> None:
    """So that the limits above are those of the kinds, and the measure measures something."""
    its = taken(good())
    assert its.written
    assert 20 < its.megabytes < MEGABYTES / 2
    assert 0.1 < its.seconds < SECONDS / 2
