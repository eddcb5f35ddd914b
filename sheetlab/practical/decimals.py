"""Decimals of what is worked out, where a definition leaves them to its invented bench."""

from __future__ import annotations

import math
from statistics import median

from msgspec.structs import replace

from sheetlab.practical.definition import Definition
from sheetlab.practical.model import Practical

WITHOUT_BENCH, MOST = 3, 12
FIGURES = 4
"""Significant figures of a column, and of a number whose uncertainty is not known."""


def with_decimals(practical: Practical) -> Definition:
    """The definition with decimals for every quantity and worked-out column; itself if it has them.

    A quantity is shown to the second figure of its standard uncertainty on one invented bench.
    """
    d = practical.definition
    open_quantities = [q.id for q in d.quantities if q.decimals is None]
    open_columns = [
        f"{t.id}.{c.id}" for t in d.tables for c in t.columns if c.formula and c.decimals is None
    ]
    if not open_quantities and not open_columns:
        return d
    shown = _on_a_bench(practical, [*open_quantities, *open_columns])
    return replace(
        d,
        quantities=tuple(
            q if q.decimals is not None else replace(q, decimals=shown.get(q.id, WITHOUT_BENCH))
            for q in d.quantities
        ),
        tables=tuple(
            replace(t, columns=tuple(
                replace(c, decimals=shown.get(f"{t.id}.{c.id}", WITHOUT_BENCH))
                if f"{t.id}.{c.id}" in open_columns else c
                for c in t.columns
            ))
            for t in d.tables
        ),
    )  # fmt: skip


def _on_a_bench(practical: Practical, keys: list[str]) -> dict[str, int]:
    if practical.forward is None:
        return {}
    from sheetlab.practical.bench import simulate
    from sheetlab.practical.evaluate import evaluate_practical
    from sheetlab.practical.forward import BenchError
    from sheetlab.practical.numbers import Numbers
    from sheetlab.practical.observations import as_cells_show

    try:
        bench = simulate(practical, 1)
    except BenchError:
        return {}  # told where benches are asked for
    typed = as_cells_show(practical, bench.cells)
    numbers = Numbers(practical, typed)
    evaluation = evaluate_practical(practical, typed, numbers, trials=0)
    uncertain = {q.key: q.standard_uncertainty for q in evaluation.quantities}
    out = {}
    for key in keys:
        unit = practical.derived[key].unit
        cells = numbers.cells(key)
        column = cells if isinstance(cells, list) else [cells]
        values = [unit.from_si(v) for v in column if v is not None]
        u = (uncertain.get(key) or 0.0) / unit.factor
        size = u or median(map(abs, values or [0.0]))
        if size and math.isfinite(size):
            last = math.floor(math.log10(size)) - (2 if u else FIGURES) + 1
            out[key] = min(max(0, -last), MOST)
    return out
