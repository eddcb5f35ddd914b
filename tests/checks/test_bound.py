"""Virtual benches against the register: right ones pass, wrong scales and zeros are told."""

from __future__ import annotations

import csv
import datetime
import itertools
from collections.abc import Mapping
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from examples import practical
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from sheetlab.checks import bound as rules
from sheetlab.checks.assess import RULES, assess
from sheetlab.checks.record import record
from sheetlab.checks.slips import columns_in_doubt
from sheetlab.checks.subject import Subject
from sheetlab.finding import Finding, SheetlabError
from sheetlab.practical.bench import Planting, simulate
from sheetlab.practical.evaluate import Numbers, evaluate_practical
from sheetlab.practical.forward import draw
from sheetlab.practical.loader import load
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.register import (
    Bound,
    Register,
    RegisteredInstrument,
    SetUp,
    Wire,
    ZeroCheck,
    bind,
    later,
    load_bound,
    prefilled,
    same_id,
)
from sheetlab.practical.standards import (
    MASS_CLASSES,
    MASS_LIMITS,
    gauge,
    mass_limit,
    nearest_gauge,
    read_gauge,
)

REFERENCE = Path(__file__).parents[1] / "reference"
WIRE, PENDULUM = "wire-stretching", "simple-pendulum"
TODAY = datetime.date(2026, 9, 7)
CHECKED = datetime.date(2026, 3, 2)
MATERIAL = "Phosphor Bronze"
"""Of the virtual bench, as a register spells it."""
ALL = (
    rules.other_set_up, rules.least_counts_that_differ, rules.zeros_that_moved,
    rules.gauges_that_differ, rules.checks_overdue, rules.material_that_differs,
)  # fmt: skip


def register(name: str, seed: int, **wire: object) -> Register:
    """The register of a bench: its scales as they are, its zero as it was found at the check."""
    one = practical(name)
    assert one.forward is not None
    found = draw(one, seed)
    instruments, parts = {}, {}
    for its in one.definition.instruments:
        bench = next(b for b in one.definition.bench.instruments if b.instrument == its.id)
        its_id = f"I-{its.id}"
        p = bench.parameters
        step = p["travel"] / p["turns"] if "turns" in p else p.get("main_division")
        divisions = p.get("divisions", p.get("vernier_divisions"))
        least = step / divisions if step and divisions else p.get("least_count")
        zero = found.zeros.get(its.id)
        zeros = () if zero is None or not its.zero_rows else (
            ZeroCheck(CHECKED, round(zero / least) * least),
        )  # fmt: skip
        instruments[same_id(its_id)] = RegisteredInstrument(
            its_id, its.kind, its.unit, "W1", step, divisions, p.get("least_count"), zeros=zeros,
            limit=None if its.limit is None else its.limit.half_width / 2,
            relative=its.limit is not None and its.limit.relative, checked=CHECKED, months=12.0,
        )  # fmt: skip
        parts[its.id] = its_id
    facts = {"diameter": 1e3 * found.truths["d"], "material": MATERIAL} if name == WIRE else {}
    wires = {"r1": Wire("R-1", **{**facts, **wire})}
    return Register(instruments, wires, {"w1": SetUp("W1", parts, "R 1")})


def bound_to(name: str, seed: int, **wire: object) -> Bound:
    found, findings = bind(practical(name), register(name, seed, **wire), "w-1", TODAY)
    assert found is not None
    assert not findings
    return found


def subject(one: Practical, cells: Mapping[str, list], bound: Bound | None) -> Subject:
    numbers = Numbers(one, as_cells_show(one, cells))
    evaluation = evaluate_practical(one, numbers.observations, numbers, 0)
    return Subject(one, numbers.observations, numbers, evaluation, bound)


def told(name: str, seed: int, habits=(), bound: Bound | None = None, **more) -> list[Finding]:
    cells = {**simulate(practical(name), seed, habits).cells, **more}
    looked = subject(practical(name), cells, bound or bound_to(name, seed))
    return [finding for rule in ALL for finding in rule(looked)]


