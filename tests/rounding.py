"""Rounding of normal readings to whole divisions, integrated over their distribution.

An independent reference (scipy.stats, scipy.optimize) for ``repeats.common_rounding``.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import brentq
from scipy.stats import norm


def of_rounded(sigma: float) -> tuple[float, float]:
    """Standard deviation that rounded readings show, and that of the error of their long mean.

    For readings of standard deviation ``sigma`` and a least count of 1; over all positions of
    the true value between two divisions.
    """
    x = (np.arange(2000) + 0.5) / 2000
    k = np.arange(-7, 9)[:, None]
    chances = norm.cdf((k + 0.5 - x) / sigma) - norm.cdf((k - 0.5 - x) / sigma)
    mean = np.sum(k * chances, axis=0)
    scatter = np.sum(k**2 * chances, axis=0) - mean**2
    return math.sqrt(scatter.mean()), math.sqrt(np.mean((mean - x) ** 2))


def common_part(deviation: float, least_count: float) -> float:
    """Part of LC/√12 that all readings have in common if they show this standard deviation."""
    shown = deviation / least_count
    if shown == 0.0:
        return 1.0
    sigma = brentq(lambda s: of_rounded(s)[0] - shown, 1e-3, 3.0, xtol=1e-12)
    return of_rounded(sigma)[1] * math.sqrt(12.0)
