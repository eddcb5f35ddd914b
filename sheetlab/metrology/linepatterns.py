"""What the points of a line have in common beside the line: one wrong point, a step, a bend.

Each pattern is a vector beside slope and intercepts; the one that explains most, if chance does
not explain it, is taken, and the search goes on beside it. Numbers only: what a pattern means in
a laboratory is said elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, Literal

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.metrology.distributions import chi_squared_quantile, student_quantile

Kind = Literal["point", "step", "toe", "hinge", "lens", "slopes", "bend"]

FALSE_ALARM = 0.002
"""Probability of a pattern in normal scatter, shared over all patterns that are tried."""
FALSE_ALARM_KNOWN = 0.01
"""The same where the usual scatter is known: of lines that scatter by it hardly any has one."""
FEWEST_POINTS = 6
FEWEST_KNOWN = 5
"""The same where the usual scatter is known."""
FEWEST_DOF = 3
MOST = 4
"""Patterns in one line at most."""
EQUALLY = 1.5
"""Difference of log-likelihood below which two patterns fit equally well."""
_PREFERRED: dict[Kind, float] = {
    "point": 1.0,
    "step": 1.0,
    "toe": 0.99,
    "hinge": 0.99,
    "lens": 1.0,
    "slopes": 1.0,
    "bend": 0.98,
}
"""Factors on the statistic that decide between patterns that fit nearly alike."""


class Observed(Struct, frozen=True):
    """A point of a line."""

    series: int
    row: int
    x: float
    y: float


class Usual(Struct, frozen=True):
    """What is known of the scatter of such readings before any is taken.

    It counts like ``dof`` earlier degrees of freedom with that standard deviation (a conjugate
    prior of the variance; A. Gelman et al., Bayesian Data Analysis, section on the normal model
    with unknown variance, from memory): a few points' own scatter is no measure of what they do.
    """

    deviation: float
    """Unit of y."""
    dof: float
    most: float = math.inf
    """Standard deviation that the coarsest hands and instruments make, unit of y."""

    def implausible(self, scatter: float, dof: int) -> bool:
        """Whether a standard deviation about a line is beyond what is plausible.

        False alarms: 1 in 1000 of lines whose readings scatter by ``most`` (chi-squared test of a
        variance against a known one; common practice, no source).

        Parameters
        ----------
        scatter
            Standard deviation, unit of y.
        dof
            Its degrees of freedom.
        """
        return dof > 0 and scatter > self.most * math.sqrt(
            chi_squared_quantile(IMPLAUSIBLE, dof) / dof
        )


NOTHING_KNOWN = Usual(0.0, 0.0)
IMPLAUSIBLE = 1e-3
LIKELY = 3.0
"""Student's t of the pattern that is told of points that scatter beyond what is plausible."""


class Pattern(Struct, frozen=True):
    """A pattern with its size, unit of y."""

    kind: Kind
    series: int | None
    """Series that it is in; None: all."""
    row: int | None
    """Row of a point; first row after a step; row at which a bend begins."""
    size: float
    """Amount by which the points of the pattern lie off: y minus line, for its full height."""
    statistic: float
    """Student's t of the size, all patterns found before being allowed for."""
    u_size: float = 0.0
    """Standard uncertainty of the size."""
    rivals: tuple[Pattern, ...] = ()
    """Patterns that explain the points as well, the best first, none of the same vector."""


class Explained(Struct, frozen=True):
    """A line with the patterns found in it, units of the data."""

    patterns: tuple[Pattern, ...]
    slope: float
    """With the patterns allowed for."""
    intercepts: tuple[float, ...]
    """Of each series; not a number for one without points."""
    deviation: float
    """Standard deviation about line and patterns, what is usual counted in."""
    dof: float
    u_difference: float
    """Standard uncertainty of the difference of two intercepts at the centre."""
    centre: float
    """Abscissa to which the levels belong."""
    levels: tuple[float, ...]
    """Ordinates of each series at the centre."""


