"""Virtual benches: clean ones are what they say, slips change what they should and no more."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from examples import SHIPPED, practical
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.checks.assess import assess
from sheetlab.finding import SheetlabError
from sheetlab.formula.functions import NAMES
from sheetlab.formula.tree import parse
from sheetlab.formula.values import Given, evaluate
from sheetlab.messages import catalogue as catalogue_of_messages
from sheetlab.practical.bench import Bench, Planted, Planting, applicable, places_of, simulate
from sheetlab.practical.evaluate import Numbers, evaluate_practical
from sheetlab.practical.forward import BenchError
from sheetlab.practical.instruments import KINDS, parts_of, zero_parts_of
from sheetlab.practical.loader import catalogue, load
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.slips.slip import OwnSlip
from sheetlab.practical.slips.table import CELLS, PLANTED
from sheetlab.practical.slips.table import KINDS as KINDS_OF_OWN

WIRE, PENDULUM = "wire-stretching", "simple-pendulum"
SEEDS = range(100)
GOOD = catalogue().text(WIRE)

SPRING = """
id = "spring"
version = "1"
title = "Stiffness of a spring"
aim = "Made up for tests: one series, read off a plain scale."
sheets.all.title = "All"
[instruments]
rule = { kind = "direct", title = "Rule", unit = "mm", sheet = "all" }
masses = { kind = "nominal", title = "Masses", unit = "g", sheet = "all" }
[tables.t]
title = "Readings"
sheet = "all"
rows = 8
columns.m = { title = "mass", instrument = "masses" }
columns.y = { title = "pointer", instrument = "rule" }
[constants]
g = { title = "g", symbol = "g", value = 9.81, unit = "m/s^2", source = "x" }
[lines]
line = { title = "Hooke", x = "t.m", y = "t.y", x_title = "m", y_title = "y" }
[quantities]
D = { title = "stiffness", symbol = "D", unit = "N/m", formula = "g / line.slope" }
[results.D]
[answers]
D = { title = "stiffness", unit = "N/m", quantity = "D" }
[bench.truths]
D = { unit = "N/m", low = 20, high = 40 }
top = { unit = "mm", fixed = 80 }
[bench.instruments]
rule.parameters.least_count = 1
masses = {}
[bench.readings]
"t.m" = { start = 50, step = 50, rows = [8, 8] }
"t.y" = { value = "top + m * g / D", noise = 0.5 }
"""


@cache
def spring() -> Practical:
    return load(SPRING)


def numbers(model: Practical, bench: Bench) -> Numbers:
    return Numbers(model, as_cells_show(model, bench.cells))


def result(model: Practical, bench: Bench) -> float:
    value = numbers(model, bench).value(model.definition.results[0].quantity, None)
    assert value is not None
    return value


# -- clean benches -----------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("shared", [False, True], ids=["own errors", "shared errors too"])
@pytest.mark.parametrize("name", SHIPPED)
def test_clean_benches_hold_the_truth(name: str, shared: bool) -> None:
    model = practical(name)
    z, inside = [], 0
    for seed in SEEDS:
        bench = simulate(model, seed, shared_errors=shared)
        found = evaluate_practical(model, as_cells_show(model, bench.cells), trials=0).measurand
        assert found is not None
        b = found.budget
        error = b.value - bench.truths[found.definition.quantity]
        z.append(error / b.standard_uncertainty)
        inside += abs(error) <= b.expanded_uncertainty
    # 95 % less three standard errors; without the shared errors the interval is too wide
    assert inside >= (0.95 - 3 * math.sqrt(0.95 * 0.05 / len(SEEDS))) * len(SEEDS)
    assert abs(np.mean(z)) < 3 * np.std(z) / math.sqrt(len(z))
    assert 0.5 < np.std(z) < 1.4


@pytest.mark.parametrize("name", SHIPPED)
def test_the_shared_errors_are_what_limits_say(name: str) -> None:
    """With the shared errors z scatters more, as it must if they are really there."""
    model = practical(name)

    def spread(shared: bool) -> float:
        errors = []
        for seed in range(40):
            bench = simulate(model, seed, shared_errors=shared)
            truth = bench.truths[model.definition.results[0].quantity]
            errors.append(result(model, bench) / truth - 1.0)
        return float(np.std(errors))

    assert spread(True) > spread(False)


SCALE_CODES = {
    "coincidence-outside-scale",
    "main-scale-off-graduation",
    "zero-error-large",
    "not-a-choice",
    "outside-limits",
    "reading-missing",
    "reading-incomplete",
    "too-few-rows",
    "own-result-differs",
}


@pytest.mark.parametrize("name", SHIPPED)
def test_typed_parts_are_legal(name: str) -> None:
    model = practical(name)
    forward = model.forward
    assert forward is not None
    for seed in range(12):
        cells = simulate(model, seed, shared_errors=True).cells
        assert set(cells) <= set(model.inputs)
        for one in forward.readings:
            for key in one.keys if one.scale else ():
                scale = forward.scales[one.scale]
                if scale.kind.graduation:
                    step = scale.values[scale.kind.graduation]
                    divisions = scale.values[scale.kind.divisions]
                    for main in cells[f"{key}.main"]:
                        assert main >= 0
                        assert abs(main / step - round(main / step)) < 1e-9
                        assert len(repr(main)) < 8
                    assert all(n == int(n) for n in cells[f"{key}.coincidence"])
                    assert all(0 <= n < divisions for n in cells[f"{key}.coincidence"])
                elif scale.kind.rounding:
                    step = scale.values["least_count"]
                    for value in cells[key]:
                        assert abs(value / step - round(value / step)) < 1e-6
                        assert len(repr(value)) < 9
        for key, values in cells.items():
            if model.inputs[key].kind == "choice":
                assert set(values) <= set(model.inputs[key].choices)
        codes = {f.code for f in assess(model, as_cells_show(model, cells), trials=0).findings}
        assert not codes & SCALE_CODES


SCALES = {
    "screw": {"turns": 4.0, "travel": 2.0, "divisions": 50.0, "pitch": 0.5, "least_count": 0.01},
    "vernier": {"main_division": 1.0, "vernier_divisions": 20.0, "least_count": 0.05},
    "direct": {"least_count": 0.1},
}


@pytest.mark.parametrize("kind", SCALES)
@given(reading=st.floats(0.0, 50.0))
def test_parts_are_the_inverse_of_the_reading_rule(kind: str, reading: float) -> None:
    scale = SCALES[kind]
    parts = parts_of(KINDS[kind], reading, scale)
    named = dict(zip((p.id for p in KINDS[kind].parts), parts, strict=True))
    back = evaluate(parse(KINDS[kind].reading, NAMES), Given({**scale, **named}))
    assert back == pytest.approx(reading, abs=scale["least_count"] / 2 + 1e-9)


@pytest.mark.parametrize("kind", ["screw", "vernier"])
@given(zero=st.floats(-0.4, 0.4))
def test_zero_parts_are_the_inverse_of_the_zero_rule(kind: str, zero: float) -> None:
    scale = SCALES[kind]
    number, text = zero_parts_of(KINDS[kind], zero, scale)
    assert 0 <= number < scale[KINDS[kind].divisions]
    side = float(KINDS[kind].zero_parts[1].choices.index(text))
    named = {**scale, "coincidence": number, "side": side}
    back = evaluate(parse(KINDS[kind].zero, NAMES), Given(named))
    assert back == pytest.approx(zero, abs=scale["least_count"] / 2 + 1e-9)


def test_scales_refuse_what_they_cannot_show() -> None:
    with pytest.raises(ValueError, match="below the zero"):
        parts_of(KINDS["screw"], -0.1, SCALES["screw"])
    with pytest.raises(ValueError, match="as large as a step"):
        zero_parts_of(KINDS["vernier"], -1.0, SCALES["vernier"])


@pytest.mark.parametrize("name", SHIPPED)
def test_same_seed_same_cells(name: str) -> None:
    model = practical(name)
    slips = applicable(model)[:3]
    assert simulate(model, 5, slips) == simulate(model, 5, slips)
    assert simulate(model, 5).cells != simulate(model, 6).cells
    drawn = [simulate(model, np.random.default_rng(3)) for _ in range(2)]
    assert drawn[0] == drawn[1]


def test_rows_and_shared_errors_leave_the_noise_as_it_is() -> None:
    model = practical(WIRE)
    few, many = simulate(model, 1, rows=6), simulate(model, 1, rows=9)
    assert few.truths == many.truths
    assert len(many.cells["readings.mass"]) == 9
    for key, values in few.cells.items():
        if key.startswith(("readings.", "diameter.")):
            assert values == many.cells[key][: len(values)]
    assert len(simulate(model, 1, rows={"diameter": 8}).cells["diameter.d.1.main"]) == 8
    with_errors = simulate(model, 1, rows=6, shared_errors=True)
    assert with_errors.cells["readings.mass"] == few.cells["readings.mass"]
    assert with_errors.cells["length.lower"] != few.cells["length.lower"]
    for rows in (0, 11, {"length": 4}, {"nothing": 1}):
        with pytest.raises(BenchError):
            simulate(model, 1, rows=rows)


def test_answers_are_those_of_the_typed_readings() -> None:
    model = practical(WIRE)
    bench = simulate(model, 11, ["zero-forgotten"])
    assert bench.cells["answer.Y"][0] == pytest.approx(result(model, bench) / 1e9, rel=5e-4)
    assert "answer.U" not in bench.cells


@pytest.mark.parametrize("runs", [2, 3])
def test_runs_have_readings_of_their_own(runs: int) -> None:
    model = practical(WIRE, runs)
    bench = simulate(model, 2)
    columns = [bench.cells[f"readings.up.{run + 1}.coincidence"] for run in range(runs)]
    assert all(one != other for i, one in enumerate(columns) for other in columns[:i])
    # what happens in the first run stays for the second
    slipped = simulate(model, 2, [Planting("slip", size=0.4, row=3)])
    before, after = numbers(model, bench), numbers(model, slipped)
    for key, from_row in (("up.1", 3), ("down.1", 0), (f"up.{runs}", 0), (f"down.{runs}", 0)):
        for row, (one, other) in enumerate(
            zip(before.column(f"readings.{key}"), after.column(f"readings.{key}"), strict=True)
        ):
            assert (one == other) == (one is None or row < from_row)


# -- slips -------------------------------------------------------------------------------------

Check = Callable[[Practical, Bench, Bench, Planted], None]


def moved(model: Practical, clean: Bench, dirty: Bench, key: str) -> list[float]:
    """By how much each reading of a column is off, in least counts."""
    forward = model.forward
    assert forward is not None
    scale = forward.scales[forward.reading(key).scale]
    least = scale.values["least_count"] * scale.unit.factor
    pairs = zip(numbers(model, clean).column(key), numbers(model, dirty).column(key), strict=True)
    return [(b - a) / least for a, b in pairs if a is not None and b is not None]


def typed_changes(one: Planted) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for key, row in one.changed:
        if not key.startswith("answer."):
            found.setdefault(key, []).append(row)
    return found


def divisions_of(model: Practical, key: str) -> float:
    forward = model.forward
    assert forward is not None
    scale = forward.scales[forward.reading(key).scale]
    return scale.values[scale.kind.divisions]


def off_by_main_scale(model: Practical, clean: Bench, dirty: Bench, one: Planted) -> None:
    by = moved(model, clean, dirty, one.where)
    assert {key.rpartition(".")[0] for key in typed_changes(one)} == {one.where}
    assert one.row is not None
    rows = range(len(by)) if one.slip == "block-shifted" else [one.row]
    wanted = one.size * divisions_of(model, one.where)
    assert abs(one.size) == (0.5 if one.slip == "half-step" else 1.0)
    for row, shift in enumerate(by):
        hit = row in rows and row >= one.row
        assert shift == pytest.approx(wanted if hit else 0.0, abs=1e-6)


def one_coincidence(model: Practical, clean: Bench, dirty: Bench, one: Planted) -> None:
    assert typed_changes(one) == {f"{one.where}.coincidence": [one.row]}
    assert one.row is not None
    old, new = (int(b.cells[f"{one.where}.coincidence"][one.row]) for b in (clean, dirty))
    assert 0 <= new < divisions_of(model, one.where)
    assert new - old == one.size
    if one.slip == "digits-swapped":
        assert f"{old:02}"[::-1] == f"{new:02}"
    else:
        assert abs(new - old) == 10


def backwards(model: Practical, clean: Bench, dirty: Bench, one: Planted) -> None:
    table = one.where.partition(".")[0]
    keys = [k for k in clean.cells if k.startswith(f"{table}.") and k.endswith(".coincidence")]
    assert set(typed_changes(one)) <= set(keys)
    for key in keys:
        n = divisions_of(model, key.removesuffix(".coincidence"))
        pairs = zip(clean.cells[key], dirty.cells[key], strict=True)
        assert all((old + new) % n == 0 for old, new in pairs)


def divisions(model: Practical, clean: Bench, dirty: Bench, one: Planted) -> None:
    assert typed_changes(one) == {one.where: [0]}
    assert dirty.cells[one.where][0] / clean.cells[one.where][0] in (0.5, 2.0)


def zero(model: Practical, clean: Bench, dirty: Bench, one: Planted) -> None:
    instrument = one.where.partition(".")[0]
    base = f"{instrument}.zero_reading"
    assert set(typed_changes(one)) <= {f"{base}.coincidence", f"{base}.side"}
    before, after = (numbers(model, b).column(base) for b in (clean, dirty))
    for old, new in zip(before, after, strict=True):
        if one.slip == "zero-forgotten":
            assert new == 0.0
        elif one.slip == "zero-sign":
            assert new == pytest.approx(-old)
    if one.slip == "zero-side":
        assert set(typed_changes(one)) == {f"{base}.side"}
        sides = zip(clean.cells[f"{base}.side"], dirty.cells[f"{base}.side"], strict=True)
        assert all(old != new for old, new in sides)


def on_scales(model: Practical, clean: Bench, dirty: Bench, one: Planted) -> None:
    """The shape of a shift of the readings, to within the rounding of both."""
    line = next(iter(model.lines.values()))
    series = [list(model.columns(name)) for name in line.definition.y]
    up = moved(model, clean, dirty, series[0][0])
    down = moved(model, clean, dirty, series[1][0]) if len(series) == 2 else []
    parts = {part for key in line.y for part in (key, f"{key}.main", f"{key}.coincidence")}
    assert set(typed_changes(one)) <= parts
    column = [v for v in numbers(model, clean).column(series[0][0]) if v is not None]
    forward = model.forward
    assert forward is not None
    scale = forward.scales[forward.reading(series[0][0]).scale]
    least = scale.values["least_count"] * scale.unit.factor
    step = (column[-1] - column[0]) / (len(column) - 1) / least
    last = len(up) - 1
    want_up, want_down = shape(one, last)
    assert up == pytest.approx([step * v for v in want_up], abs=1.2)
    assert down == pytest.approx([step * v for v in want_down][: len(down)], abs=1.2)


def shape(one: Planted, last: int) -> tuple[list[float], list[float]]:
    """Shifts of the first and the second series in steps of the line."""
    n, size, row = last + 1, one.size, one.row or 0
    match one.slip:
        case "slip":
            return [size if i >= row else 0.0 for i in range(n)], [size] * n
        case "kink-at-start":
            second = -0.35 * size if any(r == 1 for _, r in one.changed) else 0.0
            return [-size, second, *([0.0] * (n - 2))], [0.0] * n
        case "yield-at-end":
            bent = [((i - row + 1) / (n - row)) ** 2 if i >= row else 0.0 for i in range(n)]
            return [size * b for b in bent], [size] * n
        case "backlash" | "permanent-set":
            return [0.0] * n, [*([size] * last), 0.0]
        case "friction":
            lens = [2.0 * size * i * (last - i) / last**2 for i in range(n)]
            return [-v for v in lens], lens
        case "drift":
            both = 2 * n - 1 if one.where.startswith("readings") else n - 1
            return [size * i / both for i in range(n)], [size * (both - i) / both for i in range(n)]
    raise AssertionError(one.slip)


def missed(model: Practical, clean: Bench, dirty: Bench, one: Planted) -> None:
    line = next(iter(model.lines.values()))
    assert one.where == line.x
    assert one.where not in typed_changes(one)
    column = numbers(model, clean).column(line.x)
    for key in line.y:
        y = numbers(model, clean).column(key)
        by = [
            (b - a) / (y[1] - y[0])
            for a, b in zip(y, numbers(model, dirty).column(key), strict=True)
            if a is not None and b is not None
        ]
        assert one.row is not None
        wanted = [float(i >= one.row) for i in range(sum(v is not None for v in column))]
        assert by == pytest.approx(wanted, abs=0.15)


def unit_of(model: Practical, clean: Bench, dirty: Bench, one: Planted) -> None:
    ids = {key.rstrip("0123456789").rstrip(".") for key in typed_changes(one)}
    assert ids == {one.where.rstrip("0123456789").rstrip(".")}
    assert abs(round(math.log10(one.size)) - math.log10(one.size)) < 1e-12
    for key in typed_changes(one):
        for old, new in zip(clean.cells[key], dirty.cells[key], strict=True):
            assert new == pytest.approx(old * one.size)


def counted(model: Practical, clean: Bench, dirty: Bench, one: Planted) -> None:
    assert typed_changes(one) == {one.where: [0]}
    assert abs(dirty.cells[one.where][0] - clean.cells[one.where][0]) == 1


def same_twice(model: Practical, clean: Bench, dirty: Bench, one: Planted) -> None:
    line = next(iter(model.lines.values()))
    first, second = (model.columns(name)[0] for name in line.definition.y)
    found = numbers(model, dirty)
    assert found.column(first) == found.column(second)
    assert found.column(first) == numbers(model, clean).column(first)
    assert all(key.startswith(f"{second}.") for key in typed_changes(one))


FACTORS: dict[str, Callable[[float], bool]] = {
    "diameter-for-radius": lambda r: (
        math.isclose(r, 4.0, rel_tol=1e-3) or math.isclose(r, 0.25, rel_tol=1e-3)
    ),
    "radius-for-diameter": lambda r: (
        math.isclose(r, 4.0, rel_tol=1e-3) or math.isclose(r, 0.25, rel_tol=1e-3)
    ),
    "pi-left-out": lambda r: any(math.isclose(r, math.pi**n, rel_tol=1e-3) for n in (-2, -1, 1, 2)),
    "number-left-out": lambda r: any(math.isclose(r, f, rel_tol=1e-3) for f in (4.0, 0.25)),
    "power-lost": lambda r: abs(r - 1.0) > 0.01,
    "left-out": lambda r: abs(r - 1.0) > 0.01,
    "decimal-point": lambda r: any(math.isclose(r, f) for f in (10, 0.1, 1000, 0.001)),
    "result-inverted": lambda r: abs(r - 1.0) > 0.01,
    # a slope over steps of 50 g, or a stiffness that is divided by it
    "per-step": lambda r: 0.002 < r < 500 and abs(r - 1.0) > 0.01,
    "zero-left-out": lambda r: 0.003 < abs(r - 1.0) < 0.4,
    "another-method": lambda r: 0.0 < abs(r - 1.0) < 0.05,
}


def own_sum(model: Practical, clean: Bench, dirty: Bench, one: Planted) -> None:
    assert one.changed == ((one.where, 0),)
    ratio = dirty.cells[one.where][0] / clean.cells[one.where][0]
    assert one.effect == pytest.approx(ratio)
    assert FACTORS[one.slip](ratio), ratio
    if one.slip == "result-inverted":
        assert dirty.cells[one.where][0] == pytest.approx(1 / clean.cells[one.where][0], rel=2e-3)


CHECKS: dict[str, Check] = {
    **dict.fromkeys(("main-step", "half-step", "repeat-step", "block-shifted"), off_by_main_scale),
    **dict.fromkeys(("digits-swapped", "ten-divisions"), one_coincidence),
    "scale-backwards": backwards,
    "wrong-divisions": divisions,
    **dict.fromkeys(("zero-forgotten", "zero-side", "zero-sign"), zero),
    **dict.fromkeys(
        ("slip", "kink-at-start", "yield-at-end", "backlash", "permanent-set", "friction", "drift"),
        on_scales,
    ),
    "load-not-recorded": missed,
    "unit-slip": unit_of,
    "count-off": counted,
    "copied": same_twice,
    **dict.fromkeys(FACTORS, own_sum),
}


def models() -> dict[str, Practical]:
    return {**{name: practical(name) for name in SHIPPED}, "spring": spring()}


PAIRS = [(name, slip) for name, model in models().items() for slip in applicable(model)]


def test_every_slip_is_tried_and_explained() -> None:
    assert set(CHECKS) == set(PLANTED) == {slip for _, slip in PAIRS}
    for one in PLANTED.values():
        assert one.what.endswith(".")


@pytest.mark.slow
@pytest.mark.parametrize(("name", "slip"), PAIRS, ids=lambda value: value)
def test_a_slip_changes_what_it_should_and_nothing_else(name: str, slip: str) -> None:
    model = models()[name]
    planted = 0
    for seed in range(8):
        clean = simulate(model, seed)
        try:
            dirty = simulate(model, seed, [slip])
        except BenchError:
            # two methods may agree in all digits, a zero error may round to nothing
            continue
        planted += 1
        (one,) = dirty.planted
        assert one.slip == slip
        assert one.changed
        assert dirty.truths == clean.truths
        for key in dict.fromkeys((*clean.cells, *dirty.cells)):
            rows = {row for changed, row in one.changed if changed == key}
            here, there = clean.cells[key], dirty.cells[key]
            assert len(here) == len(there)
            for row, (old, new) in enumerate(zip(here, there, strict=True)):
                assert (old != new) == (row in rows)
        CHECKS[slip](model, clean, dirty, one)
        if not isinstance(PLANTED[slip], OwnSlip):
            assert one.effect == pytest.approx(result(model, dirty) / result(model, clean))
    assert planted >= 4


ROWS = {slip.id: slip for slip in CELLS if slip.what and slip.tried}


@pytest.mark.parametrize("slip", ROWS)
def test_what_is_planted_is_undone_by_the_same_row(slip: str) -> None:
    """A slip of the catalogue done again puts right what it did: it is planted and tried alike."""
    row, undone = ROWS[slip], 0
    model = practical(PENDULUM if slip == "count-off" else WIRE)
    for seed in range(3):
        try:
            dirty = simulate(model, seed, [slip])
        except BenchError:
            continue
        (one,) = dirty.planted
        place = one.where
        if row.tried in ("scale", "zero"):
            field = model.derived.get(place)
            place = field.instrument if field else place.partition(".")[0]
        clean, seen = numbers(model, simulate(model, seed)), numbers(model, dirty)
        changed = [(key, at) for key, at in one.changed if not key.startswith("answer.")]
        undone += any(
            all(
                seen.changed(trial.changes).observations.entry(key, at).value
                == pytest.approx(clean.observations.entry(key, at).value)
                for key, at in changed
            )
            for trial in row.trials(seen, place, one.row)
        )
    assert undone >= 2


def test_the_words_of_the_catalogue_are_there() -> None:
    for slip in CELLS:
        assert bool(slip.said) == bool(slip.tried), slip.id
        for message in filter(None, (slip.said, slip.message)):
            assert message in catalogue_of_messages(), slip.id
    for name in KINDS_OF_OWN:
        assert f"because-{name}" in catalogue_of_messages()
    assert {
        kind for slip in PLANTED.values() if isinstance(slip, OwnSlip) for kind in slip.kinds
    } <= set(KINDS_OF_OWN)


def test_slips_apply_where_the_definition_has_what_they_need() -> None:
    found = {name: set(applicable(model)) for name, model in models().items()}
    two_series = {"backlash", "permanent-set", "friction", "copied"}
    with_main_scale = {"main-step", "half-step", "block-shifted"}
    assert found[WIRE] == set(PLANTED) - {"count-off"}
    assert not found[PENDULUM] & (
        two_series | with_main_scale | {"slip", "drift", "load-not-recorded"}
    )
    assert {"count-off", "repeat-step", "zero-side"} <= found[PENDULUM]
    assert {
        "slip",
        "kink-at-start",
        "yield-at-end",
        "drift",
        "load-not-recorded",
        "unit-slip",
    } <= found["spring"]
    assert not found["spring"] & (two_series | with_main_scale | {"zero-side", "count-off"})


def test_a_planting_is_taken_at_its_word() -> None:
    model = practical(WIRE)
    where = "readings.down.1"
    assert where in places_of(model, "main-step")
    wanted = Planting("main-step", size=-1.0, place=where, row=4)
    (one,) = simulate(model, 3, [wanted]).planted
    assert (one.where, one.row, one.size) == (where, 4, -1.0)
    for wrong in (
        Planting("main-step", place="diameter.d.1"),
        Planting("main-step", row=40),
        Planting("count-off"),
        Planting("no-such-slip"),
    ):
        with pytest.raises(BenchError):
            simulate(model, 3, [wrong])


@pytest.mark.parametrize("rows", [1, 2])
@pytest.mark.parametrize("name", ["wire-stretching", "spring"])
def test_a_bench_of_a_row_or_two_plants_or_refuses(name: str, rows: int) -> None:
    model = models()[name]
    refused = set()
    for slip in applicable(model):
        try:
            assert simulate(model, 1, [slip], rows=rows).planted[0].changed
        except BenchError:
            refused.add(slip)
    assert {"kink-at-start", "drift"} <= refused
    assert "unit-slip" not in refused


def test_slips_do_not_move_each_other() -> None:
    model = practical(WIRE)
    alone = simulate(model, 8, ["slip"]).planted[0]
    beside = simulate(model, 8, ["zero-forgotten", "repeat-step", "slip"]).planted[2]
    assert (alone.where, alone.row, alone.size) == (beside.where, beside.row, beside.size)


def test_effects_multiply_up_where_slips_do_not_meet() -> None:
    model = practical(WIRE)
    clean, dirty = simulate(model, 8), simulate(model, 8, ["zero-forgotten", "main-step"])
    total = result(model, dirty) / result(model, clean)
    assert math.prod(one.effect for one in dirty.planted) == pytest.approx(total, rel=1e-6)


def test_a_larger_size_does_more() -> None:
    model = practical(WIRE)
    effects = [simulate(model, 8, [Planting("slip", s, row=4)]).planted[0].effect for s in (0.1, 1)]
    assert effects[1] < effects[0] < 1.0


# -- definitions -------------------------------------------------------------------------------


def test_without_a_bench_there_is_none() -> None:
    model = load(GOOD.partition("[bench.truths]")[0])
    assert applicable(model) == ()
    with pytest.raises(SheetlabError) as caught:
        simulate(model, 1)
    assert [finding.code for finding in caught.value.findings] == ["no-bench"]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('Y = { unit = "GPa"', 'Y = { unit = "mm"', ["bench.truths.Y.unit", "same"]),
        ('Y = { unit = "GPa"', 'Y = { unit = "Gpaa"', ["bench.truths.Y.unit"]),
        ('low = 104, high = 116', 'low = 116, high = 104', ["bench.truths.Y", "range"]),
        ('low = 104, high = 116', 'low = 104', ["bench.truths.Y", "range"]),
        ('low = 104, high = 116', 'low = 1, high = 2, fixed = 3', ["one way to its value"]),
        ('low = 0.4, high = 0.5, step = 0.1', 'low = 0.4, high = 0.5, step = -1', [".step"]),
        ('top = { unit = "cm"', 'L = { unit = "cm"', ["not TOML"]),
        ('top = { unit = "cm"', 'row = { unit = "cm"', ["used twice"]),
        ('top = { unit = "cm"', '"a b" = { unit = "cm"', ["is no name"]),
        ('"normal_gravity(latitude, altitude)" }', '"normal_gravity(latitude, room)" }',
         ["bench.truths.g_site.formula"]),
        ('"4 * g_site * L / (pi * d^2 * Y)"', '"4 * g_site * L / (pi * d * Y)"', ["dimension"]),
        ('"4 * g_site * L / (pi * d^2 * Y)"', '"4 * g_site * later / (pi * d^2 * Y)"', ["later"]),
        ('metre_scale = { p', 'yard_stick = { p', ["yard_stick", "masses"]),
        ('metre_scale = { parameters = { least_count = 0.1 } }\n', "",
         ["bench.readings.length.upper", "metre_scale"]),
        ('divisions = 50 }, zero', 'division = 50 }, zero', ["divisions", "is missing"]),
        ('divisions = 50 }, zero', 'divisions = 50, pitch = 1 }, zero', ["pitch", "nothing"]),
        ('divisions = 50 }, zero', 'divisions = 5000 }, zero', ["divisions", "2 to 1000"]),
        ('divisions = 50 }, zero', 'divisions = 50.5 }, zero', ["a whole number"]),
        ('divisions = 50 }, zero', 'divisions = "50" }, zero', ["is not a number"]),
        ('zero = [0.02, 0.06]', 'zero = [0.06, 0.02]', ["bench.instruments.screw_gauge.zero"]),
        ('zero = [0.02, 0.06]', 'zero = [0.02, 0.6]', ["as large as a step"]),
        ('zero_noise = 0.004', 'zero_noise = -1', ["zero_noise"]),
        ('least_count = 0.1 } }', 'least_count = 0.1 }, zero = [0, 1] }', ["has none"]),
        ('material = "phosphor bronze"', 'material = "jelly"', ["bench.inputs.material", "brass"]),
        ('temperature = "room"', 'temperature = "top"',
         ["bench.inputs.temperature.value", "dimension"]),
        ('dead_load = "dead', 'live_load = "dead', ["no input", "dead_load"]),
        ('"readings.up" = {', '"readings.mean" = {', ["not a column that is typed"]),
        ('"readings.up" = {', '"up" = {', ["table.column"]),
        ('value = "row * load"', 'value = "row * top"', ["readings.mass.value", "dimension"]),
        ('value = "row * load"', 'value = "row * load < load"', ["condition"]),
        ('value = "row * load"', 'value = "up * load"', ["up", "not the name"]),
        ('value = "row * load"', 'value = "row * load", start = 0', ["one way to its value"]),
        ('"bottom + stretch * mass", noise = 0.006 }\n"readings.down"',
         '"bottom + stretch * previous(mass)" }\n"readings.down"',
         ["has no place in a bench"]),
        ('rows = [6, 10]', 'rows = [6, 11]', ["readings.mass.rows", "1 to 10"]),
        ('rows = [6, 10]', 'row = [6, 10]', ["bench.readings.readings.mass.row", "place_noise"]),
        ('stretch * mass", noise = 0.006 }\n"readings.d',
         'stretch * mass", rows = [5, 5] }\n"readings.d',
         ["differs within its table"]),
        ('top + L", noise = 0.03', 'top + L", noise = -0.03', ["length.lower.noise"]),
        ('place_noise = 0.005', 'place_noise = -0.005', ["place_noise"]),
        ('value = "top + L"', 'value = "top + mean(length.upper)"', ["has no place in a bench"]),
    ],
)  # fmt: skip
def test_wrong_benches_are_refused(old: str, new: str, told: list[str]) -> None:
    assert old in GOOD
    head, bench, tail = GOOD.partition("[bench.truths]")
    with pytest.raises(SheetlabError) as caught:
        load(f"{head}{bench}{tail.replace(old, new, 1)}")
    messages = [finding.message for finding in caught.value.findings]
    for words in told:
        assert any(words in message for message in messages), messages


def test_a_bench_knows_the_truth_of_the_first_result() -> None:
    with pytest.raises(SheetlabError) as caught:
        load(SPRING.replace("D = { unit", "DD = { unit"))
    assert "the true value of the first result, “D”, is missing" in str(caught.value)


def test_a_formula_without_a_value_is_told() -> None:
    model = load(SPRING.replace('"top + m * g / D"', '"top * sqrt(2 - row)"'))
    with pytest.raises(BenchError, match=r"t\.y"):
        simulate(model, 1)


def test_a_scale_that_would_have_to_show_less_than_nothing_is_told() -> None:
    text = GOOD.replace('bottom = { unit = "mm", low = 1, high = 2',
                        'bottom = { unit = "mm", low = -2, high = -1')  # fmt: skip
    assert text != GOOD
    with pytest.raises(BenchError, match="below the zero"):
        simulate(load(text), 1)
