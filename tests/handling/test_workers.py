"""Evaluation at the same time: in order, nothing lost, whoever dies; here and on a Dask cluster."""

from __future__ import annotations

import gc
import io
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from itertools import islice
from pathlib import Path

import pytest
from classes.groups import fill_class, handin, texts
from handling.calls import DEADLY, POISON, SLOW, SQUARE, STUCK, STUCK_AT, hang
from msgspec.structs import replace
from workbook.odf import open_document

import sheetlab
from sheetlab.cli import main
from sheetlab.finding import Finding, SheetlabError
from sheetlab.handling import batch
from sheetlab.handling import workers as w
from sheetlab.handling.progress import Meter, duration
from sheetlab.workbook import evaluate_file
from sheetlab.workbook.evaluate_file import FileOutcome
from sheetlab.workbook.reader import Filled
from sheetlab.years.checking import check
from sheetlab.years.codes import last_day
from sheetlab.years.database import read

pytestmark = pytest.mark.filterwarnings("default")

TESTS = Path(__file__).parents[1]


@pytest.fixture(autouse=True)
def importable(monkeypatch: pytest.MonkeyPatch) -> None:
    """Other processes import the package, and the tests' own work, as this one does."""
    here = os.pathsep.join([str(Path(sheetlab.__file__).parents[1]), str(TESTS)])
    monkeypatch.setenv("PYTHONPATH", here)


@pytest.fixture
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(w, "FEW", {"fork": 1, "spawn": 1})


def test_few_are_done_by_one_process() -> None:
    seen: list[tuple[int, int]] = []
    made = w.each(SQUARE, range(5), progress=lambda done, of: seen.append((done, of)))
    assert list(made) == [0, 1, 4, 9, 16]
    assert seen == [(i, 5) for i in range(1, 6)]
    assert list(w.each(SQUARE, [])) == []


@pytest.mark.slow
def test_results_come_in_order_and_whoever_stops_early_may(at_once: None) -> None:
    seen: list[int] = []
    made = w.each(SQUARE, range(1000), w.Workers(2), progress=lambda done, of: seen.append(done))
    assert list(made) == [i * i for i in range(1000)]
    assert seen == list(range(1, 1001))
    made = w.each(SLOW, range(1000), w.Workers(2))
    assert list(islice(made, 20)) == [i * i for i in range(20)]
    begun = time.monotonic()
    made.close()  # type: ignore[attr-defined]
    assert time.monotonic() - begun < 10


