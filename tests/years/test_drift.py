"""Drift over the years: a creeping micrometer is seen in time, a steady one is left in peace."""

from __future__ import annotations

import json
import re
import shutil
import tracemalloc
import zipfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import openpyxl
import pytest
from examples import practical
from msgspec.structs import fields, replace
from years import department

from sheetlab.checks.assess import assess
from sheetlab.cli import main
from sheetlab.finding import SheetlabError
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.register import Bound, BoundInstrument, BoundZero
from sheetlab.years.database import append, opened
from sheetlab.years.drift import (
    BASELINE,
    HINTS,
    Drift,
    drift_lines,
    drifts,
    series_of,
    sight_text,
    signal_text,
    state_text,
)
from sheetlab.years.driftbook import CHARTS, NUMBERS, SIGNALS, write_drift
from sheetlab.years.entries import entries_of
from sheetlab.years.ledger import WIRE, Number, Row
from sheetlab.years.renewing import renew

CLASS = 12


@cache
def entries(seed: int, zeros: tuple[float, ...], year: int) -> list[tuple[str, Row]]:
    return [
        (one.group, entry)
        for one in department.year(seed, zeros)
        for entry in entries_of(department.assessed(one), year)
    ]


def three_years(seed: int, creep: float) -> list[Row]:
    """Three invented years at one set-up; from the second on the zero error creeps (mm a year)."""
    table = department.table()
    rows: list[Row] = []
    for i, year in enumerate((2024, 2025, 2026)):
        zeros = [0.03 + creep * max(0.0, i - 1 + k / CLASS) if i else 0.03 for k in range(CLASS)]
        rows += [
            append(table, entry, f"{year}{group}", f"{year}-06-01", f"{year + 1}-12-31")
            for group, entry in entries(1000 * seed + 100 * i, tuple(zeros), year)
        ]
    return rows


def of(found: list[Drift], kind: str, id_: str = "") -> Drift:
    (one,) = [d for d in found if d.series.kind == kind and id_ in ("", d.series.id)]
    return one


@pytest.fixture(scope="module")
def creeping() -> list[Row]:
    return three_years(2, 0.02)


@pytest.fixture(scope="module")
def steady() -> list[Row]:
    return three_years(2, 0.0)


def test_a_creeping_micrometer_is_signalled_in_time(creeping: list[Row]) -> None:
    zero = of(drifts(creeping), "zero")
    assert zero.series.id == "screw_gauge"
    assert zero.chart is not None
    drifted = [s for s in zero.signals if s.last >= CLASS and s.side == 1 and s.rule not in HINTS]
    assert drifted
    # the zero has crept by one division after half of the second year
    first = min(max(s.first, CLASS) for s in drifted)
    assert first < 2 * CLASS
    assert {s.rule for s in drifted} >= {"beyond-limits", "ewma-beyond-limits"}
    # results subtract the zero error that was read, and stay
    assert not of(drifts(creeping), "quantity", "d").alarm
    assert drifts(creeping)[0].signals


def test_a_steady_micrometer_is_not(steady: list[Row]) -> None:
    found = drifts(steady)
    assert all(one.chart is not None for one in found)
    assert [one.series.name for one in found if one.alarm] == []


def test_a_run_on_one_side_alone_is_a_hint(steady: list[Row]) -> None:
    (zero,) = [d for d in drifts(steady) if d.series.kind == "zero"]
    assert {s.rule for s in zero.signals} == {"eight-on-one-side"}
    assert "A hint, no more" in zero.advice
    assert "1 hint" in state_text(zero)
    assert "signal" not in state_text(zero)


