"""Probabilities and quantiles: Student, Fisher, chi-squared, binomial.

In plain Python, because loading a library for one quantile would take longer than the evaluation
of a workbook. All of it comes from two functions, the regularised incomplete beta and gamma
functions, by continued fractions (NIST Digital Library of Mathematical Functions, 8.17.22, 8.7.1
and 8.9.2, numbers from memory). Compared with scipy in the tests, to 1e-12 of each value.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from itertools import count

TINY = 1e-300
"""In place of a zero in a continued fraction (modified algorithm of Lentz)."""
EPSILON = 2.0**-51
LARGE = 1e12
"""Degrees of freedom from which a distribution is taken as its limit: the relative difference of
quantiles that matter is below 1e-11."""
SERIES = (1 / 12, -1 / 360, 1 / 1260, -1 / 1680, 1 / 1188, -691 / 360360, 1 / 156)
CACHED = 4096


def student_tail(t: float, dof: float) -> float:
    """Probability, a pure number, of more than ``t`` in Student's distribution.

    Parameters
    ----------
    t
        A pure number.
    dof
        Degrees of freedom, positive, whole or not; may be infinite.
    """
    beyond = 0.5 * fisher_tail(t * t, 1.0, dof)
    return beyond if t >= 0.0 else 1.0 - beyond


@lru_cache(maxsize=CACHED)
def student_quantile(tail: float, dof: float) -> float:
    """The t, a pure number, that Student's distribution exceeds with probability ``tail``.

    Parameters
    ----------
    tail
        Between 0 and 1/2.
    dof
        Degrees of freedom, positive, whole or not; may be infinite.
    """
    return math.sqrt(fisher_quantile(2.0 * tail, 1.0, dof))


def normal_tail(z: float) -> float:
    """Probability, a pure number, of more than ``z`` standard deviations above the mean."""
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def fisher_tail(f: float, above: float, below: float) -> float:
    """Probability, a pure number, of more than ``f`` in Fisher's distribution.

    Parameters
    ----------
    f
        A pure number, 0 or more.
    above, below
        Degrees of freedom of numerator and denominator, positive; that below may be infinite.
    """
    return _fisher(f, above, below)[1] if f > 0.0 else 1.0


@lru_cache(maxsize=CACHED)
def fisher_quantile(tail: float, above: float, below: float) -> float:
    """The F, a pure number, that Fisher's distribution exceeds with probability ``tail``.

    Parameters
    ----------
    tail
        Between 0 and 1.
    above, below
        Degrees of freedom of numerator and denominator, positive; that below may be infinite.
    """
    return _quantile(tail, lambda f: _fisher(f, above, below))


def chi_squared_tail(value: float, dof: float) -> float:
    """Probability, a pure number, of more than ``value`` in a chi-squared distribution.

    Parameters
    ----------
    value
        A pure number, 0 or more.
    dof
        Degrees of freedom, positive.
    """
    return _gamma(0.5 * dof, 0.5 * value)[1] if value > 0.0 else 1.0


@lru_cache(maxsize=CACHED)
def chi_squared_quantile(tail: float, dof: float) -> float:
    """The value, a pure number, that a chi-squared distribution exceeds with probability ``tail``.

    Parameters
    ----------
    tail
        Between 0 and 1.
    dof
        Degrees of freedom, positive.
    """
    return dof * _quantile(tail, lambda mean: _gamma(0.5 * dof, 0.5 * dof * mean))


def binomial_tail(least: int, trials: int, probability: float) -> float:
    """Probability, a pure number, of ``least`` or more successes.

    Parameters
    ----------
    least
        From 0 to ``trials``.
    trials
        How many there are.
    probability
        Of a success, between 0 and 1.
    """
    if least == 0:
        return 1.0
    return _beta(float(least), trials - least + 1.0, probability, 1.0 - probability)[0]


Parts = tuple[float, float, float]
"""Probability below and above a value, and the density of the logarithm of the value."""


def _fisher(f: float, above: float, below: float) -> Parts:
    if math.isinf(f):
        return 1.0, 0.0, 0.0
    if below > LARGE:
        return _gamma(0.5 * above, 0.5 * above * f)
    whole = above * f + below
    return _beta(0.5 * above, 0.5 * below, above * f / whole, below / whole)


def _quantile(tail: float, parts: Callable[[float], Parts]) -> float:
    """Solve for a value by Newton's method between bounds, in the logarithms of both."""
    if tail <= 0.0:
        return math.inf
    if tail >= 1.0:
        return 0.0
    # the smaller probability has all its digits
    upper = tail <= 0.5
    wanted = math.log(tail if upper else 1.0 - tail)
    low, high, at = -math.inf, math.inf, 0.0
    for _ in range(200):
        below, above, density = parts(math.exp(at))
        probability = max(above if upper else below, TINY)
        too_much = math.log(probability) - wanted
        if (too_much > 0.0) == upper:
            low = at
        else:
            high = at
        slope = -density / probability if upper else density / probability
        step = -too_much / slope if slope else math.inf
        if abs(step) <= EPSILON * max(1.0, abs(at)):
            return math.exp(at + step)
        # far from the solution a step may lead anywhere
        following = at + max(min(step, 4.0), -4.0)
        if not low < following < high:
            following = 0.5 * (low + high)
        at = following
    return math.exp(at)


