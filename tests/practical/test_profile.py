"""Profiles: read, refused, carried by workbooks, and what they change in what is stated."""

from __future__ import annotations

from pathlib import Path

import pytest
from examples import CAREFUL, practical, typed
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import fields

from sheetlab.checks.assess import Assessment, assess
from sheetlab.checks.wording import Words
from sheetlab.cli import main
from sheetlab.finding import SheetlabError
from sheetlab.practical.loader import find_profile, load_profile
from sheetlab.practical.profile import BUILT_IN, GUM, Profile
from sheetlab.workbook.reader import read_workbook
from sheetlab.workbook.template import as_cells_show

WIRE = "wire-stretching"


def assessed(profile: Profile, name: str = WIRE) -> Assessment:
    model = practical(name)
    return assess(model, as_cells_show(model, typed(CAREFUL[name])), trials=2000, profile=profile)


def said(profile: Profile, name: str = WIRE) -> tuple[str, str]:
    found = assessed(profile, name)
    words = Words(found.practical, profile)
    result = found.evaluation.measurand
    return words.statement_line(result), words.uncertainty_line(result)


def test_gum_states_the_expanded_uncertainty() -> None:
    statement, which = said(GUM)
    assert statement == "Y = (1.08 ± 0.05) × 10¹¹ Pa = (108 ± 5) GPa"
    assert "expanded uncertainty" in which
    assert "95 %" in which


def test_school_maximum_states_the_sum_of_all_terms() -> None:
    found = assessed(BUILT_IN["school-maximum"])
    result = found.evaluation.measurand
    assert result.stated_uncertainty == result.maximum_error
    statement, which = said(BUILT_IN["school-maximum"])
    # 2 x 0.01/0.5025 + 0.1/238.4 + 0.01/1.75 of 108 GPa: 5 GPa
    assert statement == "Y = (1.08 ± 0.05) × 10¹¹ Pa = (108 ± 5) GPa"
    assert "maximum error" in which
    assert "least counts" in which


def test_half_divisions_halve_the_maximum_error() -> None:
    whole = assessed(GUM).evaluation.measurand.maximum_error
    half = assessed(Profile(division="half")).evaluation.measurand.maximum_error
    assert half == pytest.approx(whole / 2.0, rel=1e-12)


def test_digits_factor_and_standard_uncertainty() -> None:
    plain = assessed(GUM).evaluation.measurand
    statement, which = said(Profile(stated="standard", digits=2, form="power"))
    assert statement == f"Y = (1.079 ± {plain.budget.standard_uncertainty / 1e11:.3f}) × 10¹¹ Pa"
    assert "standard uncertainty" in which
    found = assessed(Profile(coverage_factor=2.0)).evaluation.measurand
    assert found.budget.expanded_uncertainty == 2.0 * plain.budget.standard_uncertainty
    assert "by agreement" in said(Profile(coverage_factor=2.0))[1]


def test_coverage_probability_reaches_budget_and_trials() -> None:
    found = assessed(Profile(coverage_probability=0.68)).evaluation.measurand
    assert found.budget.coverage_probability == found.trials.coverage_probability == 0.68
    plain = assessed(GUM).evaluation.measurand
    assert found.trials.high - found.trials.low < 0.6 * (plain.trials.high - plain.trials.low)
    assert found.budget.coverage_factor < 1.2


@pytest.mark.parametrize(
    ("form", "statement"),
    [
        ("power", "Y = (1.08 ± 0.05) × 10¹¹ Pa"),
        ("prefix", "Y = (108 ± 5) GPa"),
        ("both", "Y = (1.08 ± 0.05) × 10¹¹ Pa = (108 ± 5) GPa"),
    ],
)
def test_forms(form: str, statement: str) -> None:
    assert said(Profile(form=form))[0] == statement


@pytest.mark.parametrize(
    ("difference", "text"),
    [
        ("result-accepted", "100 × (result − accepted) ÷ accepted = −1.9 %"),
        ("accepted-result", "100 × (accepted − result) ÷ accepted = +1.9 %"),
        ("size", "below it."),
    ],
)
def test_sign_of_the_percentage_difference(difference: str, text: str) -> None:
    found = assessed(Profile(difference=difference))
    result = found.evaluation.measurand
    lines = Words(found.practical, found.evaluation.profile).accepted_lines(result, result.accepted)
    assert text in lines[1]
    assert "1.9 % below" in lines[1]


