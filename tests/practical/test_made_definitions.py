"""Whatever definition loads can be issued, invented, evaluated, planned and tried.

Definitions are put together from all their parts, and their cells are filled with anything: what
cannot be done is a SheetlabError, with sentences for a teacher, and nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from typing import Any

import tomli_w
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sheetlab.before.books import books
from sheetlab.before.trial import try_out
from sheetlab.checks.assess import assess
from sheetlab.finding import SheetlabError
from sheetlab.practical.bench import simulate
from sheetlab.practical.definition import Assist
from sheetlab.practical.forward import BenchError
from sheetlab.practical.loader import load
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.planning import plan
from sheetlab.practical.schedules import Request
from sheetlab.workbook.layout import lay_out
from sheetlab.workbook.template import write_template

Draw = st.DrawFn
NUMBERS = st.sampled_from((0.0, 1.0, -1.0, 0.01, 2.5, 20.0, 1e-12, 1e12))
SIZES = st.sampled_from((0.0, 0.001, 0.01, 0.5, 10.0))
TYPED = st.one_of(
    st.none(), NUMBERS, st.floats(-100.0, 100.0), st.sampled_from(("", "A", "B", "x"))
)
INPUTS = ("i", "j")
COLUMNS = ("a", "b", "c", "t")
SAME = (
    "{} + {}", "{} - {}", "-{} - 2 * {}", "first_given({}, {})", "abs({} - {})", "minimum({}, {})",
    "if({0} > {1}, {0}, {1})", "maximum({}, 2 * {})", "mod({}, {})",
)  # fmt: skip
"""Shapes of formulas whose result has the unit of what is put in."""
SHAPES = (
    *SAME, "{} * {}", "{} / {}", "{}^2 - {}", "{}^-0.5 * {}", "sqrt({}) + {}", "exp({}) - {}",
    "ln({}) * {}", "asin({}) + {}", "log10({}) - tan({})",
)  # fmt: skip
SAME_STATISTICS = (
    "mean({})", "deviation({})", "highest({})", "lowest({})", "spread({})", "half_interval({})",
    "intercept({}, {})",
)  # fmt: skip
STATISTICS = (
    *SAME_STATISTICS, "count({})", "slope({}, {})", "origin_slope({}, {})",
    "interval_slope({}, {})",
)  # fmt: skip
IN_ROWS = ("previous({})", "first({})", "{} - mean({})", "{}")


def some(draw: Draw, **parts: st.SearchStrategy[Any]) -> dict[str, Any]:
    """Any of the keys, with values for them."""
    return {key: draw(part) for key, part in parts.items() if draw(st.booleans())}


def formula(draw: Draw, names: list[str], unit: str) -> str:
    one, other = (draw(st.sampled_from(names or ["0"])) for _ in range(2))
    shape: str = draw(st.sampled_from(("{}", *(SHAPES if unit == "1" else SAME))))
    return shape.format(one, other)


def uncertainties() -> st.SearchStrategy[Any]:
    half = st.one_of(SIZES, SIZES, st.just("i"))
    kinds = st.sampled_from(("rectangular", "triangular", "normal"))
    one = {"label": st.just("reading"), "half_width": half}
    more = {"distribution": kinds, "relative": st.booleans()}
    return st.lists(st.fixed_dictionaries(one, optional=more), max_size=1)


def instrument(draw: Draw, unit: str) -> dict[str, Any]:
    kind = draw(st.sampled_from(("direct", "screw", "vernier", "nominal")))
    limit = st.fixed_dictionaries({"half_width": SIZES}, optional={"relative": st.booleans()})
    zero = {"zero_rows": draw(st.integers(0, 3))} if kind in ("screw", "vernier") else {}
    return {
        **{"unit": unit, "kind": kind, "least_count": draw(st.sampled_from((0.01, 0.05, 0.1)))},
        **zero,
        **some(draw, limit=limit, decimals=st.integers(0, 4)),
    }


def typed_input(draw: Draw, unit: str) -> dict[str, Any]:
    kind = draw(st.sampled_from(("number", "number", "choice", "text")))
    if kind == "choice":
        return {"kind": kind, "choices": ["A", "B"]}
    if kind == "text":
        return {"kind": kind}
    return {"unit": unit} | some(
        draw, minimum=st.just(-50.0), maximum=st.just(50.0), required=st.booleans(),
        default=NUMBERS, asks_uncertainty=st.booleans(), uncertainty=uncertainties(),
    )  # fmt: skip


def singles(columns: Mapping[str, Any]) -> list[str]:
    """Columns with one value in a row."""
    return [key for key, one in columns.items() if one.get("repeats", 1) == 1]


def table(draw: Draw, unit: str, names: list[str]) -> dict[str, Any]:
    columns: dict[str, Any] = {}
    known = list(names)
    for name in COLUMNS[: draw(st.integers(1, 4))]:
        way = draw(st.sampled_from(("typed", "read", "formula") if columns else ("typed", "read")))
        made: dict[str, Any] = {"instrument": "rule"} if way == "read" else {"unit": unit}
        if way == "formula":
            single = draw(st.sampled_from(singles(columns)))
            inner = draw(st.sampled_from(IN_ROWS)).format(single, single)
            made["formula"] = formula(draw, [*known, inner], unit)
        else:
            repeats = draw(st.sampled_from((1, 1, 1, 3))) if columns else 1
            made |= {"repeats": repeats} | some(draw, minimum=st.just(-10.0))
        columns[name] = made | some(draw, uncertainty=uncertainties())
        known.append(f"row_mean({name})" if made.get("repeats", 1) > 1 else name)
    made = {"columns": columns} | some(
        draw, rows=st.integers(1, 8), minimum_rows=st.integers(1, 8), leave_out=st.booleans(),
        simultaneous=st.booleans(),
    )  # fmt: skip
    if draw(st.booleans()):
        condition = f"{formula(draw, known, unit)} > 0"
        at = draw(st.sampled_from(singles(columns)))
        made["checks"] = {"odd": {"condition": condition, "question": "Is it?", "at": at}}
    return made


def bench(draw: Draw, unit: str, inputs: Mapping[str, Any], columns: Mapping[str, Any]) -> Any:
    ways = st.sampled_from(({"low": 1.0, "high": 2.0}, {"fixed": 0.0}, {"fixed": 3.0}))
    truths = {key: {"unit": unit} | draw(ways) for key in ("q", "r")}
    shown: list[dict[str, Any]] = [
        {"value": formula(draw, ["q", "q"], unit)},
        {"start": draw(NUMBERS), "step": 1.0},
    ]
    readings = {
        f"w.{key}": draw(st.sampled_from(shown)) | some(draw, noise=SIZES, place_noise=SIZES)
        for key, column in columns.items()
        if "formula" not in column
    }
    filled = {"number": st.sampled_from(("q", "2 * q")), "choice": st.sampled_from(("A", "B"))}
    typed = {
        key: draw(filled[one.get("kind", "number")])
        for key, one in inputs.items()
        if one.get("kind") != "text"
    }
    return {"truths": truths, "readings": readings} | ({"inputs": typed} if typed else {})


@st.composite
def definitions(draw: Draw) -> str:
    """Texts of definitions, most of which load: all in one unit, or in pure numbers."""
    unit = draw(st.sampled_from(("1", "1", "1", "mm", "degC", "degree")))
    inputs = {key: typed_input(draw, unit) for key in INPUTS[: draw(st.integers(0, 2))]}
    numbers = [key for key, one in inputs.items() if one.get("kind", "number") == "number"]
    w = table(draw, unit, numbers)
    columns = singles(w["columns"])
    made: dict[str, Any] = {
        "title": "Any",
        "instruments": {"rule": instrument(draw, unit)},
        "inputs": inputs,
        "tables": {"w": w},
    }
    names = list(numbers)
    x, y = (draw(st.sampled_from(columns)) for _ in range(2))
    if draw(st.booleans()):
        made["lines"] = {"l": {"x": x, "y": y} | some(
            draw, through_origin=st.booleans(), triangle=st.booleans(), weights=st.just("readings"),
            x_axis=st.just("log"), y_axis=st.just("log"), relative_to_first=st.booleans(),
            where=st.just(f"{x} > 0"), plausible_scatter=SIZES,
        )}  # fmt: skip
        names += ["l.slope"] if unit == "1" else []
    if unit == "1" and draw(st.booleans()):
        ways = {"k * x + m": ("k", "m"), "m * exp(-k * x)": ("k", "m"), "k / x": ("k",)}
        text = draw(st.sampled_from(list(ways)))
        parameters = {key: {"start": draw(NUMBERS)} for key in ways[text]}
        made["curves"] = {"v": {"x": x, "y": y, "formula": text, "parameters": parameters}}
        names.append("v.k")
    statistics = st.sampled_from(STATISTICS if unit == "1" else SAME_STATISTICS)
    names += [draw(statistics).format(f"w.{x}", f"w.{y}") for _ in range(draw(st.integers(1, 3)))]
    if draw(st.booleans()):
        made["constants"] = {"c0": {"unit": unit, "value": draw(NUMBERS), "source": "invented"}}
        names.append("c0")
    if draw(st.booleans()) and numbers:
        points = [[-1.0, 3.0], [2.0, 5.0], [30.0, draw(NUMBERS)]]
        made["lookups"] = {"k0": {"of": numbers[0], "argument_unit": unit, "unit": unit,
                                  "points": points, "source": "invented"}}  # fmt: skip
        names.append("k0")
    made["quantities"] = {}
    for key in ("r", "q")[: draw(st.integers(1, 2))]:
        made["quantities"][key] = {"unit": unit, "formula": formula(draw, names, unit)} | some(
            draw, plausible=st.just([0.5, 10.0]), uncertainty=uncertainties(),
            maximum_error=st.just("0" if unit == "1" else names[-1]),
        )  # fmt: skip
        names.append(key)
    accepted = st.just([{"value": 2.0, "source": "invented"}])
    made["results"] = {key: some(draw, accepted=accepted) for key in reversed(made["quantities"])}
    if draw(st.booleans()):
        made["answers"] = {"r": {}}
    if draw(st.integers(0, 3)):
        made["bench"] = bench(draw, unit, inputs, w["columns"])
    return tomli_w.dumps(made)


def loaded(text: str) -> Practical | None:
    try:
        return load(text, name="any.toml")
    except SheetlabError:
        return None


@given(definitions(), st.data())
@settings(suppress_health_check=list(HealthCheck))
def test_what_loads_is_done_or_refused(text: str, data: st.DataObject) -> None:
    made = loaded(text)
    if made is None:
        return
    write_template(lay_out(made, data.draw(st.sampled_from(Assist))))
    typed = {
        key: [data.draw(TYPED) for _ in range(one.rows or 1)] for key, one in made.inputs.items()
    }
    assess(made, as_cells_show(made, typed), trials=50)
    with suppress(SheetlabError, BenchError):
        found = simulate(made, 1, shared_errors=True)
        assess(made, as_cells_show(made, found.cells), trials=50)
    with suppress(SheetlabError):
        plan(made, Request(), books())
    if data.draw(st.integers(0, 9)) == 0:
        try_out(made)


def test_most_of_these_definitions_load() -> None:
    """Or the test above would test little."""
    seen: list[bool] = []

    @given(definitions())
    @settings(
        max_examples=30, database=None, derandomize=True, suppress_health_check=list(HealthCheck)
    )
    def look(text: str) -> None:
        seen.append(loaded(text) is not None)

    look()
    assert sum(seen) > len(seen) / 4
