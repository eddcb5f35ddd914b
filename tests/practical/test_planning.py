"""Plans: stress against published numbers, schedules by hand, predictions against benches."""

from __future__ import annotations

import math
import statistics
from functools import cache
from itertools import pairwise

import pytest
from examples import SHIPPED, practical
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from published import case, columns, rows

from sheetlab.before.books import books, gauges
from sheetlab.before.plan import plan_text
from sheetlab.finding import SheetlabError
from sheetlab.messages import said
from sheetlab.practical.assumptions import Settings, expected, quiet, settable, typical_settings
from sheetlab.practical.bench import simulate
from sheetlab.practical.evaluate import evaluate_practical
from sheetlab.practical.forward import Shown
from sheetlab.practical.loader import catalogue, load
from sheetlab.practical.loads import (
    LIMIT,
    Masses,
    Schedule,
    best_schedule,
    divided,
    drop_energy,
    hung,
    steps_of,
    stress_at,
)
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.planning import Plan, plan
from sheetlab.practical.schedules import Request

WIRE, PENDULUM = "wire-stretching", "simple-pendulum"
PROBLEMS = "wire_problems.json"
MPA = 1e6


def assumed(name: str = WIRE, **truths: float) -> Practical:
    """A practical with true values in their units, beyond the limits of its cells too."""
    made = typical_settings(practical(name))
    for key, value in truths.items():
        fixed = replace(made.find_truth(key), low=value, high=value, step=0.0, node=None)
        others = tuple(fixed if t.key == key else t for t in made.forward.truths)
        made = made.changed(truths=others)
    return made.practical


def shown(**truths: float) -> Shown:
    return quiet(assumed(**truths), {"readings": 2})


def planned(name: str = WIRE, **asked: object) -> Plan:
    return plan(practical(name), Request(**asked), books())  # type: ignore[arg-type]


def quick(name: str = WIRE, **asked: object) -> Plan:
    return planned(name, benches=1, benches_of_effects=0, **asked)


@cache
def whole(name: str) -> Plan:
    """With its effects, from fewer benches than are usual."""
    return planned(name, benches=8, benches_of_effects=2)


def refused(**asked: object) -> str:
    with pytest.raises(SheetlabError) as caught:
        quick(**asked)  # type: ignore[arg-type]
    (finding,) = caught.value.findings
    return finding.code


# -- gauges and published numbers ----------------------------------------------------------------


def test_gauges_are_the_published_ones() -> None:
    by_name = {one.name: one for one in gauges()}
    table = rows("wire_gauges.csv")
    assert len(table) == 31
    for row in table:
        swg, awg = (by_name[f"{kind} {row['gauge']}"] for kind in ("SWG", "AWG"))
        assert 1000 * swg.diameter == pytest.approx(float(row["swg_mm"]), rel=1e-12)
        assert 1000 * awg.diameter == pytest.approx(float(row["awg_mm_formula"]), abs=6e-7)
        assert swg.source
        assert awg.source
    # the two ends that define the American gauge
    assert by_name["AWG 36"].diameter == pytest.approx(0.127e-3, rel=1e-12)
    assert 92 * by_name["AWG 36"].diameter / 25.4e-3 == pytest.approx(0.46, rel=1e-12)


LOADED = ("W01_rod_550kg", "W03_cable", "W04_nylon_rope", "W07_structural_rod",
          "W09_steel_rod_62kN")  # fmt: skip
FORCE_G = 9.8


@pytest.mark.parametrize("key", LOADED)
def test_stress_and_extension_of_published_problems(key: str) -> None:
    one = case(PROBLEMS, key)
    given_ = one["given"]
    if "diameter_m" in given_:
        d = given_["diameter_m"]
    elif "radius_m" in given_:
        d = 2 * given_["radius_m"]
    else:
        d = math.sqrt(4 * given_["A_m2"] / math.pi)
    g = given_.get("g", FORCE_G)
    mass = given_["mass_kg"] if "mass_kg" in given_ else given_["F_N"] / g
    made = assumed(
        d=1000 * d, L=given_["L_m"], Y=given_["E_Pa"] / 1e9, g_site=g, dead_load=0.0, load=mass
    )
    found = {
        "stress": stress_at(quiet(made, {"readings": 2}), mass),
        "elongation": _extension(made),
    }
    found["strain"] = found["elongation"] / given_["L_m"]
    checked = [e for e in one["expected"] if e["name"] in found]
    assert checked
    for entry in checked:
        assert found[entry["name"]] == pytest.approx(entry["value"], abs=entry["tolerance"])


