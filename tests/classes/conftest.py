"""A workbook that lies in several class folders is evaluated once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import pytest

from sheetlab.classes import collect
from sheetlab.handling.workers import Call

_EVALUATED: dict[tuple[Any, ...], Any] = {}


def _once(call: Call[Any, Any], todo: Sequence[Any], *_more: object) -> Iterator[Any]:
    """``handling.workers.each`` in this process, which remembers what it worked out."""
    for job in todo:
        path = job.folder / job.file
        saved = path.stat().st_mtime_ns
        key = (job.file, path.read_bytes(), saved, job.scheme, repr(job.profile))
        if key not in _EVALUATED:
            _EVALUATED[key] = call.work(job)
        yield _EVALUATED[key]


@pytest.fixture(autouse=True, scope="session")
def evaluated_once() -> Iterator[None]:
    """In default tests; slow ones have the helper processes that there are."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(collect, "each", _once)
        yield


@pytest.fixture
def helpers() -> Iterator[None]:
    """The helper processes of the program, for tests of them."""
    from sheetlab.handling.workers import each

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(collect, "each", each)
        yield
