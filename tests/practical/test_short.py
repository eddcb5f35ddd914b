"""What a short definition leaves out is filled in, and what is wrong with one is told at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sheetlab.checks.assess import assess
from sheetlab.finding import SheetlabError
from sheetlab.practical.bench import simulate
from sheetlab.practical.completing import symbol_of
from sheetlab.practical.files import line_at, lines_of
from sheetlab.practical.loader import catalogue, load
from sheetlab.workbook.template import as_cells_show

FOLDER = Path(__file__).parent / "definitions"
LENS = (FOLDER / "thin-lens.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "most"), [("simple-pendulum", 150), ("wire-stretching", 250), ("thin-lens", 40)]
)
def test_definitions_are_short(name: str, most: int) -> None:
    assert len(catalogue(FOLDER).text(name).splitlines()) <= most


def test_a_lens_comes_out_as_by_hand() -> None:
    """Ordinary least squares of 1/v on 1/u with plain numpy; sign: both distances positive."""
    model = load(LENS, name="thin-lens.toml")
    for seed in range(20):
        bench = simulate(model, seed)
        found = assess(model, as_cells_show(model, bench.cells), trials=0)
        rows = [r for r in zip(*(bench.cells[f"positions.{k}"] for k in
                                 ("lens", "image.1", "image.2", "image.3")), strict=True)
                if r[0] is not None]  # fmt: skip
        lens, *images = np.array(rows, dtype=float).T
        start = float(bench.cells["object"][0])  # type: ignore[arg-type]
        u, v = (lens - start) / 100, (np.mean(images, axis=0) - lens) / 100
        _, intercept = np.polyfit(1 / u, 1 / v, 1)
        assert found.evaluation.measurand.budget.value == pytest.approx(1 / intercept, rel=1e-9)
        assert not [f.code for f in found.findings]


def test_what_is_left_out_is_filled_in() -> None:
    d = load(LENS, name="thin-lens.toml").definition
    assert d.id == "thin-lens"
    assert [sheet.title for sheet in d.sheets] == ["Instruments", "Positions", "My result"]
    assert [sheet.landscape for sheet in d.sheets] == [False, True, False]
    (rule,), (line,), (f,) = d.instruments, d.lines, d.quantities
    assert (rule.kind, rule.decimals) == ("direct", 2)
    assert rule.limit is not None
    assert rule.limit.half_width == 0.05
    assert (line.x, line.y, line.series) == ("positions.p", ("positions.q",), ("readings",))
    assert line.x_title == "reciprocal of u 1/u / 1/m"
    assert (f.symbol, f.sheet, f.decimals) == ("f", "result", 3)
    own = [(a.id, a.title, a.unit, a.quantity) for a in d.answers]
    assert own == [("f", "focal length f", "cm", "f"),
                   ("u_f", "uncertainty of f that you state", "cm", "")]  # fmt: skip
    codes = [(check.code, check.condition) for check in d.tables[0].checks]
    assert codes == [("off-the-line", "abs(it - line_before(it, p)) <= abs(it - previous(it)) / 3"),
                     ("repeats-apart", "row_range(image) <= 12.5 * rule.least_count")]  # fmt: skip
    assert d.bench is not None
    assert [(one.instrument, one.parameters) for one in d.bench.instruments] == [
        ("rule", {"least_count": 0.1})
    ]


def test_what_is_inferred_can_be_switched_off() -> None:
    text = LENS.replace(
        "[lines.conjugate]", "[tables.positions.checks]\n[answers]\n[lines.conjugate]"
    )
    d = load(text, name="thin-lens.toml").definition
    assert not d.answers
    assert not d.tables[0].checks


@pytest.mark.parametrize(
    ("name", "symbol"),
    [("theta", "θ"), ("Omega", "Ω"), ("l_0", "l₀"), ("T_max", "Tₘₐₓ"),
     ("focal_length", "focal length"), ("alpha_1", "α₁"), ("g_d", "g d"), ("k", "k")],
)  # fmt: skip
def test_letters_for_names(name: str, symbol: str) -> None:
    assert symbol_of(name) == symbol


def test_another_content_is_another_version_and_workbooks_know_theirs(tmp_path: Path) -> None:
    one, other = load(LENS, name="thin-lens.toml"), load(LENS + "\n# more", name="thin-lens.toml")
    assert one.definition.version != other.definition.version
    assert catalogue(FOLDER).heading("thin-lens")[1] == one.definition.version
    again = load(one.source_text, name="anything")
    assert (again.definition, again.digest) == (one.definition, one.digest)


BAD = """title = "x"
[instruments.rule]
unit = "cm"
kind = "direkt"
[tables.t]
columns.a = { instrument = "ruler" }
columns.b = { unit = "cm", formula = "2 * b1" }
columns.c = { unit = "cm", formula = "b + a" }
columns.d = { title = "d" }
[lines.l]
x = "d"
y = "t.e"
[quantities]
q = { unit = "cm", formula = "mean(t.d)" }
r = "l.slope"
s = "men(t.d)"
[results.r]
[results.qq]
"""


def test_everything_that_is_wrong_is_told_at_once_with_its_line() -> None:
    with pytest.raises(SheetlabError) as caught:
        load(BAD, name="bad.toml")
    told = {f.place.line: f.found for f in caught.value.findings}
    assert sorted(told) == [4, 6, 7, 12, 14, 16, 18]
    for line, words in {4: "direkt", 6: "ruler", 7: "b1", 12: "“t.e” is not a column",
                        14: "dimension", 16: "men", 18: "did you mean “q”"}.items():  # fmt: skip
        assert words in told[line], told[line]


def test_a_mark_of_the_byte_order_is_passed_over(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_bytes(b"\xef\xbb\xbf" + LENS.encode())
    assert catalogue(tmp_path).load("own").definition.id == "own"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ('y = "pos.q"', "“pos.q” is not a column"),
        ("plausible = [2,5, 100]", "has 3 values"),
        ('tilte = "a"', "did you mean “title”?"),
        ('formula = "1 / conjugat.intercept"', "did you mean “conjugate.intercept”?"),
    ],
)
def test_refusals_say_what_a_person_typed(line: str, told: str) -> None:
    key = line.partition(" ")[0]
    old = {"y": 'y = "q"', "plausible": "plausible = [2, 100]", "tilte": 'title = "focal length"',
           "formula": 'formula = "1 / conjugate.intercept"'}[key]  # fmt: skip
    with pytest.raises(SheetlabError) as caught:
        load(LENS.replace(old, line), name="thin-lens.toml")
    (found, *_) = caught.value.findings
    assert told in found.found
    assert LENS.replace(old, line).splitlines()[found.place.line - 1].startswith((key, "[lines"))


def test_lines_of_keys() -> None:
    lines = lines_of('a = 1\n[b."c d".e]\nf.g = 2\n"h.i" = 3\n[[b.j]]\n')
    assert line_at(lines, "b.c d.e.f.g") == 3
    assert line_at(lines, "b.j[0].k") == 5
    assert line_at(lines, "nothing") == 0


@pytest.mark.parametrize(
    ("one", "other", "refused"),
    [("t", "T", True), ("t", "tt", False), ("a_b", "A_B", True)],
)
def test_names_that_a_spreadsheet_takes_for_one(one: str, other: str, refused: bool) -> None:
    text = (
        f'title = "x"\n[tables.a]\ncolumns.{one} = {{ unit = "s" }}\n'
        f'columns.{other} = {{ unit = "s" }}\n'
        f'[quantities]\nq = {{ unit = "s", formula = "mean(a.{one})" }}\n[results.q]\n'
    )
    if refused:
        with pytest.raises(SheetlabError, match="are one name to a spreadsheet"):
            load(text, name="own.toml")
    else:
        assert load(text, name="own.toml")