@pytest.mark.slow
def test_creeping_and_steady_micrometers_of_many_departments() -> None:
    seen = late = false = 0
    for seed in range(10, 25):
        signals = of(drifts(three_years(seed, 0.02)), "zero").signals
        firsts = [
            max(s.first, CLASS)
            for s in signals
            if s.last >= CLASS and s.side == 1 and s.rule not in HINTS
        ]
        seen += bool(firsts)
        late += bool(firsts) and min(firsts) >= 2 * CLASS
        false += of(drifts(three_years(seed, 0.0)), "zero").alarm
    assert (seen, late) == (15, 0)
    assert false <= 3  # one in 24 by the simulation of the charts


def test_sentences_for_a_teacher(creeping: list[Row]) -> None:
    zero = of(drifts(creeping), "zero")
    text = " ".join(signal_text(zero, s) for s in zero.signals)
    assert "moving average (EWMA) beyond its limits" in text
    assert "above the centre of 0.0" in text
    assert "mm" in text
    lines = list(drift_lines(drifts(creeping)))
    assert any("read its zero five times" in line for line in lines)
    assert lines[-1].startswith("5 series: ")
    brief = list(drift_lines(drifts(creeping), brief=True))
    assert any("read its zero five times" in line for line in brief)
    assert not any(line.endswith(": steady") for line in brief)


def numbers_of(row: Row, keep: str) -> tuple[Number, ...]:
    return tuple(n for n in row.numbers if n.kind != keep)


def test_what_an_earlier_definition_did_not_have_is_missing(steady: list[Row]) -> None:
    old = [
        replace(row, version="1", numbers=numbers_of(row, "scatter")) if row.year == 2024 else row
        for row in steady
    ]
    found = drifts(old)
    scatter = of(found, "scatter").series
    assert (len(scatter.values), scatter.missing) == (2 * CLASS, CLASS)
    assert len(of(found, "result").series.values) == 3 * CLASS


def in_metres(entry: Row) -> Row:
    return replace(
        entry,
        shown="Pa",
        numbers=tuple(replace(n, shown="m" if n.unit == "m" else n.shown) for n in entry.numbers),
    )


def test_years_in_other_units_meet_in_the_last_one(steady: list[Row]) -> None:
    old = [in_metres(row) if row.year == 2024 else row for row in steady]
    assert of(drifts(old), "zero").series == of(drifts(steady), "zero").series


def test_one_instrument_at_many_set_ups_is_one_series(steady: list[Row]) -> None:
    moved = [
        replace(
            row,
            setup=str(row.number % 3),
            instruments=json.dumps({"screw_gauge": "M7"}),
        )
        for row in steady
    ]
    zeros = [s for s in series_of(moved) if s.kind == "zero"]
    assert [(s.where, len(s.values)) for s in zeros] == [("instrument M7", 3 * CLASS)]
    assert len([s for s in series_of(moved) if s.kind == "result"]) == 3


def test_another_wire_at_the_same_set_up_is_another_series(steady: list[Row]) -> None:
    wires = [json.dumps({WIRE: f"W{row.number // 19}"}) for row in steady]
    changed = [replace(row, instruments=wire) for row, wire in zip(steady, wires, strict=True)]
    diameters = [s for s in series_of(changed) if s.id == "d"]
    assert [(s.where, len(s.values)) for s in diameters] == [
        ("set-up 1, wire W0", 18),
        ("set-up 1, wire W1", 18),
    ]


def test_ids_of_the_register_are_kept() -> None:
    its = department.assessed(department.bench(1, "A"))
    parts = {f.name: getattr(its, f.name) for f in fields(its)}
    bound = SimpleNamespace(
        setup="W1",
        instruments=[SimpleNamespace(instrument="screw_gauge", id="M7")],
        wire=SimpleNamespace(id="=W1\x07"),
    )
    entry = entries_of(SimpleNamespace(**{**parts, "bound": bound}), 2026)[0]
    assert json.loads(entry.instruments) == {"screw_gauge": "M7", WIRE: "=W1�"}
    assert json.loads(entries_of(its, 2026)[0].instruments) == {}