def _extension(made: Practical) -> float:
    """Change of the expected reading under one step of load, m."""
    column = next(c for c in expected(made, {"readings": 2}, "readings") if "up" in c.key)
    return 1e-3 * (column.values[1] - column.values[0])


def test_expected_readings_follow_a_published_table() -> None:
    # five loads of 15 N to 55 N lie on a line; the pointer was read to 0.01 mm
    one = case(PROBLEMS, "W10_loaded_wire_table")
    e = next(x["value"] for x in one["expected"] if x["name"] == "E")
    loads, pointer = columns("wire_load_table.csv", "load_N_including_pan", "pointer_cm")
    made = assumed(
        d=1e3 * one["given"]["diameter_m"], L=one["given"]["L_m"], Y=e / 1e9, g_site=FORCE_G,
        load=10.0 / FORCE_G, dead_load=15.0 / FORCE_G,
    )  # fmt: skip
    column = next(c for c in expected(made, {"readings": 5}, "readings") if "up" in c.key)
    assert loads[1:6] == [15, 25, 35, 45, 55]
    for i in range(5):
        change = column.values[i] - column.values[0]
        assert change == pytest.approx(10 * (pointer[1 + i] - pointer[1]), abs=0.02)
        assert column.divisions is not None
        assert column.divisions[i] == pytest.approx(column.values[i] / 0.01, rel=1e-12)


def test_stress_by_hand() -> None:
    # 4 × 4.5 kg × 9.81 m/s² / (π × (0.455 mm)²)
    assert stress_at(shown(d=0.455, g_site=9.81, dead_load=1.0), 3.5) == pytest.approx(
        271.5 * MPA, abs=0.1 * MPA
    )
    # 1 N on 1 mm²
    d = 2 / math.sqrt(math.pi)
    found = stress_at(shown(d=d, g_site=10.0, dead_load=0.04), 0.06)
    assert found == pytest.approx(MPA, rel=1e-12)
    assert drop_energy(2.0, 0.05) == pytest.approx(0.980665, rel=1e-12)


@given(
    d=st.floats(0.05, 3), dead=st.floats(0, 50), low=st.floats(0, 50), more=st.floats(0.01, 50)
)  # fmt: skip
@settings(max_examples=25, deadline=None)
def test_stress_rises_with_load(d: float, dead: float, low: float, more: float) -> None:
    here = shown(d=d, dead_load=dead)
    first, second = stress_at(here, low), stress_at(here, low + more)
    assert 0 <= first < second
    assert second - first == pytest.approx(stress_at(here, low + 2 * more) - second, rel=1e-6)


# -- masses and schedules ------------------------------------------------------------------------


def test_masses_are_laid_together() -> None:
    ten = (Masses(0.5, 10),)
    assert divided(ten, 0.5, 10)
    assert divided(ten, 1.0, 5)
    assert not divided(ten, 0.5, 11)
    assert not divided(ten, 0.75, 1)
    # 0.2 + 0.2 + 0.1 three times, and once from 0.5
    assert divided((Masses(0.5, 1), Masses(0.2, 6), Masses(0.1, 3)), 0.5, 4)
    assert steps_of((Masses(0.5, 2), Masses(0.2, 1))) == [0.2, 0.5, 0.7, 1.0, 1.2]


@given(st.floats(0.05, 2), st.integers(1, 30), st.integers(1, 6), st.integers(1, 10))
def test_one_kind_of_mass_is_counted(mass: float, count: int, each: int, groups: int) -> None:
    assert divided((Masses(mass, count),), each * mass, groups) == (each * groups <= count)


def test_schedule_by_hand() -> None:
    # 100 divisions a kilogram, 4 kg allowed, ten half kilograms: 8 loads reach 3.5 kg
    found = best_schedule((Masses(0.5, 10),), 10, lambda m: m <= 4.0, lambda m: 100 * m)
    assert found == Schedule(8, 0.5, 350.0, True)
    # ten of 0.2 kg: 0.2² × 10 × 99 = 39.6 is more than 0.4² × 6 × 35 = 33.6
    found = best_schedule((Masses(0.2, 10),), 10, lambda m: m <= 4.0, lambda m: 100 * m)
    assert found == Schedule(10, 0.2, pytest.approx(180.0), True)
    # steps of 10 divisions are not enough for comfort, of 9 for anything
    found = best_schedule((Masses(0.5, 10),), 10, lambda m: m <= 4.0, lambda m: 20 * m)
    assert found == Schedule(8, 0.5, 70.0, False)
    assert best_schedule((Masses(0.5, 10),), 10, lambda m: m <= 4.0, lambda m: 18 * m) is None
    assert best_schedule((Masses(0.5, 4),), 10, lambda m: True, lambda m: 100 * m) is None
    assert best_schedule((), 10, lambda m: False, lambda m: 100 * m) is None