def test_decimal_comma_everywhere_but_in_quotations() -> None:
    profile = Profile(decimal_mark=",")
    found = assessed(profile)
    words, result = Words(found.practical, profile), found.evaluation.measurand
    assert "(1,08 ± 0,05) × 10¹¹ Pa" in words.statement_line(result)
    lines = [
        words.uncertainty_line(result), words.trials_line(result),
        words.maximum_error_line(result), *words.formula_lines(result),
        *words.dominant_lines(result), *words.alternatives_lines(result),
        *(line for one in found.studies for line in words.study_lines(one)),
    ]  # fmt: skip
    for line in lines:
        assert "." not in line.rstrip(".").replace(". ", " ").replace("…", ""), line
    assert profile.sentence("1.5 mm, typed as “2.5”") == "1,5 mm, typed as “2.5”"
    spoilt = {k: list(v) for k, v in typed(CAREFUL[WIRE]).items()}
    spoilt["readings.up.1.main"][3] += 0.5
    model = practical(WIRE)
    (finding, *_) = assess(model, as_cells_show(model, spoilt), 0, profile=profile).findings
    assert "0,50 mm" in finding.message or "0,5 mm" in finding.message


def test_a_profile_is_its_own_text() -> None:
    every = Profile(
        "ours",
        "standard",
        2,
        0.9,
        2.0,
        "half",
        "size",
        ",",
        "prefix",
        {"g_local": 9.8},
        (9.8, 10.0),
    )
    assert load_profile(every.text()) == every
    assert load_profile(GUM.text()) == GUM
    for one in fields(Profile):
        assert getattr(every, one.name) != getattr(GUM, one.name), "each key is tried"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("digits = 3", "digits"),
        ('digits = "2"', "digits"),
        ("nonsense = 1", "nonsense"),
        ('id = "Our Own"', "id"),
        ("coverage_factor = 20.0", "coverage_factor"),
        ("coverage_factor = inf", "coverage_factor"),
        ("g_values = [98.1]", "g_values"),
        ("coverage_probability = 2.0", "coverage_probability"),
        ('decimal_mark = ";"', "decimal_mark"),
        ("inputs = { g = 'x' }", "inputs"),
        ("x = [" * 500, "file"),
        ("#" * 9000, "too long"),
    ],
)
def test_wrong_profiles_are_refused(text: str, told: str) -> None:
    with pytest.raises(SheetlabError) as caught:
        load_profile(text, "ours.toml")
    messages = [f"{f.place}: {f.message}" for f in caught.value.findings]
    assert all("ours.toml" in m for m in messages)
    assert any(told in m for m in messages)


@given(st.text(max_size=300))
def test_any_text_is_a_profile_or_refused(text: str) -> None:
    found: tuple[object, ...] = ()
    try:
        found = (load_profile(text),)
    except SheetlabError as error:
        found = error.findings
    assert found


def test_names_of_profiles(tmp_path: Path) -> None:
    assert find_profile("gum") is GUM
    for name in ("nothing", str(tmp_path / "none.toml")):
        with pytest.raises(SheetlabError):
            find_profile(name)


def test_a_workbook_carries_its_profile(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ours = tmp_path / "ours.toml"
    ours.write_text('id = "ours"\ndecimal_mark = ","\ninputs = { g_local = 9.8134, other = 1 }\n')
    out = tmp_path / "issued"
    assert main(["issue", WIRE, "--out", str(out), "--profile", str(ours)]) == 0
    (path,) = out.iterdir()
    filled = read_workbook(path)
    assert filled.identity.profile.id == "ours"
    assert filled.identity.profile.decimal_mark == ","
    assert filled.observations.entry("g_local").value == 9.8134
    # a value that was issued is not a reading: the workbook is still blank
    assert main(["evaluate", str(path), "--out", str(tmp_path / "e")]) != 0
    assert "no reading has been typed" in capsys.readouterr().out
    assert main(["evaluate", str(path), "--profile", "none", "--out", str(tmp_path / "e")]) == 2


def test_a_key_of_a_thousand_dots_is_refused() -> None:
    with pytest.raises(SheetlabError) as refused:
        load_profile(".".join("a" * 1500) + " = 1")
    assert "far too deep" in refused.value.findings[0].message