def test_rows_of_very_many_years_are_seen_once_and_not_kept(steady: list[Row]) -> None:
    """A row with its numbers takes some 3 kB; of each no more than a few numbers may remain."""
    count, base = 1500, steady[0]

    def rows(count: int) -> Iterator[Row]:
        for i in range(count):
            yield replace(
                base, number=i + 1, code=f"C{i}", source=f"{i:064x}", numbers=tuple(base.numbers)
            )

    list(series_of(rows(10)))
    tracemalloc.start()
    found = list(series_of(rows(count)))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert {len(one.values) for one in found} == {count}
    assert peak / count < 600


def test_only_the_last_revision_counts(steady: list[Row]) -> None:
    table = department.table()
    first = [append(table, row, row.code, row.added, row.keep_until) for row in steady[:CLASS]]
    other = replace(first[0], source="f" * 64, value=1.0)
    again = append(table, other, first[0].code, first[0].added, first[0].keep_until)
    series = next(s for s in series_of([*first, again]) if s.kind == "result")
    assert [p.row for p in series.origins] == [*range(2, CLASS + 1), again.number]


def test_doubtful_values_are_drawn_but_set_no_limits(steady: list[Row]) -> None:
    rows = [
        replace(row, status="doubtful", value=row.value * 2) if row.number == 3 else row
        for row in steady
    ]
    result = of(drifts(rows), "result")
    assert result.chart is not None
    assert 2 not in result.base
    assert len(result.base) == BASELINE
    (signal,) = [s for s in result.signals if s.rule == "beyond-limits"]
    assert signal.first == 2
    assert "doubtful findings" in signal_text(result, signal)


def with_zeros(rows: list[Row], zeros: list[float]) -> list[Row]:
    """The same rows with other zero errors (mm)."""
    return [
        replace(
            row,
            numbers=tuple(
                replace(n, value=zero / 1000) if n.kind == "zero" else n for n in row.numbers
            ),
        )
        for row, zero in zip(rows, zeros, strict=True)
    ]


BEFORE = [0.018, 0.022, 0.024, 0.016, 0.020, 0.021]


def test_a_jump_is_seen_with_few_values_before_and_after(steady: list[Row], tmp_path: Path) -> None:
    both = [*steady[:6], *steady[CLASS : CLASS + 6]]
    zero = of(drifts(with_zeros(both, BEFORE + [v + 0.03 for v in BEFORE]), 6), "zero")
    (signal,) = [s for s in zero.signals if s.rule == "year-off-baseline"]
    assert (signal.first, signal.last, signal.side) == (6, 11, 1)
    text = signal_text(zero, signal)
    assert "mean of a year" in text
    assert "6 values, on average 0.030 mm above the centre of 0.0202 mm" in text
    assert zero.alarm
    # what is no jump is none, and how little of one would be seen is said
    quiet = of(drifts(with_zeros(both, BEFORE + BEFORE[::-1]), 6), "zero")
    assert not quiet.signals
    said = sight_text(quiet)
    assert "the mean of 2025 (6 values) off by less than 0.00" in said
    assert any(said in line for line in drift_lines([quiet]))
    # that the limits rest on few is said once, however many series there are
    few = "Only 6 values set the limits, so these are wide"
    assert sum(few in line for line in drift_lines([quiet, quiet])) == 1
    assert not any("set the limits" in line for line in drift_lines([quiet], brief=True))
    write_drift([quiet, quiet], Path("D.sqlite"), "", target := tmp_path / "DRIFT.xlsx")
    cells = [c.value for row in openpyxl.load_workbook(target)[SIGNALS].iter_rows() for c in row]
    assert sum(said in str(c) for c in cells) == 2
    assert sum(few in str(c) for c in cells) == 1
    # the year that sets the limits is not compared with itself
    assert [year for year, _ in quiet.years] == [2025]