@pytest.mark.parametrize("material", [one.name for one in books().materials])
def test_recommended_loads_keep_every_limit(material: str) -> None:
    found = quick(
        material=material, masses=(Masses(0.1, 20), Masses(0.5, 10)), reason="asked by a test"
    )
    stress = found.stress
    assert stress is not None
    schedule = stress.schedule
    if schedule is None:
        assert len(stress.advice) > 1
        return
    assert stress.followed
    assert schedule.loads == found.rows >= 6
    assert schedule.loads % 2 == 0
    assert schedule.total_divisions >= 50
    assert schedule.total_divisions / (schedule.loads - 1) >= 10
    assert stress.greatest.of_breaking <= LIMIT + 1e-9
    if stress.greatest.of_yield is not None:
        assert stress.greatest.of_yield <= 0.5 + 1e-9
    loads = [row.load for row in stress.rows]
    assert loads == pytest.approx([i * schedule.step for i in range(found.rows)])
    assert divided((Masses(0.1, 20), Masses(0.5, 10)), schedule.step, schedule.loads - 1)
    # the dead load counts: the first stress is not nothing
    assert stress.rows[0].stress > 0
    column = next(c for c in found.expected if "up" in c.key)
    assert column.divisions is not None
    change = column.divisions[-1] - column.divisions[0]
    assert change == pytest.approx(schedule.total_divisions, rel=1e-9)


def test_advice_names_changes_that_do_fit() -> None:
    asked = {"material": "brass, annealed", "masses": (Masses(0.5, 10),), "reason": "a test"}
    stress = quick(**asked).stress
    assert stress is not None
    assert stress.schedule is None
    told = dict(line.split(": ", 1) for line in map(said, stress.advice[1:]))
    assert "Gauge" in told
    gauge = told["Gauge"].partition(" (")[0]
    assert quick(gauge=gauge, **asked).stress.schedule is not None  # type: ignore[union-attr]
    # a thinner wire cannot carry masses that are too heavy: the gauge that helps is thicker
    thicker = next(one for one in gauges() if one.name == gauge)
    assert thicker.diameter > 0.5e-3


SOFT = {"gauge": "SWG 24", "material": "brass, annealed"}


def test_all_masses_one_after_another_by_hand() -> None:
    assert hung((Masses(1.0, 3), Masses(0.2, 2)), 10) == [0, 1, 2, 3, 3.2, 3.4]
    # eleven loads in ten rows: two masses go on together, the last load is still all of them
    crowded = hung((Masses(0.5, 10),), 10)
    assert (len(crowded), crowded[0], crowded[-1]) == (10, 0, 5)
    assert sorted({round(b - a, 9) for a, b in pairwise(crowded)}) == [
        0.5, 1.0
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("masses", "loads", "breaking"),
    [
        ((Masses(0.5, 8),), [0.5 * i for i in range(9)], 0.645),
        ((Masses(1.0, 4),), [0, 1, 2, 3, 4], 0.645),
        ((Masses(0.5, 10),), [0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5], 0.774),
        ((Masses(1.0, 2), Masses(0.7, 3)), [0, 1, 2, 2.7, 3.4, 4.1], 0.658),
    ],
)
def test_masses_without_a_schedule_count_all(
    masses: tuple[Masses, ...], loads: list[float], breaking: float
) -> None:
    # brass, annealed breaks at 310 MPa; 5 kg on 0.5588 mm pull with 200 MPa
    found = quick(masses=masses, **SOFT)
    stress = found.stress
    assert stress is not None
    assert stress.schedule is None
    assert stress.all_hung
    assert [row.load for row in stress.rows] == pytest.approx(loads)
    assert stress.greatest.of_breaking == pytest.approx(breaking, abs=2e-3)
    assert stress.refusal is not None
    assert "all of them" in stress.refusal.found
    assert "Nothing was written" in stress.refusal.remedy
    assert found.rows == len(loads)
    column = next(c for c in found.expected if "mass" in c.key)
    assert column.values == pytest.approx(loads)
    # the reading follows these loads, as it would follow equal steps
    up = next(c for c in found.expected if "up" in c.key).values
    assert (up[2] - up[0]) / (up[1] - up[0]) == pytest.approx(loads[2] / loads[1], rel=1e-6)
    assert (
        planned(masses=masses, reason="a test", benches=1, benches_of_effects=1, **SOFT).effects
        == ()
    )