def explain(
    points: Sequence[Observed],
    back: Sequence[bool],
    floor: float,
    ordered: bool,
    usual: Usual = NOTHING_KNOWN,
) -> Explained | None:
    """Search a line for patterns; None with fewer than six points (five if the scatter is known).

    Parameters
    ----------
    points
        The points, shape (n,).
    back
        For each series whether it is read on the way back.
    floor
        Standard deviation that a reading has at least (its rounding), unit of y.
    ordered
        Whether rows follow each other in time: only then steps, toes and bends are looked for.
    usual
        What readings of this kind scatter, as far as it is known beforehand.

    Returns
    -------
    Explained | None
        Patterns in the order in which they were found. Of lines with normal scatter at most 0.2 %
        have any: Student's t of externally studentised patterns, at a probability that is shared
        over all patterns tried (Bonferroni). With a usual scatter known, fewer than 1 in 1000 of
        lines that scatter by it or less, and 0.5 % at 1.25 times of it.
    """
    import numpy as np

    count = len(points)
    series = sorted({p.series for p in points})
    if count < (FEWEST_KNOWN if usual.dof else FEWEST_POINTS):
        return None
    x, y = np.array([p.x for p in points]), np.array([p.y for p in points])
    which = np.array([p.series for p in points])
    centre = float(x.mean())
    base = np.column_stack([x - centre, *[(which == k).astype(float) for k in series]])
    candidates, vectors, weights = _candidates(
        tuple((p.series, p.row, p.x) for p in points), tuple(back), ordered
    )
    with np.errstate(all="ignore"):
        taken, found = _search(y, base, candidates, vectors, weights, floor, usual)
        design = np.column_stack([base, *(vectors[i] for i in taken)])
        solution, *_ = np.linalg.lstsq(design, y, rcond=None)
        left = y - design @ solution
        own_dof = max(count - design.shape[1], 0)
        known = usual.dof * usual.deviation**2
        dof = max(own_dof + usual.dof, 1.0)
        deviation = max(math.sqrt((float(left @ left) + known) / dof), floor)
    # sizes with everything allowed for, not only what was found before
    found = [
        replace(one, size=float(size))
        for one, size in zip(found, solution[base.shape[1] :], strict=True)
    ]
    by_series = dict(zip(series, solution[1 : 1 + len(series)], strict=True))
    levels = tuple(float(by_series.get(k, math.nan)) for k in range(len(back)))
    u = 0.0
    if len(series) > 1:
        inverse = np.linalg.pinv(design.T @ design)
        contrast = np.zeros(design.shape[1])
        contrast[1], contrast[2] = 1.0, -1.0
        u = deviation * math.sqrt(max(float(contrast @ inverse @ contrast), 0.0))
    slope = float(solution[0])
    return Explained(
        patterns=tuple(found),
        slope=slope,
        intercepts=tuple(level - slope * centre for level in levels),
        deviation=deviation,
        dof=dof,
        u_difference=u,
        centre=centre,
        levels=levels,
    )


Place = tuple[int, int, float]
"""Series, row and abscissa of a point."""
Candidate = tuple[Kind, int | None, int | None]