def test_a_slip_of_a_group_does_not_spoil_the_chart_for_years(
    steady: list[Row], tmp_path: Path
) -> None:
    wrong = replace(steady[14], value=1.1e14, status="doubtful")
    rows = [wrong if row.number == 15 else row for row in steady]
    result = of(drifts(rows), "result")
    assert {s.rule for s in result.signals} - HINTS == {"beyond-limits"}
    (signal,) = [s for s in result.signals if s.rule == "beyond-limits"]
    assert (signal.first, signal.last) == (14, 14)
    assert "doubtful findings" in signal_text(result, signal)
    # nor what is said of the values beside it
    assert result.chart is not None
    run = replace(signal, rule="eight-on-one-side", first=10, last=17)
    assert "×" not in signal_text(result, run)
    assert max(result.chart.averages) < result.chart.upper
    path = tmp_path / "DRIFT.xlsx"
    write_drift([result], tmp_path / "D.sqlite", "the first 12 sound values", path)
    words = [c.value for row in openpyxl.load_workbook(path)[CHARTS].iter_rows() for c in row]
    (off,) = [str(w) for w in words if "Off the scale" in str(w)]
    assert off == "Off the scale of the chart: row 15 (2025), 1.1×10⁵ GPa."
    with zipfile.ZipFile(path) as file:
        drawn = [file.read(n).decode() for n in file.namelist() if n.startswith("xl/charts/chart")]
    ends = [float(v) for text in drawn for v in re.findall(r'<c:max val="([^"]+)"', text)]
    assert len(ends) == 4
    assert max(ends) < 1000


def test_a_run_on_one_side_is_marked_as_a_hint(steady: list[Row], tmp_path: Path) -> None:
    zeros = [*(BEFORE * 4), *(v + 0.3 for v in BEFORE * 2)]
    found = of(drifts(with_zeros(steady, zeros)), "zero")
    assert found.chart is not None
    assert found.alarm
    signal = next(s for s in found.signals if s.rule not in HINTS)
    # a run that began among the values that set the limits is no signal of theirs
    run = replace(signal, rule="eight-on-one-side", first=3, last=10)
    one = replace(found, chart=replace(found.chart, signals=(*found.signals, run)))
    write_drift([one], tmp_path / "D.xlsx", "", path := tmp_path / "DRIFT.xlsx")
    rows = list(openpyxl.load_workbook(path)[NUMBERS].iter_rows(min_row=3, values_only=True))
    red, hint = (rows[0].index(f"value with a {what}") for what in ("signal", "hint"))
    assert all(row[hint] is not None and row[red] is None for row in rows[4:12])
    with zipfile.ZipFile(path) as file:
        drawn = [file.read(n).decode() for n in file.namelist() if n.startswith("xl/charts/chart")]
    assert sum("<c:v>hint</c:v>" in text for text in drawn) == 1