def test_advice_where_masses_are_too_few() -> None:
    stress = quick(masses=(Masses(1.0, 4),), **SOFT).stress
    assert stress is not None
    assert "1 × 4" in said(stress.advice[1])
    assert "5 loads at most" in said(stress.advice[1])
    gauge = said(stress.advice[2]).partition("gauge: ")[2].partition(" (")[0]
    assert quick(gauge=gauge, material=SOFT["material"]).stress.schedule is not None  # type: ignore[union-attr]


def test_set_loads_that_the_masses_cannot_make() -> None:
    ten = (Masses(0.5, 10),)
    hard: dict[str, object] = {"material": "steel, music wire", "masses": ten}
    assert refused(settings={"load": "0.4"}, **hard) == "setting-refused"
    assert refused(settings={"load": "1", "readings.rows": "8"}, **hard) == "setting-refused"

    def loads(**set_: str) -> list[float]:
        names_ = {name.replace("_", "."): text for name, text in set_.items()}
        stress = quick(settings=names_, **hard).stress
        assert stress is not None
        return [round(row.load, 9) for row in stress.rows]

    assert loads(load="1") == [0, 1, 2, 3, 4, 5]
    assert loads(load="0.5", readings_rows="7") == [0.5 * i for i in range(7)]
    for rows_ in (6, 7, 8):
        found = loads(readings_rows=str(rows_))
        step = found[1]
        assert found == pytest.approx([step * i for i in range(rows_)])
        assert divided(ten, step, rows_ - 1)


def test_other_steps_are_of_the_masses_too() -> None:
    masses = (Masses(0.5, 10),)
    found = planned(material="steel, music wire", masses=masses, benches=1, benches_of_effects=1)
    assert any(one.relative is not None for one in found.effects)
    for one in found.effects:
        assert one.step % 0.5 == pytest.approx(0)
        assert one.relative is None or divided(masses, one.step, one.rows - 1)


def test_a_missing_gauge_tells_how_to_give_a_diameter() -> None:
    with pytest.raises(SheetlabError) as caught:
        quick(gauge="24")
    assert "--set d=0.5" in caught.value.findings[0].remedy


def test_a_short_wire_wants_length() -> None:
    asked = {"material": "steel, structural", "reason": "a test"}
    stress = quick(settings={"L": "1.0", "dead_load": "0.5"}, **asked).stress
    assert stress is not None
    assert stress.schedule is None
    told = dict(line.split(": ", 1) for line in map(said, stress.advice[1:]))
    length = told["Length"].split()[0]
    longer = quick(settings={"L": length, "dead_load": "0.5"}, **asked).stress
    assert longer is not None
    assert longer.schedule is not None


# -- limits --------------------------------------------------------------------------------------


def test_limits_by_hand() -> None:
    # copper, annealed breaks at 220 MPa at least; with d = 0.5 mm that is 4.4 kg
    def at(kilograms: float, **more: object) -> Plan:
        set_ = {"readings.rows": "6", "d": "0.5", "dead_load": "1", "load": str(kilograms / 5)}
        return quick(material="copper, annealed", settings=set_, **more)

    breaking = 220e6 * math.pi * 0.25e-6 / 4 / 9.81
    codes = {}
    for part in (0.32, 0.35, 0.49, 0.51):
        stress = at(part * breaking - 1.0).stress
        assert stress is not None
        assert stress.greatest.of_breaking == pytest.approx(part, rel=1e-3)
        codes[part] = {one.code for one in stress.warnings}
        assert (stress.refusal is not None) == (part > 0.5)
    assert "load-high" not in codes[0.32]
    assert "load-near-yield" in codes[0.32]  # 70 MPa is little
    assert all("load-high" in codes[part] for part in (0.35, 0.49, 0.51))
    own = at(0.35 * breaking - 1.0, limit=0.4).stress
    assert own is not None
    assert "load-high" not in {one.code for one in own.warnings}
    reasoned = at(0.6 * breaking - 1.0, reason="shown behind a screen").stress
    assert reasoned is not None
    assert reasoned.refusal is None
    assert reasoned.reason == "shown behind a screen"
    blank = at(0.6 * breaking - 1.0, reason="   ").stress
    assert blank is not None
    assert blank.refusal is not None