@pytest.mark.parametrize(
    ("typed", "registered", "many"),
    [
        ("brass", "Brass", 0),
        ("steel", "Brass", 1),
        ("other", "Brass", 1),
        # the cell's list has no such word: nothing can be compared
        ("other", "constantan", 0),
        (None, "Brass", 0),
    ],
)
def test_another_material_than_that_of_the_register(typed, registered: str, many: int) -> None:
    register_of = register(WIRE, 3, material=registered)
    found, _ = bind(practical(WIRE), register_of, "w-1", TODAY)
    findings = [f for f in told(WIRE, 3, bound=found, material=[typed])
                if f.code == "material-against-register"]  # fmt: skip
    assert len(findings) == many
    if findings:
        assert f"is “{typed}”; the wire R-1 of the register is Brass" in findings[0].found


@pytest.mark.parametrize("name", [WIRE, PENDULUM])
def test_right_benches_are_not_told_of(name: str) -> None:
    found = [f for seed in range(15) for f in told(name, seed)]
    assert not found


@pytest.mark.parametrize(
    ("name", "instrument"), [(WIRE, "screw_gauge"), (WIRE, "extensometer"), (PENDULUM, "caliper")]
)
@pytest.mark.parametrize("factor", [2.0, 0.5])
def test_wrong_divisions_are_caught(name: str, instrument: str, factor: float) -> None:
    for seed in range(2):
        found = told(name, seed, [Planting("wrong-divisions", factor, instrument)])
        one = next(f for f in found if f.code == "least-count-against-register")
        assert f"I-{instrument}" in one.found
        assert f"{1 / factor:.3g} times" in one.found
        assert "register" in one.found.split("(", 2)[2]
        assert {f.code for f in found} == {"least-count-against-register"}


@pytest.mark.parametrize("habit", ["zero-side", "zero-sign", "zero-forgotten"])
@pytest.mark.parametrize(("name", "instrument"), [(WIRE, "screw_gauge"), (PENDULUM, "caliper")])
def test_wrong_zeros_are_caught(name: str, instrument: str, habit: str) -> None:
    expected = 0
    for seed in (0, 2, 3, 5, 8, 10):
        found = told(name, seed, [habit])
        clean = simulate(practical(name), seed).cells
        wrong = simulate(practical(name), seed, [habit]).cells
        least = next(b.least_count for b in bound_to(name, seed).instruments
                     if b.instrument == instrument) or 0.0  # fmt: skip
        zeros = [
            Numbers(practical(name), as_cells_show(practical(name), c)).shown(f"{instrument}.zero")
            for c in (clean, wrong)
        ]
        moved = abs(zeros[1] - zeros[0]) / least
        hits = [f for f in found if f.code == "zero-drifted"]
        if moved > 3.0:
            expected += 1
            assert hits, f"seed {seed}: {moved:.1f} divisions"
            assert "divisions" in hits[0].found
            assert str(CHECKED) in hits[0].found
        elif moved < 1.0:
            assert not hits
    assert expected >= 3


def test_zeros_of_good_instruments_are_rarely_told() -> None:
    """The rate in the rule's docstring, on rounded readings of jaws that scatter."""
    rng, many = np.random.default_rng(7), 200_000
    off = rng.uniform(-0.5, 0.5, many)
    means = np.rint(off[:, None] + 0.4 * rng.standard_normal((many, 5))).mean(axis=1)
    registered = np.rint(off + 0.4 * rng.standard_normal(many))
    told_of = np.abs(means - registered) > rules.MOST_DRIFT + 1e-9
    assert 0 < told_of.mean() < 1e-4


def test_the_history_is_quoted_and_the_last_value_counts() -> None:
    known = bound_to(WIRE, 3)
    screw = known.instruments[0]
    last = screw.zeros[-1].zero
    steps = tuple(
        replace(screw.zeros[0], on=f"2025-0{i}-01", zero=last + 0.01 * (i - 3)) for i in (1, 2)
    )
    more = replace(known, instruments=(replace(screw, zeros=(*steps, *screw.zeros)),))
    assert not told(WIRE, 3, bound=more)
    moved = (replace(screw.zeros[0], zero=last + 0.05),)
    now = replace(known, instruments=(replace(screw, zeros=(*screw.zeros, *moved)),))
    (one,) = told(WIRE, 3, bound=now)
    assert one.code == "zero-drifted"
    assert "history of 2" in one.found
    assert "less" in one.found