def test_an_instrument_that_has_moved_far_is_drawn(steady: list[Row], tmp_path: Path) -> None:
    zeros = [*(BEFORE * 4), *(v + 0.3 for v in BEFORE * 2)]
    # the register knows the old zero, and calls every workbook since then doubtful
    rows = [
        replace(row, status="doubtful") if row.number > 24 else row
        for row in with_zeros(steady, zeros)
    ]
    zero = of(drifts(rows), "zero")
    assert {s.rule for s in zero.signals} >= {
        "beyond-limits", "ewma-beyond-limits", "year-off-baseline",
    }  # fmt: skip
    write_drift([zero], tmp_path / "D.sqlite", "", tmp_path / "DRIFT.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "DRIFT.xlsx")[CHARTS]
    assert not [c for row in sheet.iter_rows() for c in row if "Off the" in str(c.value)]


LEAP = [*(BEFORE * 5), 0.020, 0.190, 0.020, 0.150, 0.160, 0.200]
"""A gauge that moves, with a slip before that is no further off than what lasts."""


def test_each_value_is_on_the_chart_or_named_below_it(steady: list[Row], tmp_path: Path) -> None:
    for zeros in (LEAP, [*LEAP[:31], 0.9, *LEAP[32:]]):
        zero = of(drifts(with_zeros(steady, zeros)), "zero")
        write_drift([zero], tmp_path / "D.sqlite", "", tmp_path / "DRIFT.xlsx")
        sheet = openpyxl.load_workbook(tmp_path / "DRIFT.xlsx")[CHARTS]
        said = " ".join(str(c.value) for row in sheet.iter_rows() for c in row if c.value)
        named = {int(n) for n in re.findall(r"row (\d+) \(", said)}
        points = zip((o.row for o in zero.series.origins), zero.series.values, strict=True)
        with zipfile.ZipFile(tmp_path / "DRIFT.xlsx") as file:
            drawn = file.read("xl/charts/chart1.xml").decode()
        # the second axis is that of the values
        high, low = (
            float(re.findall(rf'<c:{end} val="([^"]+)"', drawn)[1]) for end in ("max", "min")
        )
        off = {row for row, value in points if not low <= value <= high}
        assert named == off == ({32} if 0.9 in zeros else set())


def drifted(rows: list[Row], last: int, *codes: str) -> list[Row]:
    """The same rows, of which the last ones are doubtful by findings of these codes."""
    graver = tuple(Number("finding", code, "", 1.0, None, "1", "1") for code in codes)
    return [
        replace(
            row,
            status="doubtful",
            numbers=(*row.numbers, *graver),
        )
        if row.number > len(rows) - last
        else row
        for row in rows
    ]


def test_what_the_drift_itself_causes_is_not_put_down_to_the_groups(steady: list[Row]) -> None:
    zeros = [*(BEFORE * 5), *(v + 0.03 for v in BEFORE)]
    rows = with_zeros(steady, zeros)

    def said(rows: list[Row]) -> str:
        zero = of(drifts(rows), "zero")
        assert zero.alarm
        return " ".join(signal_text(zero, s) for s in zero.signals)

    assert "slip of the group" not in said(drifted(rows, 6, "zero-drifted"))
    assert "6 of these workbooks had doubtful" in said(drifted(rows, 6, "zero-drifted", "slip"))
    # an earlier sheetlab did not keep what made a workbook doubtful
    assert "6 of these workbooks had doubtful" in said(drifted(rows, 6))


def test_findings_of_a_workbook_go_into_the_archive() -> None:
    bound = Bound("1", "2026-01-01", (
        BoundInstrument("screw_gauge", "M-2", 0.5, 50, 0.01, zeros=(BoundZero("2025-09-01", 0.2),)),
    ))  # fmt: skip
    its = practical(department.WIRE)
    one = department.bench(1, "A")
    found = assess(its, as_cells_show(its, department.typed(one)), trials=0, bound=bound)
    (entry,) = entries_of(found, 2026)
    assert [(n.id, n.value) for n in entry.numbers if n.kind == "finding"] == [
        ("zero-drifted", 1.0)
    ]


def test_baseline_of_stated_years(creeping: list[Row]) -> None:
    late = of(drifts(creeping, years=(2026, 2026)), "zero")
    assert late.base == frozenset(range(2 * CLASS, 3 * CLASS))
    with pytest.raises(SheetlabError, match=r"no row of 2019 to 2020.* has 2024, 2025, 2026"):
        drifts(creeping, years=(2019, 2020))


def test_doubtful_values_set_no_limits_whichever_way_these_are_asked_for(
    steady: list[Row],
) -> None:
    # a zero taken on the wrong side, and few sound values in that year
    zeros = [0.02 + 0.001 * (i % 3) for i in range(3 * CLASS)]
    zeros[30] = -0.482
    rows = [
        replace(row, status="doubtful") if row.number > 28 else row
        for row in with_zeros(steady, zeros)
    ]
    last = of(drifts(rows, years=(2026, 2026)), "zero")
    assert last.chart is None
    assert "4 of at least 5 values that set limits, and 8 with doubtful findings" in last.why_not
    both = of(drifts(rows, years=(2025, 2026)), "zero"), of(drifts(rows, count=6), "zero")
    for one in both:
        assert one.base
        assert all(one.series.origins[i].status == "ok" for i in one.base)
        assert one.chart is not None
        assert one.chart.lower > 0.0


def test_too_few_values_are_told(steady: list[Row]) -> None:
    found = drifts(steady[:4])
    assert all(one.chart is None and "4 of at least 5" in one.why_not for one in found)
    # the reason stands in the summary too, which is all that a terminal shows of them
    assert list(drift_lines(found, brief=True))[-1].endswith(
        "without a chart yet (a chart needs 5 values or more that set limits)"
    )


def test_the_workbook(creeping: list[Row], tmp_path: Path) -> None:
    path = tmp_path / "DRIFT.xlsx"
    found = drifts(creeping)
    write_drift(found, tmp_path / "D.sqlite", "the first 12 sound values", path)
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == [SIGNALS, CHARTS, NUMBERS]
    words = [c.value for row in book[SIGNALS].iter_rows() for c in row if c.value]
    assert any("moving average (EWMA)" in str(w) for w in words)
    records = [[c.value for c in row] for row in book[NUMBERS].iter_rows(min_row=4)]
    zero = of(found, "zero")
    values = [r[10] for r in records if r[2] == zero.series.title]
    assert values == pytest.approx(list(zero.series.values), rel=1e-5)
    with zipfile.ZipFile(path) as file:
        drawn = [n for n in file.namelist() if n.startswith("xl/charts/chart")]
    assert len(drawn) == 2 * sum(one.chart is not None for one in found)
    (tmp_path / ".~lock.DRIFT.xlsx#").touch()
    with pytest.raises(SheetlabError, match="open"):
        write_drift(found, tmp_path / "D.sqlite", "", path)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    department.write(department.bench(3, "Group 4", "2"), folder / "in")
    with opened(folder / "D.sqlite") as connection:
        for group, entry in entries(2000, (0.03,) * CLASS, 2024)[:6]:
            append(connection, replace(entry, year=2026), group, "2026-06-01", "2027-12-31")
    renew(folder / "D.sqlite")
    return folder


@pytest.fixture
def target(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    return tmp_path / "D.sqlite"


def test_the_command(target: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = target.with_name("DRIFT.xlsx")
    assert main(["drift", str(target), "--out", str(out), "--baseline", "6"]) == 0
    assert capsys.readouterr().out.startswith("5 series: 0 with signals")
    assert out.exists()
    assert main(["drift", str(target), "--baseline-years", "2026-2026"]) == 0
    assert "set-up 1, zero error of screw gauge: 6 values: " in capsys.readouterr().out
    assert main(["drift", str(target.with_name("none.xlsx"))]) == 2
    book = target.with_name("D 2026.xlsx")
    before = book.read_bytes()
    for out in (target, book):
        assert main(["drift", str(target), "--out", str(out)]) == 2
        assert "nothing was written" in capsys.readouterr().err
    assert book.read_bytes() == before
    assert main(["drift", str(target), "--baseline-years", "2020"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("2020") == 1
    assert "the archive has 2026" in said.err
    assert main(["drift", str(target), "--baseline", "4"]) == 2
    assert "a whole number, 5 or more" in capsys.readouterr().err


def test_only_charts_of_drift_are_replaced(
    target: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = target.with_name("DRIFT.xlsx")
    command = ["drift", str(target), "--out", str(out)]
    assert main(command) == 0
    assert main(command) == 0
    for content in (next((target.parent / "in").iterdir()).read_bytes(), b"my notes"):
        out.write_bytes(content)
        capsys.readouterr()
        assert main(command) == 2
        assert "holds no charts of drift; nothing was written" in capsys.readouterr().err
        assert out.read_bytes() == content
    assert main([*command[:3], str(target.with_name("DRIFT.txt"))]) == 2
    assert "does not end in .xlsx" in capsys.readouterr().err