def test_a_common_name_of_several_materials_is_asked_about() -> None:
    with pytest.raises(SheetlabError) as caught:
        quick(material="copper", reason="a test")
    (finding,) = caught.value.findings
    assert finding.code == "no-such-material"
    assert finding.expected == "copper, annealed; copper, hard"
    assert quick(material="aluminium", reason="a test").stress is not None


def test_a_choice_of_several_materials_is_the_weakest_and_that_is_told() -> None:
    by_setting = quick(settings={"material": "copper"}, reason="a test")
    assert by_setting.stress is not None
    assert by_setting.stress.material.name == "copper, annealed"
    assert by_setting.stress.weakest_of == ("copper, annealed", "copper, hard")
    told = " ".join(" ".join(plan_text(by_setting)).split())
    assert "the weakest of “copper, annealed”, “copper, hard”: it was not said which" in told
    named = quick(material="copper, hard", reason="a test").stress
    assert named is not None
    assert not named.weakest_of
    modulus = {one.key: one.value for one in by_setting.assumptions}["Y"]
    assert modulus == pytest.approx(113.5)


def test_what_cannot_be_used_is_refused() -> None:
    assert refused(material="cheese") == "no-such-material"
    assert refused(settings={"material": "other"}) == "no-such-material"
    assert refused(gauge="SWG 99") == "no-such-gauge"
    assert refused(settings={"L": "1,234"}) == "setting-refused"
    for settings_ in (
        {"nothing": "1"}, {"L": "long"}, {"L": "nan"}, {"L": "1e400"}, {"d": "0"},
        {"dead_load": "-1"}, {"readings.rows": "11"}, {"readings.rows": "6.5"},
        {"screw_gauge.divisions": "12.5"}, {"screw_gauge.travel": "-1"},
        {"readings.up.noise": "-0.1"}, {"latitude": "91"},
    ):  # fmt: skip
        assert refused(settings=settings_) == "setting-refused", settings_
    assert refused(limit=0.6) == "setting-refused"
    assert refused(limit=math.nan) == "setting-refused"
    assert refused(name=PENDULUM, material="steel") == "setting-refused"
    assert refused(name=PENDULUM, gauge="SWG 26") == "setting-refused"


NAMES = {name: settable(Settings(practical(name))) for name in SHIPPED}


@given(
    st.sampled_from(SHIPPED).flatmap(
        lambda name: st.tuples(
            st.just(name),
            st.dictionaries(
                st.sampled_from(NAMES[name]),
                st.one_of(
                    st.floats(allow_nan=True).map(repr),
                    st.floats(0.01, 100).map(repr),
                    st.integers(0, 60).map(str),
                ),
                max_size=3,
            ),
        )
    )
)
@settings(max_examples=12, deadline=None)
def test_no_numbers_break_a_plan(asked: tuple[str, dict[str, str]]) -> None:
    name, set_ = asked
    codes: set[str] = set()
    try:
        made = quick(name, settings=set_)
    except SheetlabError as error:
        codes = {one.code for one in error.findings}
    if codes:
        assert codes <= {"setting-refused", "no-such-material", "load-refused"}
        return
    assert made.result.budget.expanded_uncertainty > 0
    if made.stress is not None:
        sizes = [row.stress for row in made.stress.rows]
        assert all(math.isfinite(size) for size in sizes)


# -- predictions ---------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", SHIPPED)
def test_the_prediction_agrees_with_evaluated_benches(name: str) -> None:
    found = planned(name, benches_of_effects=0)
    predicted = found.result.budget.expanded_uncertainty
    ratios = []
    # other seeds than those of the prediction
    for seed in range(1000, 1050):
        cells = simulate(found.practical, seed, rows={found.table: found.rows}).cells
        observations = as_cells_show(found.practical, cells)
        one = evaluate_practical(found.practical, observations, trials=0).measurand
        assert one is not None
        ratios.append(one.budget.expanded_uncertainty / predicted)
    mean = math.sqrt(statistics.fmean(r * r for r in ratios))
    assert mean == pytest.approx(1.0, abs=0.3)
    # a single bench scatters with its few degrees of freedom; the middle one must not
    assert statistics.median(ratios) == pytest.approx(1.0, abs=0.2)


