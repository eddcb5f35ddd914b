"""Terms of second order in the law of propagation: whether the first order is enough."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from msgspec import Struct

from sheetlab.metrology.budget import Source
from sheetlab.metrology.montecarlo import Affine

ENOUGH = 0.05
"""Relative change of u by the second order up to which the first is enough (common practice)."""
NOTHING = 1e-3
"""Part of the second order up to which the first is nothing (common practice, no source)."""
SHIFT = 0.25
"""Shift of the value, in standard uncertainties, up to which the first order is enough."""


class SecondOrder(Struct, frozen=True):
    """First and second order of the propagation, in the unit of the model."""

    first: float
    """Standard uncertainty to first order."""
    second: float
    """Standard uncertainty with the terms of second order."""
    shift: float
    """Difference of the expectation from the value at the estimates."""
    dof: float = math.inf
    """Fewest degrees of freedom of the sources: those of the second order are no more."""

    @property
    def more(self) -> float:
        """What the second order adds to u, in quadrature, in its unit; 0 if it lowers it."""
        return math.sqrt(max(self.second**2 - self.first**2, 0.0))

    @property
    def first_is_nothing(self) -> bool:
        """Whether u is all of second order, because the model is at an extreme."""
        return self.first <= NOTHING * self.second and self.second > 0.0

    @property
    def first_is_enough(self) -> bool:
        """Whether neither u nor the value changes by an amount that matters.

        The limits, pure numbers, are common practice, no source.
        """
        if self.first == 0.0:
            return self.second == 0.0
        return (
            abs(self.second / self.first - 1.0) <= ENOUGH and abs(self.shift) <= SHIFT * self.first
        )


def second_order(
    model: Callable[[Mapping[str, Any]], Any],
    quantities: Mapping[str, Affine],
    sources: Sequence[Source],
) -> SecondOrder | None:
    """Terms of second order for independent sources (JCGM 100:2008, 5.1.2, note).

    u² = Σ fᵢ² uᵢ² + Σᵢⱼ (½ fᵢⱼ² + fᵢ fᵢⱼⱼ) uᵢ² uⱼ² for distributions as a normal one; the shift is
    ½ Σ fᵢᵢ uᵢ². Derivatives are differences over one and two standard uncertainties, where they
    count.

    Parameters
    ----------
    model
        Samples by quantity, shape (n,), -> values of the result, shape (n,).
    quantities
        What the model takes, in the coherent unit.
    sources
        Independent sources, shape (m,); those to which no quantity is sensitive play no part.

    Returns
    -------
    SecondOrder | None
        In the unit of the model; None where it is not defined at the estimates, or one or two
        standard uncertainties away.

    Raises
    ------
    ValueError
        If the model returns values of another shape, a single number apart.
    """
    import numpy as np

    used = [
        s
        for s in sources
        if s.standard_uncertainty and any(q.sensitivities.get(s.key) for q in quantities.values())
    ]
    n = len(used)
    pairs = [(i, j) for i in range(n) for j in range(i + 1, n)]
    # nothing moved; each source by 1, -1, 2, -2 standard uncertainties; each pair in four ways
    alone = (1.0, -1.0, 2.0, -2.0)
    together = ((1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0))
    steps = np.zeros((1 + 4 * n + 4 * len(pairs), n))
    for i in range(n):
        steps[1 + 4 * i : 5 + 4 * i, i] = alone
    for k, pair in enumerate(pairs):
        steps[1 + 4 * (n + k) : 5 + 4 * (n + k), pair] = together
    samples = {
        key: q.value
        + steps @ np.array([q.sensitivities.get(s.key, 0.0) * s.standard_uncertainty for s in used])
        for key, q in quantities.items()
    }
    with np.errstate(all="ignore"):
        f = np.broadcast_to(model(samples), len(steps))
    if not np.all(np.isfinite(f)):
        return None
    up, down, up2, down2 = f[1 : 1 + 4 * n].reshape(n, 4).T
    first = (8.0 * (up - down) - (up2 - down2)) / 12.0
    own = up - 2.0 * f[0] + down
    third = (up2 - 2.0 * up + 2.0 * down - down2) / 2.0
    square = float(np.sum(first**2))
    more = float(np.sum(0.5 * own**2 + first * third))
    for k, (i, j) in enumerate(pairs):
        pp, pm, mp, mm = f[1 + 4 * (n + k) : 5 + 4 * (n + k)]
        mixed = (pp - pm - mp + mm) / 4.0
        ijj = ((pp - 2.0 * up[i] + pm) - (mp - 2.0 * down[i] + mm)) / 2.0
        jii = ((pp - 2.0 * up[j] + mp) - (pm - 2.0 * down[j] + mm)) / 2.0
        more += float(mixed**2 + first[i] * ijj + first[j] * jii)
    return SecondOrder(
        math.sqrt(square),
        math.sqrt(max(square + more, 0.0)),
        0.5 * float(np.sum(own)),
        min((s.dof for s in used), default=math.inf),
    )