def test_another_wire_is_told_with_the_nearest_gauges() -> None:
    d = bound_to(WIRE, 3).wire.diameter
    near = nearest_gauge("SWG", d)
    assert abs(near.diameter / d - 1) < 0.06
    other = gauge("SWG", near.number - 3)
    (one,) = told(WIRE, 3, bound=bound_to(WIRE, 3, gauge=f"{other}"))
    assert (one.code, one.severity) == ("gauge-against-register", "note")
    assert str(near) in one.found
    assert f"{other.diameter:.3f} mm" in one.found
    assert "R-1" in one.found
    (one,) = told(WIRE, 3, bound=bound_to(WIRE, 3, gauge=f"{other}", diameter=None))
    assert one.severity == "doubtful"
    right = next(
        seed for seed in itertools.count()
        if abs(nearest_gauge("AWG", 1e3 * draw(practical(WIRE), seed).truths["d"]).diameter
               / (1e3 * draw(practical(WIRE), seed).truths["d"]) - 1) < 0.01
    )  # fmt: skip
    label = str(nearest_gauge("AWG", 1e3 * draw(practical(WIRE), right).truths["d"]))
    assert not told(WIRE, right, bound=bound_to(WIRE, right, gauge=label))


@pytest.mark.parametrize(
    ("date", "days"),
    [("2027-03-02", None), ("2027-03-03", 1), ("46450", 2), ("3/3/2027", None), ("", None)],
)
def test_a_check_is_overdue_by_the_day_of_the_measurement(date: str, days: int | None) -> None:
    found = told(PENDULUM, 1, **{"start.date": [date]})
    assert len(found) == (0 if days is None else 1)
    for one in found:
        assert (one.code, one.severity) == ("check-overdue", "note")
        assert one.found.count(f"due on 2027-03-02, {days} days before") == 3
        assert "this was measured" in one.found


def test_without_a_date_the_day_of_issue_counts() -> None:
    late = replace(bound_to(PENDULUM, 1), issued="2028-01-01")
    (found,) = told(PENDULUM, 1, bound=late)
    assert found.code == "check-overdue"
    assert "this was issued (2028-01-01)" in found.found
    assert found.found.count("305 days before") == 3


@pytest.mark.parametrize(("setup", "many"), [("W1", 0), ("w 1", 0), ("W2", 1), ("", 0)])
def test_another_set_up_is_told(setup: str, many: int) -> None:
    found = told(PENDULUM, 1, **{"start.setup": [setup]})
    assert [f.code for f in found] == ["other-set-up"] * many


def test_the_rules_are_run_and_recorded() -> None:
    assert set(ALL) <= set(RULES)
    one = practical(WIRE)
    cells = simulate(one, 2, [Planting("wrong-divisions", 2.0, "screw_gauge")]).cells
    found = assess(one, as_cells_show(one, cells), 0, bound=bound_to(WIRE, 2))
    assert "least-count-against-register" in {f.code for f in found.findings}
    assert record(found, "x")["bound"] == {
        "setup": "W1", "wire": "R-1",
        "instruments": {i.id: f"I-{i.id}" for i in one.definition.instruments},
    }  # fmt: skip
    free = assess(one, as_cells_show(one, cells), 0)
    assert "least-count-against-register" not in {f.code for f in free.findings}
    assert record(free, "x")["bound"] is None


