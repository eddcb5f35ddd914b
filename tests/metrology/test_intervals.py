"""Shortest and symmetric coverage intervals of trials (JCGM 101:2008, 7.7)."""

from __future__ import annotations

import math

import pytest

from sheetlab.metrology.budget import Source
from sheetlab.metrology.montecarlo import Affine, propagate


def source(distribution: str) -> Source:
    return Source("s", "s", "B", distribution, 1.0)  # type: ignore[arg-type]


def test_both_intervals_agree_for_a_symmetric_peak() -> None:
    (found,) = propagate([lambda q: q["q"]], {"q": Affine(0.0, {"s": 1.0})}, [source("normal")])
    assert found.low == pytest.approx(-1.96, abs=0.02)
    assert found.high == pytest.approx(1.96, abs=0.02)
    assert found.shortest[1] - found.shortest[0] <= found.high - found.low
    assert found.shortest[0] == pytest.approx(-1.96, abs=0.08)


def test_the_shortest_interval_of_a_one_sided_result_begins_at_its_end() -> None:
    """The square of a uniform deviate u on (-1, 1): distribution sqrt(x), exact by integration."""
    (found,) = propagate(
        [lambda q: (q["q"] / math.sqrt(3.0)) ** 2],
        {"q": Affine(0.0, {"s": 1.0})},
        [source("rectangular")],
    )
    assert found.shortest[0] == pytest.approx(0.0, abs=1e-4)
    assert found.shortest[1] == pytest.approx(0.95**2, abs=5e-3)
    assert found.low == pytest.approx(0.025**2, abs=1e-4)
    assert found.high == pytest.approx(0.975**2, abs=5e-3)
