"""Plans as files: options in, two pages out; materials of one's own; refusals write nothing."""

from __future__ import annotations

import io
import re
import zipfile
from functools import partial
from pathlib import Path

import openpyxl
import pytest
from examples import SHIPPED, practical

from sheetlab.before.books import books
from sheetlab.before.plan import DECIDE, make_plan, plan_text, read_masses
from sheetlab.before.plan_pages import write_plan
from sheetlab.cli import main
from sheetlab.commands.console import DONE, NOTHING_DONE
from sheetlab.finding import SheetlabError
from sheetlab.practical.loader import catalogue
from sheetlab.practical.loads import Masses
from sheetlab.practical.profile import BUILT_IN, Profile
from sheetlab.practical.schedules import Request

WIRE = "wire-stretching"
HEADINGS = (
    "name,choice,modulus from / GPa,modulus to / GPa,breaking from / MPa,breaking to / MPa,"
    "yield from / MPa,yield to / MPa,source,confirmed"
)
OURS_7 = "steel of our reel 7,steel,195,205,900,1000,600,700,tensile test of 3 March our workshop,"
OWN = f"""{HEADINGS}
{OURS_7}
"copper, hard",copper,115,120,350,400,,,remembered,no
"""


@pytest.fixture(autouse=True)
def few_benches(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is written does not depend on how many benches a prediction rests on."""
    light = partial(Request, benches=2, benches_of_effects=1)
    monkeypatch.setattr("sheetlab.before.plan.Request", light)


def texts(path: Path, sheet: str) -> list[str]:
    # without its merged cells, for each of which openpyxl compares all formats
    book = openpyxl.load_workbook(io.BytesIO(path.read_bytes()), read_only=True)
    rows = book[sheet].iter_rows()
    return [str(cell.value) for row in rows for cell in row if cell.value is not None]


@pytest.mark.parametrize("name", SHIPPED)
def test_two_pages(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "plan.xlsx"
    assert main(["plan", name, "--out", str(out)]) == DONE
    printed = capsys.readouterr().out
    with zipfile.ZipFile(out) as archive:
        assert re.findall(rb'<sheet name="([^"]*)"', archive.read("xl/workbook.xml")) == [
            b"Plan", b"Risk sheet"
        ]  # fmt: skip
        for number in (1, 2):
            data = archive.read(f"xl/worksheets/sheet{number}.xml")
            # A4 (ISO/IEC 29500-1, 18.18.50); one page is what a missing number means
            assert re.search(rb'<pageSetup [^>]*paperSize="9"', data)
            assert b'<pageSetUpPr fitToPage="1"/>' in data
            assert not re.search(rb'fitTo(?:Width|Height)="(?!1")', data)
    risk, page = texts(out, "Risk sheet"), texts(out, "Plan")
    assert set(practical(name).definition.cautions) <= set(risk)
    assert DECIDE in risk
    for block in ("Local rules", "Name of the person in charge", "Date", "Signature"):
        assert any(text.startswith(block) for text in risk)
    everything = " ".join([printed, *risk, *page]).lower()
    assert "safe" not in everything
    assert "of the variance of" in printed
    # the numbers of the terminal stand on the page too
    statement = next(line.strip() for line in printed.splitlines() if " ± " in line)
    assert any(text.startswith(statement[:30]) for text in page)


def test_the_numbers_of_the_risk_sheet(tmp_path: Path) -> None:
    out = tmp_path / "plan.xlsx"
    arguments = [
        "plan", WIRE, "--material", "steel, music wire", "--gauge", "swg  26", "--masses",
        "0.5x10", "--set", "dead_load=1", "--drop", "5", "--out", str(out),
    ]  # fmt: skip
    assert main(arguments) == DONE
    risk = texts(out, "Risk sheet")
    # 4 × 5.5 kg × 9.810 m/s² / (π (0.4572 mm)²) = 328.7 MPa; 5.5 kg × 9.80665 m/s² × 0.05 m
    assert {"5.50 kg", "1.00 kg", "4.50 kg", "329 MPa", "2.7 J", "0.4572 mm (SWG 26)"} <= set(risk)
    plan = texts(out, "Plan")
    assert any("AWG 26 would be 0.405 mm" in text for text in plan)
    assert any("10 loads" in text and "0.5 kg" in text for text in plan)


def test_a_load_above_half_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "plan.xlsx"
    arguments = ["plan", WIRE, "--material", "copper, hard", "--set", "load=0.5", "--out", str(out)]
    assert main(arguments) == NOTHING_DONE == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "least breaking stress" in captured.err
    assert "--reason" in captured.err
    assert not out.exists()
    assert main(arguments[:-2]) == NOTHING_DONE
    reason = '=HYPERLINK("http://example.org";"to show the break")'
    assert main([*arguments, "--reason", reason]) == DONE
    for sheet in ("Plan", "Risk sheet"):
        assert any(reason in text for text in texts(out, sheet))
    with zipfile.ZipFile(out) as archive:
        parts = b"".join(map(archive.read, archive.namelist()))
    # the reason is a text of the workbook, neither a formula nor a link
    assert b"=HYPERLINK(" in parts
    assert not [mark for mark in (b"<f>", b"<f ", b"<hyperlink") if mark in parts]
    # nothing is replaced
    before = out.read_bytes()
    assert main([*arguments, "--reason", "again"]) == NOTHING_DONE
    assert capsys.readouterr().err.count("plan.xlsx") == 1
    assert out.read_bytes() == before


@pytest.mark.slow
@pytest.mark.parametrize("masses", ["0.5x8", "0,5x8", "1x4", "0.5x10"])
def test_masses_that_fit_no_schedule(
    masses: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "plan.xlsx"
    arguments = [
        "plan", WIRE, "--gauge", "SWG 24", "--material", "brass, annealed", "--masses", masses,
        "--out", str(out),
    ]  # fmt: skip
    assert main(arguments) == NOTHING_DONE
    captured = capsys.readouterr()
    assert captured.out == ""
    part = "77 %" if masses == "0.5x10" else "65 %"
    assert part in captured.err
    assert "auge: AWG" in captured.err
    assert not out.exists()
    assert main([*arguments, "--reason", "shown behind a screen"]) == DONE
    printed = capsys.readouterr().out
    top = printed.partition("What this plan would give")[0]
    assert "These masses give no schedule within the limits; the table below is for all" in top
    assert f"{part} of breaking" in " ".join(printed.split())
    assert "step of added load" not in printed
    risk = texts(out, "Risk sheet")
    assert {"5.00 kg", "6.00 kg"} & set(risk)
    assert any(text.startswith(part) for text in risk)
    assert any("for all of them" in text for text in risk)


def test_a_height_that_cannot_be(tmp_path: Path) -> None:
    for drop in ("-1", "nan", "1e6"):
        out = tmp_path / "plan.xlsx"
        assert main(["plan", WIRE, "--drop", drop, "--out", str(out)]) == NOTHING_DONE
        assert not out.exists()


def test_a_folder_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "nowhere" / "plan.xlsx"
    assert main(["plan", SHIPPED[0], "--out", str(out)]) == NOTHING_DONE
    assert "cannot be written" in capsys.readouterr().err


def test_the_same_plan_is_the_same_file() -> None:
    made = [make_plan(catalogue(), "simple-pendulum") for _ in range(2)]
    assert write_plan(made[0]) == write_plan(made[1])
    assert plan_text(made[0]) == plan_text(made[1])


def test_materials_of_ones_own(tmp_path: Path) -> None:
    own = tmp_path / "ours.csv"
    own.write_text(OWN, encoding="utf-8")
    found = books(own).materials
    assert found[0].name == "steel of our reel 7"
    assert found[0].breaking == (900e6, 1000e6)
    # the user's row stands in the place of the one that came with sheetlab
    (copper,) = [one for one in found if one.name == "copper, hard"]
    assert copper.breaking[0] == 350e6
    made = make_plan(catalogue(), WIRE, material="steel of our reel 7", own=own)
    assert made.stress is not None
    assert made.stress.material.source == "tensile test of 3 March our workshop"
    doubted = make_plan(catalogue(), WIRE, material="copper, hard", own=own, reason="a test")
    assert doubted.stress is not None
    codes = {one.code for one in doubted.stress.warnings}
    assert {"material-unconfirmed", "no-yield-stress"} <= codes


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((WIRE, "--gauge", "SWG 25", "--set", "d=0.6"), "both give the diameter"),
        (("simple-pendulum", "--masses", "0.5x10"), "nothing is loaded here"),
        (("simple-pendulum", "--drop", "5"), "nothing is loaded here"),
        ((WIRE, "--materials", "none.csv"), "none.csv: the file cannot be opened: No such file"),
    ],
)
def test_options_that_contradict_each_other_or_mean_nothing(
    options: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plan", *options]) == NOTHING_DONE
    assert words in capsys.readouterr().err


def test_no_result_is_predicted_for_a_wire_that_breaks(capsys: pytest.CaptureFixture[str]) -> None:
    loads = ["--gauge", "SWG 30", "--material", "copper, annealed", "--masses", "0.5x10"]
    assert main(["plan", WIRE, *loads, "--reason", "to show it"]) == DONE
    told = capsys.readouterr().out
    row = next(
        int(found[1])
        for line in told.splitlines()
        if (found := re.match(r" *([0-9]+) .* ([0-9]+) %  +[0-9]+ %$", line))
        and int(found[2]) >= 100
    )
    assert f"No result: from row {row} on" in told
    assert "±" not in told.partition("Load and stress")[0]


def test_what_a_table_of_materials_does_not_fit_is_said(tmp_path: Path) -> None:
    own = tmp_path / "ours.csv"
    own.write_text(OWN.replace("7,steel", "7,stel"), encoding="utf-8")
    made = make_plan(catalogue(), WIRE, material="steel of our reel 7", own=own)
    assert made.stress is not None
    assert "material-not-listed" in {one.code for one in made.stress.warnings}
    hard = make_plan(catalogue(), WIRE, material="phosphor bronze, hard")
    assert hard.stress is not None
    assert "yield-above-breaking" in {one.code for one in hard.stress.warnings}


def test_every_material_names_its_source() -> None:
    for one in books().materials:
        assert len(one.source) > 20
        assert one.confirmed
        assert one.breaking[0] <= one.breaking[1]
        if one.yielding is not None:
            assert one.yielding[0] < one.breaking[1]


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        (",900,1000,", ",1000,900,", "range of breaking in row 2"),
        (",900,1000,", ",900,,", "range of breaking in row 2"),
        (",900,1000,", ",,,", "range of breaking in row 2"),
        (",900,1000,", ",-1,1000,", "“breaking from / MPa” holds “-1”"),
        (",900,1000,", ",nan,1000,", "“breaking from / MPa” holds “nan”"),
        (",600,700,", ",,700,", "range of yield in row 2"),
        ("breaking from", "braking from", "no column is headed “breaking from / MPa”"),
        (",tensile test of 3 March our workshop,", ",,", "no source in row 2"),
        ("remembered,no", "remembered,perhaps", "“confirmed” holds “perhaps”"),
        ("name,", "metal,", "no column is headed “name”"),
        (",900,1000,", f",900,1{'0' * 5000},", "“breaking to / MPa” holds “1000000"),
    ],
)
def test_a_wrong_table_is_refused(tmp_path: Path, old: str, new: str, key: str) -> None:
    own = tmp_path / "ours.csv"
    own.write_text(OWN.replace(old, new), encoding="utf-8")
    with pytest.raises(SheetlabError) as caught:
        books(own)
    finding = caught.value.findings[0]
    assert finding.code == "materials-refused"
    assert key in finding.found
    assert finding.place.file == "ours.csv"


def test_masses_and_settings_as_they_are_typed(capsys: pytest.CaptureFixture[str]) -> None:
    assert read_masses("0.5x10, 0.2×5,1") == (Masses(0.5, 10), Masses(0.2, 5), Masses(1.0, 1))
    assert read_masses("") == ()
    for text in ("x", "0.5x", "0.5x1.5", "-1x2", "nanx2", "0.5x0", "infx1", "0.5y10"):
        if text == "0.5x":
            assert read_masses(text) == (Masses(0.5, 1),)
            continue
        with pytest.raises(SheetlabError):
            read_masses(text)
    commas = {
        "0,5x8": (Masses(0.5, 8),),
        "0,5 x 8; 1,5×2;2": (Masses(0.5, 8), Masses(1.5, 2), Masses(2.0, 1)),
        "0,5x8 1,25x2": (Masses(0.5, 8), Masses(1.25, 2)),
        "0,5x8,0,2x5": (Masses(0.5, 8), Masses(0.2, 5)),
        "1x4,2x3": (Masses(1.0, 4), Masses(2.0, 3)),
        "1x4, 2x3": (Masses(1.0, 4), Masses(2.0, 3)),
        "1, 2x3": (Masses(1.0, 1), Masses(2.0, 3)),
    }
    for text, masses in commas.items():
        assert read_masses(text) == masses, text
    with pytest.raises(SheetlabError) as caught:
        read_masses("1,5x4")
    assert "1.5x4 for one entry, 1;5x4 for two" in caught.value.findings[0].found
    with pytest.raises(SheetlabError) as caught:
        read_masses("0.5kgx10")
    assert caught.value.findings[0].expected.startswith("masses without a unit")
    assert "L=" not in caught.value.findings[0].expected
    assert main(["plan", SHIPPED[0], "--set", "L"]) == NOTHING_DONE
    assert "NAME=VALUE" in capsys.readouterr().err
    assert main(["plan", WIRE, "--set", "lenght=2"]) == NOTHING_DONE
    # a wrong name lists the right ones
    assert "dead_load, " in capsys.readouterr().err
    assert main(["plan", WIRE, "--materials", "no/such/file.csv"]) == NOTHING_DONE
    assert "cannot be opened" in capsys.readouterr().err


OURS = """
id = "ours"
stated = "maximum"
digits = 1
division = "half"
decimal_mark = ","
inputs = { g_local = 9.8134, no_such_input = 1 }
"""


def test_a_plan_by_the_profile_of_a_department(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ours, out = tmp_path / "ours.toml", tmp_path / "plan.xlsx"
    ours.write_text(OURS)
    asked = ["plan", WIRE, "--gauge", "SWG 25", "--material", "phosphor bronze, hard"]
    assert main([*asked, "--profile", str(ours), "--out", str(out)]) == DONE
    printed = " ".join(capsys.readouterr().out.split())
    assert "Y = (1,10 ± 0,03) × 10¹¹ Pa = (110 ± 3) GPa." in printed
    assert "By the profile “ours” the number after ± is the maximum error: 2,4 % of Y." in printed
    # by hand: 2 Δd/d = 2 × 0.005 mm / 0.508 mm, half a least count as the error of a reading
    # (logarithmic differential of d², as in school-books; common practice, no source)
    assert "all terms added, half least counts as errors" in printed
    assert "that is 2,4 % (d 2,0 %, s" in printed
    assert "Maximum error with other rows and steps" in printed
    assert "9,8134 m/s² (set)" in printed
    # what others have written keeps its marks: a number of a standard
    assert "BS 3737:1964" in printed
    every = [*texts(out, "Plan"), *texts(out, "Risk sheet")]
    assert any("By the profile “ours”" in text for text in every)
    numbers = [text for text in every if text[:1].isdigit()]
    assert any("," in text for text in numbers)
    assert not [text for text in every if re.search(r"\d\.\d", text)]
    # what is set by hand goes before what the profile says
    assert main([*asked, "--profile", str(ours), "--set", "g_local=9.81"]) == DONE
    assert "9,81 m/s² (set)" in capsys.readouterr().out
    ours.write_text(OURS.replace("9.8134", "98.1"))
    assert main([*asked, "--profile", str(ours)]) == NOTHING_DONE
    assert "“g_local”: 98.1. Expected: 9.7 to 9.9" in capsys.readouterr().err
    assert main([*asked, "--profile", "theirs"]) == NOTHING_DONE
    assert "there is no profile “theirs”" in capsys.readouterr().err


def test_each_uncertainty_that_a_profile_states(tmp_path: Path) -> None:
    first = plan_text(make_plan(catalogue(), "simple-pendulum"))
    lines = {}
    for stated in ("expanded", "standard", "maximum"):
        made = make_plan(catalogue(), "simple-pendulum", profile=Profile(stated, stated))
        assert made.result.stated == stated
        text = plan_text(made)
        lines[stated] = " ".join(text)
        name = {"expanded": "U", "standard": "u", "maximum": "Maximum error"}[stated]
        assert f"{name} with other rows and steps" in text
    assert "is the expanded uncertainty U = k u" in lines["expanded"]
    assert "is the combined standard uncertainty u" in lines["standard"]
    # without a profile nothing is said of one, and U is stated as before
    assert "profile" not in " ".join(first)
    statement = next(line for line in first if " ± " in line).partition(" at k")[0]
    assert statement.strip() in lines["expanded"]
    # school-book: g = 4π² / k, so the maximum error is that of the slope alone
    plain = make_plan(catalogue(), "simple-pendulum", profile=BUILT_IN["school-maximum"])
    (part,) = [one for one in plain.result.parts if one.maximum_error is not None]
    assert plain.result.stated_uncertainty == pytest.approx(
        abs(part.sensitivity) * part.maximum_error
    )


def test_a_coverage_factor_by_agreement_holds_for_the_averaged_budget() -> None:
    fixed = make_plan(catalogue(), WIRE, profile=Profile("two", coverage_factor=2.0)).result
    assert fixed.stated_uncertainty == 2.0 * fixed.budget.standard_uncertainty
