"""Functions for cells: repeated readings, and several results of one quantity."""

from __future__ import annotations

import math

from sheetlab.live.cells import Column, RefusedError, Table, number, paired
from sheetlab.live.library import Argument, Block, Example, Function, asked, part_of
from sheetlab.metrology.groups import (
    grubbs_limit,
    grubbs_statistic,
    precision,
    robust_mean,
    weighted_mean,
)
from sheetlab.metrology.repeats import repeats, rounded, step_read

GROUP = "Repeats"
SIGNIFICANCE = 0.05


def _mean(readings: tuple[float, ...], least_count: float | None) -> Block:
    if len(readings) < 2:
        raise RefusedError("one reading has no scatter; two or more are needed")
    if least_count is not None and least_count < 0.0:
        raise RefusedError(f"the least count is {least_count:g}; it cannot be negative")
    found = repeats(readings)
    held = rounded(readings, step_read([readings], least_count or 0.0))
    return (
        ("mean", found.mean),
        ("u(mean)", math.hypot(held.deviation / math.sqrt(found.n), held.rest)),
        ("s(reading)", found.deviation),
        ("degrees of freedom", float(found.dof)),
        ("readings", float(found.n)),
    )


def _weighted(values: Column, uncertainties: Column) -> Block:
    rows, passed = paired(
        {"values": values, "uncertainties": uncertainties}, spread=("uncertainties",)
    )
    for _, u in rows:
        if u <= 0.0:
            raise RefusedError(f"an uncertainty is {u:g}; it has to be greater than 0")
    found = asked(weighted_mean, [v for v, _ in rows], [u for _, u in rows])
    return (
        ("mean", found.value),
        ("u(mean)", found.internal),
        ("u from scatter", found.external),
        ("Birge ratio", found.birge_ratio),
        ("chi squared", found.chi_squared),
        ("degrees of freedom", float(found.dof)),
        ("passed over", float(passed)),
    )


def _robust(values: tuple[float, ...]) -> Block:
    found = asked(robust_mean, values)
    return (
        ("mean", found.value),
        ("u(mean)", found.uncertainty),
        ("s(robust)", found.deviation),
        ("values", float(len(values))),
    )


def _grubbs(readings: tuple[float, ...], significance: float | None) -> Block:
    level = SIGNIFICANCE if significance is None else significance
    if not 0.0 < level < 0.5:
        raise RefusedError(f"significance is {level:g}; usual is 0.05, allowed up to 0.5")
    statistic, far = asked(grubbs_statistic, readings)
    limit = grubbs_limit(len(readings), level)
    return (
        ("G", statistic),
        ("critical value", limit),
        ("farthest reading", readings[far]),
        ("its number", float(far + 1)),
        ("verdict", "stands out" if statistic > limit else "does not stand out"),
    )


def _precision(groups: Table) -> Block:
    rows = [
        [
            number(cell, f"row {i}, cell {j} of groups")
            for j, cell in enumerate(row, 1)
            if cell is not None
        ]
        for i, row in enumerate(groups, 1)
    ]
    found = asked(precision, rows)
    return (
        ("mean", found.mean),
        ("s(repeatability)", found.repeatability),
        ("s(between groups)", found.between),
        ("s(reproducibility)", found.reproducibility),
        ("degrees of freedom within", float(found.within_dof)),
        ("degrees of freedom between", float(found.between_dof)),
    )


_TEMPERATURES = (
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07, 100.33, 100.42, 100.68,
    100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
)  # fmt: skip
_GUM_TABLE = "JCGM 100:2008, 4.4.3"
_NUMACC = (10000001.0, 10000003.0, 10000002.0)
_NUMACC_SOURCE = "NIST StRD, univariate summary statistics, NumAcc1"
_LEAD = (
    (2.893, 2.936, 2.94, 2.96, 2.98, 3.0, 3.001, 3.07, 3.13),
    (0.0206573, 0.0125, 0.0165, 0.0333333, 0.100503, 0.05, 0.068, 0.085, 0.06),
)
_LEAD_SOURCE = "data: CCQM-K30 final report, Metrologia 45 (2008) 08001; result recomputed"
_CREOSOTE = (24.14, 20.155, 19.5, 20.3, 20.705, 17.57, 20.1, 20.94, 21.185)
_CREOSOTE_SOURCE = "data: ISO 5725-5:1998, creosote, cell means; result recomputed"
_URANIUM = (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)
_URANIUM_SOURCE = "NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1"
_GLUCOSE = (
    (41.03, 41.45, 41.37), (41.17, 42.00, 41.15), (41.01, 40.68, 42.66), (39.37, 42.37, 42.63),
    (41.88, 41.19, 41.32), (43.28, 40.50, 42.28), (41.08, 41.27, 39.02), (43.36, 42.65, 41.72),
)  # fmt: skip
_GLUCOSE_SOURCE = "ASTM E691 (1999), glucose in serum, material A (statistics from memory)"