def test_an_issued_workbook_is_still_blank() -> None:
    one, known = practical(WIRE), bound_to(WIRE, 2)
    cells = {key: [value] for key, value in prefilled(one, known).items()}
    assert {"screw_gauge.limit", "register_diameter", "material"} <= set(cells)
    assert not any("least_count" in key or "divisions" in key for key in cells)
    found = assess(one, as_cells_show(one, cells), 0, bound=known)
    assert [f.code for f in found.findings] == ["workbook-not-filled"]
    changed = {**cells, "register_diameter": [0.9]}
    found = assess(one, as_cells_show(one, changed), 0, bound=known)
    assert "workbook-not-filled" not in {f.code for f in found.findings}


# -- what is prefilled -----------------------------------------------------------------------------


def test_limits_and_facts_come_in_the_units_of_the_definition() -> None:
    one = practical(WIRE)
    known = register(WIRE, 2)
    screw = known.instruments[same_id("I-screw_gauge")]
    in_cm = replace(screw, unit="cm", step=0.05, limit=0.0003, zeros=(ZeroCheck(CHECKED, -0.002),))
    found, _ = bind(one, replace(known, instruments={**known.instruments, "iscrewgauge": in_cm}),
                    "W1", TODAY)  # fmt: skip
    its = found.instruments[0]
    assert (its.step, its.least_count, its.limit) == (0.5, 0.01, 0.003)
    assert its.zeros[0].zero == -0.02
    assert its.due == "2027-03-02"
    cells = prefilled(one, found)
    assert cells["screw_gauge.limit"] == 0.003
    assert cells["material"] == "phosphor bronze"
    assert cells["register_diameter"] == pytest.approx(1e3 * draw(one, 2).truths["d"], rel=1e-9)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"kind": "vernier"}, "register-mismatch"),
        ({"unit": "kg"}, "register-mismatch"),
        ({"relative": True}, "register-mismatch"),
    ],
)
def test_what_does_not_fit_is_told_and_left_out(change: dict[str, object], code: str) -> None:
    known = register(WIRE, 2)
    screw = replace(known.instruments["iscrewgauge"], **change)
    wrong = replace(known, instruments={**known.instruments, "iscrewgauge": screw})
    found, findings = bind(practical(WIRE), wrong, "W1", TODAY)
    assert [f.code for f in findings] == [code]
    assert "screw_gauge.limit" not in prefilled(practical(WIRE), found)


def test_set_ups_that_are_not_there_or_not_complete() -> None:
    known = register(WIRE, 2)
    found, findings = bind(practical(WIRE), known, "W9", TODAY)
    assert found is None
    assert [f.code for f in findings] == ["setup-not-in-register"]
    assert "W1" in findings[0].expected
    some = {"masses": "I-masses"}
    less = replace(known, setups={"w1": SetUp("W1", some)})
    found, findings = bind(practical(WIRE), less, "W1", TODAY)
    assert [f.code for f in findings] == ["setup-incomplete"] * 3
    assert found.wire is None


@cache
def definition_with(old: str, new: str) -> str:
    text = practical(WIRE).source_text
    assert old in text
    return text.replace(old, new, 1)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('register = "wire.diameter"', 'register = "wire.colour"', "wire.material"),
        ('register = "wire.material"', 'register = "wire.length"', "cannot stand"),
        ('register = "wire.diameter"', 'register = "wire.material"', "cannot stand"),
        ('unit = "mm", sheet = "dimensions"', 'unit = "kg", sheet = "dimensions"', "cannot stand"),
    ],
)
def test_a_definition_names_facts_that_there_are(old: str, new: str, words: str) -> None:
    with pytest.raises(SheetlabError, match=words):
        load(definition_with(old, new))


# -- the text that travels -------------------------------------------------------------------------

WORDS = st.text(
    st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=20
)


@settings(max_examples=40, deadline=None)
@given(WORDS, WORDS, st.floats(1e-6, 1e6), st.booleans())
def test_the_text_comes_back_as_it_was(name: str, wire: str, number: float, bare: bool) -> None:
    known = bound_to(WIRE, 2)
    first = replace(known.instruments[0], id=name, limit=number)
    made = replace(known, setup=name, instruments=(first,) if not bare else ())
    made = replace(made, wire=None if bare else replace(known.wire, material=wire))
    assert load_bound(made.text()) == made