@pytest.mark.parametrize(
    "method",
    [
        pytest.param("fork", marks=pytest.mark.skipif(w.METHOD != "fork", reason="not safe here")),
        pytest.param("spawn", marks=pytest.mark.slow),
    ],
)
def test_what_takes_too_long_is_told_and_the_rest_is_done(
    method: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The process is ended from outside: nothing inside of it can."""
    monkeypatch.setattr(w, "METHOD", method)
    monkeypatch.setattr(w, "LONGEST", {"fork": 0.3, "spawn": 10.0}[method])
    begun = time.monotonic()
    made = list(w.each(STUCK, range(20), w.Workers(2)))
    assert time.monotonic() - begun < 60
    assert made == [(i, "took-too-long") if i in STUCK_AT else i * i for i in range(20)]


@pytest.fixture
def stuck_one(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A folder with two good workbooks and one that hangs in a compiled loop."""
    if w.METHOD != "fork":
        pytest.skip("other processes know nothing of what is replaced in this one")
    first, second, third = fill_class(tmp_path / "in", 3)
    bad = second.rename(first.with_name("b.xlsx"))
    real = evaluate_file.read_workbook

    def read(path: Path) -> Filled:
        if path.name == bad.name:
            hang()
        return real(path)

    # what has to be loaded is loaded, so that the short time is that of the workbook
    assert real(third).practical
    monkeypatch.setattr(evaluate_file, "read_workbook", read)
    monkeypatch.setattr(w, "LONGEST", 3.0)
    return tmp_path


GIVEN_UP = "the workbook was given up after 3 seconds"


@pytest.mark.parametrize(
    ("command", "code", "words"),
    [
        (["evaluate", "in"], 1, "b.xlsx: failed"),
        pytest.param(["class", "in", "--out", "C.xlsx"], 1, "unreadable: b.xlsx: ",
                     marks=pytest.mark.slow),
        pytest.param(["archive", "add", "in", "--archive", "D.sqlite", "--year", "2026"], 1,
                     "1 was not taken", marks=pytest.mark.slow),
        pytest.param(["watch", "in", "--once"], 0, "1 needs someone (!), 2 done",
                     marks=pytest.mark.slow),
        pytest.param(["evaluate", "in/b.xlsx"], 2, "b.xlsx: failed", marks=pytest.mark.slow),
    ],
)  # fmt: skip
def test_work_that_never_ends_is_given_up_and_the_batch_goes_on(
    stuck_one: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch,
    command: list[str], code: int, words: str,
) -> None:  # fmt: skip
    monkeypatch.chdir(stuck_one)
    begun = time.monotonic()
    assert main(command) == code
    assert time.monotonic() - begun < 20
    said = capsys.readouterr()
    assert words in said.out
    assert command[0] == "watch" or GIVEN_UP in " ".join((said.out + said.err).split())
    if command[0] == "evaluate" and code == 1:
        assert len(list((stuck_one / "in" / "evaluated").iterdir())) == 2


@pytest.mark.slow
@pytest.mark.parametrize(("work", "code", "words"), [
    ("while True: pass", 2, "given up after 1 seconds"),
    ("from handling.calls import hang; hang()", 1, "Timeout"),
])  # fmt: skip
def test_a_single_workbook_ends_the_process_where_no_copy_of_it_is_safe(
    work: str, code: int, words: str
) -> None:
    script = (
        "from sheetlab.handling import workers as w\n"
        "w.METHOD, w.LONGEST, w.GRACE = 'spawn', 1.0, 1.0\n"
        f"def work(one):\n    {work}\n"
        "list(w.each(w.Call(work, None), [1]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False, timeout=30
    )
    assert done.returncode == code
    assert words in done.stderr


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="needs signals")
def test_helpers_of_a_program_that_was_killed_end_too() -> None:
    """The idle one at once, and one that hangs when its time is over."""
    script = (
        "import os, sys, time; from handling.calls import STUCK, STUCK_AT\n"
        "from sheetlab.handling import workers as w\n"
        "w.LONGEST, w.GRACE, w.AHEAD = 2.0, 1.0, 1\n"
        "helpers = w._Helpers(STUCK, [0, STUCK_AT[0]], 2)\n"
        "helpers.give()\n"
        "print(*(helper.process.pid for helper in helpers.helpers), flush=True)\n"
        "time.sleep(60)"
    )
    child = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    processes = [int(text) for text in child.stdout.readline().split()]
    assert len(processes) == 2
    child.kill()
    child.communicate()
    end = time.monotonic() + 15
    while time.monotonic() < end and any(map(runs, processes)):
        time.sleep(0.1)
    assert not any(map(runs, processes))


def runs(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    # one that ended and that nobody has asked for is no longer at work
    state = Path(f"/proc/{process}/stat")
    return not state.exists() or state.read_text().rpartition(")")[2].split()[0] != "Z"


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="needs signals")
@pytest.mark.parametrize("where", ["", w.LOCAL])
def test_what_kills_its_process_is_told_and_the_rest_is_done(
    at_once: None, tmp_path: Path, where: str
) -> None:
    told: list[Finding] = []
    todo = [(i, tmp_path / "once") for i in range(800)]
    made = list(w.each(DEADLY, todo, w.Workers(2, where, told.append)))
    assert made == [-i if i == POISON else i * i for i in range(800)]
    assert told == []


def test_without_dask_it_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(SheetlabError, match=re.escape(".[cluster]")):
        list(w.each(SQUARE, range(3), w.Workers(cluster="tcp://127.0.0.1:1")))