ROWS: tuple[Function, ...] = (
    Function(
        "MEAN_TYPE_A",
        "Mean with its type A standard uncertainty",
        "Mean of repeated readings, the standard uncertainty of the mean u and the standard "
        "deviation of one reading s. With a least count u holds what rounding adds to the scatter. "
        "The calibration of the scale comes on top. Empty cells are passed over.",
        GROUP,
        (
            Argument("readings", "Repeated readings in one unit, two or more.", "numbers"),
            Argument(
                "least_count",
                "One division of the scale, unit of the readings; without it u is s/√n.",
                optional=True,
            ),
            part_of("mean", "u(mean)", "s(reading)", "degrees of freedom", "readings"),
        ),
        _mean,
        (
            Example(
                (_NUMACC, None, None),
                (
                    ("mean", 10000002.0),
                    ("u(mean)", 0.577350269189626),
                    ("s(reading)", 1.0),
                    ("degrees of freedom", 2.0),
                    ("readings", 3.0),
                ),
                f"{_NUMACC_SOURCE}; u = s/√n",
            ),
            Example((_TEMPERATURES, None, "mean"), 100.14, _GUM_TABLE, 4),
            Example((_TEMPERATURES, None, "s(reading)"), 1.49, _GUM_TABLE, 3),
            Example((_TEMPERATURES, None, "u(mean)"), 0.33, _GUM_TABLE, 2),
        ),
    ),
    Function(
        "WEIGHTED_MEAN",
        "Weighted mean of several results",
        "Results of one quantity, weighted by 1/u². u(mean) follows from the stated "
        "uncertainties, “u from scatter” from the scatter; a Birge ratio well above 1 says that "
        "the stated ones do not explain it. Results without an uncertainty are passed over.",
        GROUP,
        (
            Argument("values", "Results in one unit.", "column"),
            Argument(
                "uncertainties", "Their standard uncertainties; one cell stands for all.", "column"
            ),
            part_of(
                "mean",
                "u(mean)",
                "u from scatter",
                "Birge ratio",
                "chi squared",
                "degrees of freedom",
                "passed over",
            ),
        ),
        _weighted,
        (
            Example((*_LEAD, "mean"), 2.939597, _LEAD_SOURCE, 7),
            Example((*_LEAD, "u(mean)"), 0.008319, _LEAD_SOURCE, 4),
            Example((*_LEAD, "Birge ratio"), 1.597135, _LEAD_SOURCE, 6),
        ),
    ),
    Function(
        "ROBUST_MEAN",
        "Robust mean of several results",
        "Median and standard deviation (Qn) on which wild values have no hold, up to half of them "
        "(ISO 13528), with the standard uncertainty of the median.",
        GROUP,
        (
            Argument("values", "Results in one unit, two or more.", "numbers"),
            part_of("mean", "u(mean)", "s(robust)", "values"),
        ),
        _robust,
        (
            Example((_CREOSOTE, "mean"), 20.3, _CREOSOTE_SOURCE, 8),
            Example((_CREOSOTE, "s(robust)"), 1.172665, _CREOSOTE_SOURCE, 7),
        ),
    ),
    Function(
        "GRUBBS_TEST",
        "Grubbs' test of one outlier",
        "Whether the reading farthest from the mean of repeated readings stands out: G above the "
        "critical value of the two-sided test. That is a reason to look again, not to leave it "
        "out.",
        GROUP,
        (
            Argument("readings", "Repeated readings in one unit, three or more.", "numbers"),
            Argument("significance", "Probability of a false alarm (usual: 0.05).", "number", True),
            part_of("G", "critical value", "farthest reading", "its number", "verdict"),
        ),
        _grubbs,
        (
            Example((_URANIUM, None, "G"), 2.468765, _URANIUM_SOURCE, 7),
            Example(
                (_URANIUM, 0.1, "critical value"),
                2.032,
                f"{_URANIUM_SOURCE}: 2.032 at 5 % for one side, which is 10 % for both",
                4,
            ),
            Example((_URANIUM, None, "verdict"), "stands out", _URANIUM_SOURCE),
        ),
    ),
    Function(
        "GROUP_PRECISION",
        "Repeatability and reproducibility",
        "Standard deviations within groups and between them (ISO 5725-2), from a table with a row "
        "a group, such as a set-up or a pair of students, and its repeats side by side. Groups may "
        "differ in size.",
        GROUP,
        (
            Argument("groups", "Table of results: a row a group.", "table"),
            part_of(
                "mean",
                "s(repeatability)",
                "s(between groups)",
                "s(reproducibility)",
                "degrees of freedom within",
                "degrees of freedom between",
            ),
        ),
        _precision,
        (
            Example((_GLUCOSE, "mean"), 41.5183, _GLUCOSE_SOURCE, 6),
            Example((_GLUCOSE, "s(repeatability)"), 1.0632, _GLUCOSE_SOURCE, 5),
            Example((_GLUCOSE, "s(reproducibility)"), 1.0632, _GLUCOSE_SOURCE, 5),
        ),
    ),
)