def test_shares_name_what_decides() -> None:
    wire = whole(WIRE)
    assert wire.result.parts[0].key == "d"
    assert sum(part.share for part in wire.result.parts) == pytest.approx(1.0)
    assert sum(row.share for row in wire.result.budget.rows) == pytest.approx(1.0)
    # with a perfect diameter it is something else
    fine = planned(
        benches=8,
        benches_of_effects=0,
        settings={
            "screw_gauge.divisions": "1000", "screw_gauge.zero_noise": "0",
            "screw_gauge.limit": "0", "diameter.d.noise": "0", "diameter.d.place_noise": "0",
        },
    )  # fmt: skip
    assert fine.result.parts[0].key != "d"
    assert fine.result.budget.expanded_uncertainty < 0.7 * wire.result.budget.expanded_uncertainty


@pytest.mark.parametrize("name", SHIPPED)
def test_more_rows_and_larger_steps_do_not_make_it_worse(name: str) -> None:
    found = whole(name)
    table = {(e.rows, e.step): e.relative for e in found.effects}
    budget = found.result.budget
    assert any(
        e == pytest.approx(budget.expanded_uncertainty / budget.value) for e in table.values()
    )
    counts = sorted({n for n, _ in table})
    steps = sorted({s for _, s in table})
    assert len(counts) >= 3
    assert len(steps) == 3
    assert table[counts[0], steps[0]] > 1.05 * table[counts[-1], steps[-1]]
    for n in counts:
        assert table[n, steps[0]] > table[n, steps[2]]


def test_the_plan_of_a_practical_without_loads() -> None:
    found = whole(PENDULUM)
    assert found.stress is None
    assert found.table == "timing"
    thread = next(c for c in found.expected if c.key == "timing.thread")
    assert thread.values == pytest.approx([29 + 14 * i for i in range(8)])
    # 30 swings of 29 cm + 12.5 mm: t = 30 × 2π √(l/g) (1 + θ²/16)
    time = next(c for c in found.expected if c.key.startswith("timing.t."))
    g = found.result.budget.value
    swing = 2 * math.pi * math.sqrt(0.3025 / g) * (1 + math.radians(5) ** 2 / 16)
    assert time.values[0] == pytest.approx(30 * swing, rel=2e-3)


def test_a_practical_without_a_bench_has_no_plan() -> None:
    text = catalogue().text(PENDULUM).partition("[bench.truths]")[0]
    with pytest.raises(SheetlabError) as caught:
        plan(load(text), Request(), books())
    assert caught.value.findings[0].code == "no-bench"


# -- the definition ------------------------------------------------------------------------------


FORMULA = '"4 * (mass + dead_load) * g / (pi * d^2)"'


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('column = "readings.mass"', 'column = "readings.mean"', "stress.column"),
        ('column = "readings.mass"', 'column = "nothing"', "stress.column"),
        (
            '"4 * (mass + dead_load) * g / (pi * d^2)"',
            '"4 * mass * g / (pi * d)"',
            "stress.formula",
        ),
        (FORMULA, '"mass * nothing"', "stress.formula"),
        (FORMULA, '"mass > dead_load"', "stress.formula"),
        ('material = "material"', 'material = "temperature"', "stress.material"),
        ('diameter = "d"', 'diameter = "nothing"', "stress.diameter"),
        ('diameter = "d"', 'diameter = "A"', "stress.diameter"),
        ('modulus = "Y"', 'modulos = "Y"', "stress.modulos"),
    ],
)
def test_a_wrong_stress_is_refused(old: str, new: str, key: str) -> None:
    text = catalogue().text(WIRE)
    assert old in text
    with pytest.raises(SheetlabError) as caught:
        load(text.replace(old, new))
    assert any(f"“{key}”" in one.found for one in caught.value.findings)


@pytest.mark.parametrize("label", ["SWG 25", "25 SWG", "25swg", "s.w.g. 25"])
def test_a_gauge_is_written_either_way_round(label: str) -> None:
    stress = quick(gauge=label, material="phosphor bronze, hard", reason="a test").stress
    assert stress is not None
    assert stress.gauge is not None
    assert stress.gauge.name == "SWG 25"


def test_a_decimal_comma_is_a_decimal_point_where_that_is_certain() -> None:
    with_comma, with_point = (
        {one.key: one.value for one in quick(settings={"L": text}).assumptions}["L"]
        for text in ("2,5", "2.5")
    )
    assert with_comma == with_point == 2.5