@pytest.mark.slow
@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nonsense://x", "no such host:1", "é"])
def test_an_address_where_nobody_answers_is_told(
    address: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(w, "ANSWER", 1.0)
    fill_class(tmp_path / "in", 1)
    # Dask stops the loop of a client that never came about when that is collected; if this
    # happens while the next client starts its own, both wait for ever
    gc.collect()
    add = ["archive", "add", str(tmp_path / "in"), "--archive", str(tmp_path / "D.sqlite")]
    assert main([*add, "--year", "2026", "--cluster", address]) == 2
    assert "no Dask cluster answers" in capsys.readouterr().err
    gc.collect()
    assert main(["class", str(tmp_path / "in"), "--out", str(tmp_path / "C.xlsx"),
                 "--cluster", address]) == 2  # fmt: skip
    assert not (tmp_path / "C.xlsx").exists()


@contextmanager
def dask(*command: str, wait: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A process of a cluster, and the first match in what it says."""
    child = subprocess.Popen(
        [sys.executable, "-m", *command], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL,
        text=True,
    )  # fmt: skip
    assert child.stderr is not None
    try:
        found = next(filter(None, (re.search(wait, line) for line in child.stderr)))
        drain = threading.Thread(target=child.stderr.read, daemon=True)
        drain.start()
        yield child, found[0]
    finally:
        child.terminate()
        child.wait()


@contextmanager
def cluster(folder: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A scheduler and a worker with two threads, as a department begins them."""
    scheduler = ("distributed.cli.dask_scheduler", "--port", "0", "--no-dashboard",
                 "--host", "127.0.0.1")  # fmt: skip
    with dask(*scheduler, wait=r"tcp://[\d.]+:\d+") as (child, address):
        worker = ("distributed.cli.dask_worker", address, "--nworkers", "1", "--nthreads", "2",
                  "--no-dashboard", "--local-directory", str(folder))  # fmt: skip
        with dask(*worker, wait="Registered to"):
            yield child, address


@pytest.mark.slow
def test_a_cluster_gives_what_one_process_gives(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "in"
    fill_class(folder, 36)
    (folder / "broken.xlsx").write_bytes(b"PK\x03\x04nothing")
    monkeypatch.chdir(tmp_path)
    made: dict[str, list[object]] = {}
    secret = dict.fromkeys(("code", "salt", "seal", "previous", "digest"), "")
    with cluster(tmp_path) as (_, address):
        for name, more in (("serial", ["--jobs", "1"]), ("dask", ["--cluster", address])):
            place = tmp_path / name
            place.mkdir()
            # a relative path is another one for a worker
            assert main(["class", "in", "--out", str(place / "CLASS.xlsx"), *more]) == 1
            add = ["archive", "add", "in", "--archive", str(place / "D.sqlite"), "--year", "2026"]
            assert main([*add, *more]) == 1
            said = capsys.readouterr()
            rows = read(place / "D.sqlite").rows
            assert check(place / "D.sqlite", last_day(2026)).findings == ()
            told = re.sub(r"row \d+, \w+", "row", said.out.replace(str(place), ""))
            made[name] = [
                told, said.err, [replace(row, **secret) for row in rows],
                *(texts(place / "CLASS.xlsx", sheet) for sheet in ("Results", "History")),
            ]  # fmt: skip
        monkeypatch.setattr(w, "__version__", "0.0")
        with pytest.raises(SheetlabError, match=re.escape("sheetlab 0.0")):
            list(w.each(SQUARE, range(3), w.Workers(cluster=address)))
        monkeypatch.undo()
        with pytest.raises(SheetlabError, match="does not see"):
            list(w.each(SQUARE, range(3), w.Workers(cluster=address), [tmp_path / "nowhere"]))
    assert len(made["serial"][2]) == 36  # type: ignore[arg-type]
    assert made["dask"] == made["serial"]


@cache
def as_open_document() -> bytes:
    # what writes it puts in the time
    return open_document(handin("Group 0"))


def hand_ins(folder: Path) -> None:
    """Workbooks, sound and broken, and one as another program saves it."""
    fill_class(folder, 20)
    (folder / "a.ods").write_bytes(as_open_document())
    (folder / "broken.xlsx").write_bytes(b"PK\x03\x04nothing")
    (folder / "other.xlsx").symlink_to("nowhere.xlsx")


@pytest.mark.slow
def test_evaluate_gives_the_same_whoever_does_it(
    at_once: None,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    said: dict[str, list[tuple[str, str]]] = {}
    files: dict[str, dict[str, bytes]] = {}
    with cluster(tmp_path) as (_, address):
        for name, way in (
            ("serial", ["--jobs", "1"]),
            ("processes", ["--jobs", "2"]),
            ("dask", ["--cluster", address]),
        ):
            place = tmp_path / name
            hand_ins(place / "in")
            # relative paths are others for a worker, and are said as they were given
            monkeypatch.chdir(place)
            said[name] = []
            for more in (
                ["--verbose"], ["--json"], ["--out", "deep/out"], ["--in-place"], ["--in-place"],
            ):  # fmt: skip
                assert main(["evaluate", "in", "in/w097.xlsx", *more, *way]) == 1
                said[name].append(capsys.readouterr())
            assert main(["evaluate", "in/broken.xlsx", "--out", "none/out", *way]) == 2
            said[name].append(capsys.readouterr())
            assert not Path("none").exists()
            files[name] = {
                str(path.relative_to(place)): path.read_bytes()
                for path in sorted(place.rglob("*"))
                if path.is_file()
            }
    out = said["serial"][0][0]
    assert "written: in/evaluated/a.ods.xlsx" in out
    assert out.index("a.ods: ") < out.index("broken.xlsx: failed") < out.index("w097.xlsx: ")
    assert {"deep/out/w097.xlsx", "in/a.ods.xlsx", "in/w097.xlsx.bak"} <= set(files["serial"])
    for name in ("processes", "dask"):
        assert said[name] == said["serial"]
        assert files[name] == files["serial"]


def test_a_file_written_for_one_workbook_and_read_as_another_keeps_the_order(
    tmp_path: Path,
) -> None:
    def entangled(*names: str, out: Path | None = None, in_place: bool = False) -> bool:
        paths = [tmp_path / name for name in names]
        return batch._entangled(list(batch._jobs(paths, out, in_place, "", None)))

    assert not entangled("a.xlsx", "b.ods", "b.xlsx")
    assert not entangled("a.xlsx", "b.ods", in_place=True)
    assert entangled("b.ods", "b.ods.xlsx", in_place=True)
    assert not entangled("x/a.xlsx", "y/b.xlsx", out=tmp_path / "y")
    assert not entangled("x/a.xlsx", "y/a.xlsx", out=tmp_path / "y")
    assert entangled("evaluated/a.xlsx", "a.xlsx")


def status(outcome: FileOutcome) -> str:
    """What fails for the one workbook that has no status, and for no other."""
    if outcome.path.name == "odd.xlsx":
        assert outcome.assessment is None
    return outcome.findings[0].code if outcome.assessment is None else outcome.assessment.status


def test_a_workbook_that_cannot_be_put_into_words_stops_no_other(tmp_path: Path) -> None:
    first, second = fill_class(tmp_path / "in", 2)
    odd = first.rename(first.with_name("odd.xlsx"))
    found = list(batch.evaluate_many([odd, second], tmp_path / "out", False, status))
    assert found == ["file-unreadable", "doubtful"]


@pytest.mark.slow
def test_a_cluster_that_is_lost_leaves_the_rest_to_this_machine(tmp_path: Path) -> None:
    told: list[Finding] = []
    with cluster(tmp_path) as (scheduler, address):
        made = w.each(SLOW, range(300), w.Workers(2, address, told.append))
        found = list(islice(made, 30))
        scheduler.kill()
        found += made
    assert found == [i * i for i in range(300)]
    assert [finding.code for finding in told] == ["cluster-lost"]


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="needs signals")
def test_ctrl_c_ends_it_and_what_was_told_is_kept(tmp_path: Path) -> None:
    fill_class(tmp_path / "in", 80)
    target = tmp_path / "D.sqlite"
    code = (
        "import sys; from sheetlab.cli import main\n"
        "from sheetlab.handling import workers\nfrom sheetlab.years import adding\n"
        "adding.BATCH = 1\n"
        f"sys.exit(main(['archive', 'add', {str(tmp_path / 'in')!r}, '--archive', "
        f"{str(target)!r}, '--year', '2026', '--jobs', '2']))"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
    )  # fmt: skip
    assert child.stdout is not None
    told = [child.stdout.readline() for _ in range(3)]
    # to the helpers too, as a terminal does it
    os.killpg(child.pid, signal.SIGINT)
    out, errors = child.communicate(timeout=60)
    assert child.returncode == 130
    assert "Stopped" in errors
    assert "Traceback" not in errors
    rows = {f"row {row.number}, {row.code}" for row in read(target).rows}
    told += out.splitlines()
    assert {line.strip().partition(": ")[2] for line in told} <= rows
    assert 3 <= len(rows) < 80


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_is_one_line_on_a_terminal_and_few_in_a_log(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    now = [0.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    screen, log = Meter(Terminal()), Meter(io.StringIO())
    for done in range(1, 201):
        now[0] += 1.0
        screen(done, 200)
        log(done, 200)
    lines = screen.out.getvalue().split("\r")  # type: ignore[attr-defined]
    assert lines[100].startswith("100 of 200 workbooks evaluated, about 2 min left")
    assert lines[-1].endswith("\n")
    assert screen.out.getvalue().count("\n") == 1  # type: ignore[attr-defined]
    assert log.out.getvalue().splitlines() == [  # type: ignore[attr-defined]
        "60 of 200 workbooks evaluated, about 2 min left",
        "120 of 200 workbooks evaluated, about 80 s left",
        "180 of 200 workbooks evaluated, about 20 s left",
    ]
    # what is said in between takes the place of the line
    screen(1, 2)
    now[0] += 1.0
    screen(1, 2)
    screen.end()
    assert screen.out.getvalue().endswith("about 3 min left\x1b[K\r\x1b[K")  # type: ignore[attr-defined]
    single = Meter(Terminal())
    single(1, 1)
    assert not single.out.getvalue()  # type: ignore[attr-defined]
    assert [duration(s) for s in (40, 720, 12000)] == ["40 s", "12 min", "3 h 20 min"]


def test_help_of_the_commands_that_work_at_once_loads_no_helpers() -> None:
    code = (
        "import sys; from sheetlab.cli import main\n"
        "try: main(['archive', 'add', '--help'])\n"
        "except SystemExit: pass\n"
        "names = {'multiprocessing', 'distributed', 'dask'}\n"
        "print('LOADED', *names & {*sys.modules})"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "LOADED"