def _search(
    y: Any,
    base: Any,
    candidates: Sequence[Candidate],
    vectors: Any,
    weights: Any,
    floor: float,
    usual: Usual,
) -> tuple[list[int], list[Pattern]]:
    """Places of the patterns taken among the candidates, and what they came to when found."""
    import numpy as np

    squares = np.sum(vectors * vectors, axis=1)
    known = usual.dof * usual.deviation**2
    count = len(y)
    chance = FALSE_ALARM_KNOWN if usual.dof else FALSE_ALARM
    taken: list[int] = []
    found: list[Pattern] = []
    while len(found) < MOST:
        design = np.column_stack([base, *(vectors[i] for i in taken)])
        own_dof = count - design.shape[1] - 1
        dof = own_dof + usual.dof
        if own_dof < 1 or dof < FEWEST_DOF:
            break
        q, _ = np.linalg.qr(design)
        left = y - q @ (q.T @ y)
        apart = vectors - (vectors @ q) @ q.T
        lengths = np.sum(apart * apart, axis=1)
        # a vector that lies in the span of the others says nothing new
        usable = lengths > 1e-6 * squares
        sizes = np.where(usable, apart @ left / np.where(usable, lengths, 1.0), 0.0)
        rest = np.maximum(float(left @ left) - sizes**2 * lengths, 0.0)
        spread = np.sqrt(np.maximum((rest + known) / dof, floor**2))
        u_sizes = np.where(usable, spread / np.sqrt(lengths), math.inf)
        t = np.where(usable, sizes / u_sizes, 0.0)
        best = int(np.argmax(np.abs(t) * weights))
        limit = student_quantile(0.5 * chance / len(candidates), dof)
        if usual.implausible(math.sqrt(float(left @ left) / (own_dof + 1)), own_dof + 1):
            # doubtful in itself: the best explanation is wanted
            limit = min(limit, LIKELY)
        if not abs(t[best]) > limit:
            break
        worse = 0.5 * (dof + 1.0) * np.log(spread**2 / spread[best] ** 2)
        equal = [int(i) for i in np.argsort(worse) if i != best and usable[i]
                 and worse[i] < EQUALLY]  # fmt: skip
        made = [Pattern(*candidates[i], float(sizes[i]), float(t[i]), float(u_sizes[i]))
                for i in (best, *equal)]  # fmt: skip
        taken.append(best)
        found.append(replace(made[0], rivals=tuple(made[1:])))
    return taken, found


@lru_cache(maxsize=32)
def _candidates(
    places: tuple[Place, ...], back: tuple[bool, ...], ordered: bool
) -> tuple[tuple[Candidate, ...], Any, Any]:
    """Patterns that points may have in common, their vectors, and their preference.

    Kept, because the groups of a class hang the same masses.
    """
    import numpy as np

    found = _vectors(places, back, ordered)
    vectors = np.array([vector for _, _, _, vector in found])
    weights = np.array([_PREFERRED[kind] for kind, _, _, _ in found])
    return tuple(one[:3] for one in found), vectors, weights


def _vectors(
    places: tuple[Place, ...], back: tuple[bool, ...], ordered: bool
) -> list[tuple[Kind, int | None, int | None, Any]]:
    import numpy as np

    rows = sorted({row for _, row, _ in places})
    rank = np.array([rows.index(row) for _, row, _ in places])
    which = np.array([k for k, _, _ in places])
    last = len(rows) - 1
    x = np.array([x for _, _, x in places])
    along = (x - x.min()) / ((x.max() - x.min()) or 1.0)
    returning = np.array([back[k] for k, _, _ in places])
    out: list[tuple[Kind, int | None, int | None, Any]] = [
        ("point", k, row, np.eye(1, len(places), i)[0]) for i, (k, row, _) in enumerate(places)
    ]
    out.append(("bend", None, None, along**2))
    if not ordered:
        return out
    series = sorted({k for k, _, _ in places})
    if len(series) > 1:
        out.append(("toe", None, rows[1], -((rank == 0) + 0.5 * (rank == 1))))
    for i in range(1, last + 1):
        if len(series) > 1:
            out.append(("step", None, rows[i], (rank >= i).astype(float)))
        out += [
            ("step", k, rows[i], ((which == k) & (rank >= i)).astype(float))
            for k in series
            if 2 <= i <= last - 1
        ]
    for k in series:
        if back[k]:
            continue
        own = which == k
        out.append(("toe", k, rows[1], -(own * ((rank == 0) + 0.5 * (rank == 1)))))
        for i in range(max(1, last - 4), last - 1):
            height = np.clip((rank - i) / (last - i), 0.0, None) ** 2
            out.append(("hinge", k, rows[i], own * height))
    if returning.any() and not returning.all():
        lens = 4.0 * along * (1.0 - along)
        out.append(("lens", None, None, np.where(returning, 0.5, -0.5) * lens))
        out.append(("slopes", None, None, np.where(returning, -0.5, 0.5) * (2.0 * along - 1.0)))
    return out