def _beta(a: float, b: float, x: float, y: float) -> Parts:
    """Regularised incomplete beta function of x = 1 - y, its complement, and x y times its slope.

    Density, and distance from the mean, as x and y apart give them best: of a number near 1 the
    digits that matter are in its complement.
    """
    if x <= 0.0 or y <= 0.0:
        return (0.0, 1.0, 0.0) if x <= 0.0 else (1.0, 0.0, 0.0)
    total = a + b
    off = y * total - b if y < x else a - x * total
    density = math.sqrt(a * b / (2.0 * math.pi * total)) * math.exp(
        a * _log_less(-off / a, x * total / a)
        + b * _log_less(off / b, y * total / b)
        + _stirling(total) - _stirling(a) - _stirling(b)
    )  # fmt: skip
    if off >= 0.0:
        below = min(density * _beta_fraction(a, b, x, y, off), 1.0)
        return below, 1.0 - below, density
    above = min(density * _beta_fraction(b, a, y, x, -off), 1.0)
    return 1.0 - above, above, density


def _beta_fraction(a: float, b: float, x: float, y: float, off: float) -> float:
    """The even part of the continued fraction.

    As A. R. DiDonato and A. H. Morris have it (ACM Transactions on Mathematical Software 18 (1992)
    360, function BFRAC, from memory); ``off`` = a - (a + b) x, not negative.
    """
    first, shift, odd = 1.0 + off, 1.0 + 1.0 / a, a + 1.0
    above, above_before = 1.0, 0.0
    below, below_before = first / shift, 1.0
    value, p = shift / first, 1.0
    for n in count(1):
        t, w = n / a, n * (b - n) * x
        alpha = p * (p + b / a) * (a / odd) ** 2 * w * x
        beta = n + w / odd + (1.0 + t) / (shift + 2.0 * t) * (first + n * (1.0 + y))
        p, odd = 1.0 + t, odd + 2.0
        # over the new denominator, so that nothing overflows
        scale = alpha * below_before + beta * below
        above, above_before = (alpha * above_before + beta * above) / scale, above / scale
        below, below_before = 1.0, below / scale
        if abs(above - value) <= EPSILON * above:
            return above
        value = above
    raise AssertionError


def _gamma(a: float, x: float) -> Parts:
    """Regularised incomplete gamma function of x, its complement, and x times its slope."""
    if x <= 0.0:
        return 0.0, 1.0, 0.0
    density = math.sqrt(a / (2.0 * math.pi)) * math.exp(
        a * _log_less((x - a) / a, x / a) - _stirling(a)
    )
    if x < a + 1.0:
        below = min(density * _gamma_series(a, x), 1.0)
        return below, 1.0 - below, density
    above = min(density * _gamma_fraction(a, x), 1.0)
    return 1.0 - above, above, density


def _gamma_series(a: float, x: float) -> float:
    term = total = 1.0 / a
    for k in count(1):
        term *= x / (a + k)
        total += term
        if term <= EPSILON * total:
            break
    return total


def _gamma_fraction(a: float, x: float) -> float:
    b = x + 1.0 - a
    ratio = value = 1.0 / b
    c = 1.0 / TINY
    for k in count(1):
        term = k * (a - k)
        b += 2.0
        ratio = 1.0 / (term * ratio + b or TINY)
        c = b + term / c or TINY
        value *= c * ratio
        if abs(c * ratio - 1.0) <= EPSILON:
            break
    return value


def _log_less(off: float, ratio: float) -> float:
    """ln r - (r - 1), never positive, of a ratio and of what it is off 1."""
    if abs(off) < 0.5:
        return math.log1p(off) - off
    return math.log(ratio) - off if ratio > 0.0 else -math.inf


@lru_cache(maxsize=CACHED)
def _stirling(a: float) -> float:
    """What Stirling's formula for the logarithm of the gamma function leaves (5.11.1 there)."""
    if a < 10.0:
        whole = (a - 0.5) * math.log(a) - a + 0.5 * math.log(2.0 * math.pi)
        return math.lgamma(a) - whole
    square, total = 1.0 / (a * a), 0.0
    for factor in reversed(SERIES):
        total = total * square + factor
    return total / a
