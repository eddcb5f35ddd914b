"""Shipped definitions load; wrong ones are refused: key, reason, what is allowed."""

from __future__ import annotations

from pathlib import Path

import pytest
from examples import SHIPPED
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.finding import Finding, SheetlabError
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import catalogue, load
from sheetlab.workbook.layout import lay_out

GOOD = catalogue().text("wire-stretching")


@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("runs", [1, 2, 4])
def test_shipped_definitions_load(name: str, runs: int) -> None:
    practical = catalogue().load(name, runs)
    assert practical.definition.id == name
    assert practical.definition.cautions
    for assist in Assist:
        layout = lay_out(practical, assist)
        assert set(practical.inputs) <= set(layout.slots), "every input has a cell"


def refusals(text: str) -> list[str]:
    with pytest.raises(SheetlabError) as caught:
        load(text)
    return [finding.message for finding in caught.value.findings]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('version = "6"', "version = 1", ["version", "1 is not a text"]),
        ('help = "It is', 'name = "a", help = "It is',
         ["inputs.dead_load.name", "not a key"]),
        ('symbol = "φ"', 'sign = "φ"', ["inputs.latitude.sign", "not a key", "symbol"]),
        ('kind = "choice"', 'kind = "menu"', ["inputs.material.kind", "'choice'"]),
        ('unit = "mm/kg"', 'unit = "mm/kgg"', ["quantities.s.unit", "not a unit"]),
        ('unit = "mm/kg"', 'unit = "kg/mm"', ["quantities.s.unit", "dimension"]),
        ('"4 * g * L / (pi * d^2 * s)"', '"4 * g * L / (pi * d^2 + s)"', ["differ"]),
        ('"4 * g * L / (pi * d^2 * s)"', '"4 * g * L / (pi * dd^2 * s)"', ["dd", "not the name"]),
        ('"4 * g * L / (pi * d^2 * s)"', '"4 * g * L / open(d)"', ["open", "not a function"]),
        ('"4 * g * L / (pi * d^2 * s)"', '"4 * g * L / (pi * d^9999 * s)"', ["exponent"]),
        ('"4 * g * L / (pi * d^2 * s)"', '"4 * g * Y / (pi * d^2 * s)"', ["Y"]),
        ('"mean(length.span)"', '"length.span"', ["column where one number is needed", "mean("]),
        ('"mean(length.span)"', '"mean(length)"', ["length", "not the name"]),
        ('formula = "row_mean(d)"', 'formula = "d"', ["several readings", "row_mean"]),
        ('formula = "pi * d^2 / 4"', 'formula = "A"', ["circle"]),
        ('kind = "screw"', 'kind = "laser"', ["instruments.screw_gauge.kind", "vernier"]),
        ('instrument = "metre_scale"', 'instrument = "rule"', ["no instrument", "metre_scale"]),
        ('sheet = "readings"', 'sheet = "reading"', ["no sheet", "readings"]),
        ('dimensions = {', 'dimensions = { title = "a/b",', ["sheets.dimensions.title", "name"]),
        ('dimensions = {', 'dimensions = { title = "Evaluation",', ["is taken"]),
        ('Y.', 'Z.', ["results.Z", "no quantity"]),
        ('unit = "GPa", source', 'unit = "mm", source', ["does not measure the same"]),
        ('altitude = { title', 'latitude = { title', ["not TOML"]),
        ('altitude = { title', 'L = { title', ["used twice"]),
        ('altitude = { title', '"al titude" = { title', ["is no name"]),
        ("rows = 10", "rows = 100000", ["more than a workbook of a practical can hold"]),
        ('passes-disagree = { condition = "row_range(up, down) <= 6.5 * ',
         'passes-disagree = { condition = "row_range(up, down) + ',
         ["passes-disagree", "number, not a condition"]),
        ('at = "down"', 'at = "sideways"', ["nothing to point at"]),
        ('"Young\'s modulus", unit', '"Young\'s modulus", maximum_error = "Y / 100", unit',
         ["quantities.Y.maximum_error", "follows from those"]),
        ("[instruments]", "[instruments", ["not TOML"]),
    ],
)  # fmt: skip
def test_wrong_definitions_are_refused(old: str, new: str, told: list[str]) -> None:
    assert old in GOOD
    messages = refusals(GOOD.replace(old, new, 1))
    for words in told:
        assert any(words in message for message in messages), messages


def test_all_wrong_keys_are_told_at_once() -> None:
    text = GOOD.replace('version = "6"', "version = 1").replace('kind = "choice"', 'kind = "menu"')
    assert len(refusals(text)) == 2


@given(st.text(max_size=300))
def test_any_text_is_loaded_or_refused(text: str) -> None:
    with pytest.raises(SheetlabError):
        load(text)


@given(st.data())
def test_any_line_of_a_good_definition_may_be_spoiled(data: st.DataObject) -> None:
    lines = GOOD.split("\n")
    i = data.draw(st.integers(0, len(lines) - 1))
    lines[i] = data.draw(st.text(max_size=60))
    findings: tuple[Finding, ...] = ()
    try:
        load("\n".join(lines))
    except SheetlabError as error:
        findings = error.findings
    assert all(finding.remedy for finding in findings)


def test_a_broken_definition_does_not_hide_the_others(tmp_path: Path) -> None:
    (tmp_path / "broken.toml").write_text("id = 1", encoding="utf-8")
    listed = catalogue(tmp_path)
    assert set(SHIPPED) < set(listed.paths())
    with pytest.raises(SheetlabError):
        listed.load("broken")
    assert listed.load(SHIPPED[0]).definition.id == SHIPPED[0]


def test_a_sketch_is_never_looked_for_outside_its_folder(tmp_path: Path) -> None:
    text = GOOD.replace('sketch = "wire-stretching.png"', 'sketch = "../secret.png"')
    (tmp_path / "in").mkdir()
    (tmp_path / "secret.png").write_bytes(b"")
    (tmp_path / "in" / "own.toml").write_text(text, encoding="utf-8")
    listed = catalogue(tmp_path / "in")
    assert listed.sketch(listed.load("own")) is None
