"""Covariance of means as shared sources, against numpy's covariance matrix."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.metrology.together import MeanScatter, beside, deviations, of_result


def means(rows: np.ndarray) -> list[MeanScatter]:
    """Scatter of the mean of each column of ``rows``, shape (columns, n)."""
    found: list[MeanScatter] = []
    n = rows.shape[1]
    for k, column in enumerate(rows):
        u = float(np.std(column, ddof=1)) / math.sqrt(n)
        one = beside(str(k), deviations([float(v) for v in column], u), found)
        if one.uncertainty:
            found.append(one)
    return found


@given(st.integers(0, 10_000), st.integers(2, 4), st.integers(5, 8))
def test_covariance_matrix_is_that_of_numpy(seed: int, columns: int, n: int) -> None:
    """JCGM 100:2008, 5.2.3: covariance of the means is that of the rows over n."""
    rng = np.random.default_rng(seed)
    rows = rng.standard_normal((columns, columns)) @ rng.standard_normal((columns, n))
    found = means(rows)
    # column k in the own parts: its shares, and itself
    mixing = np.array([[*one.shares, 1.0, *[0.0] * (columns - k - 1)]
                       for k, one in enumerate(found)])  # fmt: skip
    own = np.array([one.uncertainty for one in found])
    ours = mixing @ np.diag(own**2) @ mixing.T
    assert ours == pytest.approx(np.cov(rows) / n, rel=1e-6, abs=1e-9 * np.max(np.abs(ours)))


@given(st.integers(0, 10_000))
def test_a_result_is_named_by_its_own_means(seed: int) -> None:
    """3 q₁ - 2 q₂ of four means: two parts, and the variance of the rows' 3 q₁ - 2 q₂."""
    rng = np.random.default_rng(seed)
    rows = rng.standard_normal((4, 4)) @ rng.standard_normal((4, 6))
    slopes = [0.0, 3.0, -2.0, 0.0]
    found = means(rows)
    own = {
        one.key: slopes[k]
        + sum(slopes[j] * found[j].shares[k] for j in range(k + 1, 4))
        for k, one in enumerate(found)
    }  # fmt: skip
    parts = of_result(own, found)
    assert [one.key for one, _ in parts] == ["1", "2"]
    variance = sum((c * one.uncertainty) ** 2 for one, c in parts)
    assert variance == pytest.approx(float(np.var(3 * rows[1] - 2 * rows[2], ddof=1)) / 6, rel=1e-6)
    whole = sum((own[one.key] * one.uncertainty) ** 2 for one in found)
    assert variance == pytest.approx(whole, rel=1e-6)


def test_two_rows_move_all_means_alike() -> None:
    """Two rows have one direction: the second mean has no part of its own, r is 1 or -1."""
    first = beside("a", deviations([1.0, 2.0], 0.5), [])
    second = beside("b", deviations([5.0, 2.0], 1.5), [first])
    assert second.uncertainty == 0.0
    assert second.shares == (pytest.approx(-3.0),)
