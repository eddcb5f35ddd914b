"""The rule for rounded readings by counting on which division they fall.

Another way to the numbers of ``repeats.rounded``, which goes by the scatter; the two constants are
of that rule. Simulated benches of rounded readings stand here too.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np

SCATTER = 0.45
EDGE = 0.475 / 1.96


def counted(readings: Sequence[float], step: float) -> tuple[float, float]:
    """Standard deviation of one reading, and what rounding adds to it in the mean."""
    divisions = Counter(round((reading - readings[0]) / step) for reading in readings)
    low, high, n = min(divisions), max(divisions), len(readings)
    if high - low > 1:
        return float(np.std(readings, ddof=1)), 0.0
    if high == low:
        return 0.0, step * (EDGE if n > 2 else 1.0 / math.sqrt(12.0))
    # the mean stands so far from the edge between the two divisions
    to_edge = abs(0.5 - divisions[low] / n)
    more = (2.0 * EDGE * to_edge) ** 2 - SCATTER**2 / n
    return SCATTER * step, step * math.sqrt(max(more, 0.0))


def benches(rng: np.random.Generator, n: int, scatter: float, count: int) -> tuple[Any, Any]:
    """Readings in divisions, shape (count, n), and the true values, anywhere in a division."""
    true = rng.random(count)
    return np.rint(true[:, None] + scatter * rng.standard_normal((count, n))), true
