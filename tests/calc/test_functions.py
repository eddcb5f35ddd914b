"""Every row of the table of functions, in Calc and in Python, on seeded columns with gaps."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from calc.office import Office
from calc.test_templates import assert_same, worked_out

from sheetlab.formula.functions import (
    FUNCTIONS,
    Aggregate,
    Choose,
    Elementwise,
    FirstGiven,
    LineBefore,
    Macro,
    OfGroup,
    OfNumbers,
    Position,
    RowStatistic,
    Unless,
    Where,
)
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import load
from sheetlab.practical.model import Practical
from sheetlab.workbook.layout import lay_out
from sheetlab.workbook.template import write_template

pytestmark = pytest.mark.calc

HEAD = """
id = "functions"
version = "1"
title = "Every function"
aim = "A comparison."
[sheets.all]
title = "All"
[inputs.p]
title = "number"
sheet = "all"
[inputs.empty]
title = "empty"
sheet = "all"
[inputs.height]
title = "height"
unit = "km"
sheet = "all"
[inputs.note]
title = "note"
kind = "text"
sheet = "all"
[results.q0]
[tables.t]
title = "table"
sheet = "all"
rows = 9
"""


def calls() -> tuple[list[str], list[tuple[str, str]]]:
    """Formulas of quantities, and of columns with their unit, that call every function."""
    single, columns = [], []
    for name, rule in FUNCTIONS.items():
        match rule:
            case Elementwise():
                single.append(f"{name}(p)")
                columns.append((f"{name}(a * p)", "1"))
            case Choose():
                single += [f"{name}(p > 1, p, 2 * p)", f"{name}(p <= 1 and p > 0, 1 / p, 7)"]
                columns.append((f"{name}(a > b, a, b - a)", "1"))
            case OfNumbers():
                single += [f"{name}(p, 2)", f"{name}(-p, 0.7)"]
                columns.append((f"{name}(a, 2 * b)", "1"))
            case Aggregate() if rule.powers in ((1,), (0,)):
                single.append(f"{name}(t.a)")
            case Aggregate() if rule.scatter == "stated":
                continue  # no cell form: worked out on evaluation
            case Aggregate():
                single.append(f"{name}(t.x, t.a)")
                if rule.most > 2:
                    single += [f"{name}(t.x, t.a, t.b)", f"{name}(t.x, t.a, t.b, t.c)"]
            case RowStatistic():
                columns += [(f"{name}(a, b)", "1"), (f"{name}(a, b, c)", "1"), (f"{name}(l)", "mm")]
            case Position():
                columns.append((f"a - {name}(a)", "1"))
            case Unless():
                columns.append((f"{name}(note, a)", "1"))
                single.append(f"{name}(note, p)")
            case Where():
                columns += [(f"{name}(x > 2, a)", "1"), (f"{name}(a < b, row_mean(l))", "mm")]
            case OfGroup():
                columns.append((f"{name}(group, t.group, t.x, t.a)", "1"))
            case LineBefore():
                columns.append((f"{name}(a, x)", "1"))
            case FirstGiven():
                single += [f"{name}(empty, p, 3)", f"{name}(empty, 7)", f"{name}(p / 0, p)"]
            case Macro():
                count = len(rule.parameters)
                single.append(f"{name}(p{', height' if count == 2 else ''})")
    single += ["-p^2", "(-p)^2", "p^-1", "2 - 3 - p", "8 / 4 / (1 + p)", "2 * (p - 1)^3"]
    return single, columns


def definition() -> Practical:
    single, columns = calls()
    lines = [HEAD]
    for key in ("x", "a", "b", "c", "group"):
        lines.append(f'[tables.t.columns.{key}]\ntitle = "{key}"')
    lines.append('[tables.t.columns.l]\ntitle = "l"\nunit = "cm"\nrepeats = 3')
    for i, (formula, unit) in enumerate(columns):
        lines.append(
            f'[tables.t.columns.f{i}]\ntitle = "f{i}"\nformula = "{formula}"\nunit = "{unit}"'
        )

    for i, formula in enumerate(single):
        unit = "km/s^2" if formula.startswith("normal_gravity") else "1"
        lines.append(
            f'[quantities.q{i}]\ntitle = "q{i}"\nsymbol = "q{i}"\nsheet = "all"\n'
            f'unit = "{unit}"\nformula = "{formula}"'
        )
    return load("\n".join(lines))


@pytest.mark.parametrize("seed", range(6))
def test_every_function_agrees(office: Office, tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    model = definition()
    rows = 9 if seed < 2 else rng.randint(2, 8)

    def column(gaps: float) -> list[float | None]:
        return [None if rng.random() < gaps else rng.uniform(-3, 3) for _ in range(rows)]

    gaps = 0.0 if seed % 2 == 0 else 0.3
    cells: dict[str, list[float | None]] = {
        "p": [rng.uniform(0.05, 0.95)],
        "note": ["left out" if seed == 5 else None],
        "height": [rng.uniform(0, 3)],
        "t.x": [float(i) + rng.uniform(0, 0.4) for i in range(rows)],
        "t.a": column(0.0 if seed < 3 else gaps),
        "t.b": column(gaps),
        "t.group": [float(rng.randint(1, 3)) for _ in range(rows)],
        "t.c": [None] * rows if seed == 4 else column(gaps),
        **{f"t.l.{k}": column(gaps) for k in (1, 2, 3)},
    }
    layout = lay_out(model, Assist.FULL)
    path = tmp_path / "functions.xlsx"
    path.write_bytes(write_template(layout, cells))
    expected = worked_out(layout, cells)
    assert assert_same(office.recalculate(path), expected) > 40