INSTRUMENT = '{"setup":"W1","issued":"2026-01-01","instruments":[{"instrument":"a","id":"b",%s}]}'


@pytest.mark.parametrize(
    "text",
    [
        "", "x", '{"setup":3,"issued":"2026-01-01"}', '{"setup":"W1","issued":"today"}',
        '{"setup":"W1","issued":"2026-01-01","other":1}',
        INSTRUMENT % '"least_count":0.0', INSTRUMENT % '"least_count":1e999',
        INSTRUMENT % '"limit":-1.0', INSTRUMENT % '"due":"2026-02-30"',
        '{"setup":"' + "W" * 99 + '","issued":"2026-01-01"}',
        INSTRUMENT % ('"due":""},' + '{"instrument":"a","id":"b"},' * 50)[:-2],
        "a" * 40_000, '{"setup":"a\\u0007","issued":"2026-01-01"}',
        '{"setup":"W1","issued":""}',
    ],
)  # fmt: skip
def test_a_changed_text_is_refused(text: str) -> None:
    with pytest.raises(SheetlabError) as caught:
        load_bound(text)
    assert [f.code for f in caught.value.findings] == ["binding-damaged"]


def test_an_instrument_that_no_definition_has_is_passed_over() -> None:
    known = bound_to(WIRE, 2)
    odd = replace(known.instruments[0], instrument="nothing")
    assert not told(WIRE, 2, bound=replace(known, instruments=(odd,)))


# -- published tables ------------------------------------------------------------------------------


def test_mass_limits_are_those_of_the_recommendation() -> None:
    with (REFERENCE / "oiml_r111_mpe.csv").open(encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["provenance"] == "fetched"]
    assert [int(row["nominal_g"]) for row in rows] == list(MASS_LIMITS)
    for row in rows:
        for one in MASS_CLASSES:
            limit = mass_limit(float(row["nominal_g"]), one)
            assert limit == pytest.approx(float(row[f"{one}_mpe_mg"]), rel=1e-12)
    assert mass_limit(150.0, "M1") is None
    assert mass_limit(100.0, "M9") is None


def test_gauges_are_those_of_the_standards() -> None:
    with (REFERENCE / "wire_gauges.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 31
    for row in rows:
        number = int(row["gauge"])
        assert gauge("SWG", number).diameter == pytest.approx(float(row["swg_mm"]), abs=1e-9)
        assert gauge("AWG", number).diameter == pytest.approx(
            float(row["awg_mm_formula"]), abs=1e-6
        )
        for system in ("SWG", "AWG"):
            its = gauge(system, number)
            assert nearest_gauge(system, 1.004 * its.diameter) == its
            assert read_gauge(f" {number} {system.lower()}") == its
    assert read_gauge("S.W.G. 26") == gauge("SWG", 26)
    assert read_gauge("26") is read_gauge("99 SWG") is read_gauge("=26 SWG") is None
    with pytest.raises(ValueError, match="greater"):
        nearest_gauge("SWG", float("nan"))


def test_months_later() -> None:
    assert later(datetime.date(2024, 2, 29), 12) == datetime.date(2025, 2, 28)
    assert later(datetime.date(2026, 12, 31), 2) == datetime.date(2027, 2, 28)
    assert later(datetime.date(2026, 1, 5), 0) == datetime.date(2026, 1, 5)


def test_a_wrong_pitch_is_no_wrong_number_of_divisions_that_the_register_has() -> None:
    cells = simulate(practical(WIRE), 3).cells
    cells = {**cells, "extensometer.travel": [cells["extensometer.travel"][0] / 2]}
    looked = subject(practical(WIRE), cells, bound_to(WIRE, 3))
    (finding,) = columns_in_doubt(looked)
    assert "the pitch of the micrometer screw of the extensometer is" in finding.remedy
    assert "divisions, not" not in finding.remedy
    # without a register one fits as well as the other
    (finding,) = columns_in_doubt(replace(looked, bound=None))
    assert "divisions, not" in finding.remedy
    assert "the pitch of" in finding.remedy
