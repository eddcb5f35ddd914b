"""The one place where workbooks are read and evaluated: processes here, or a cluster.

A process takes a workbook at a time and is ended from outside when that takes too long or too much:
the workbook is told, another process takes the rest. Results come in the order of the work whoever
did it, and none is worked out far ahead of the one that is waited for, so that memory stays flat.
"""

from __future__ import annotations

import contextlib
import faulthandler
import importlib
import multiprocessing
import os
import signal
import sys
import threading
import time
import warnings
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any, Generic, TypeVar

from msgspec import Struct

from sheetlab import __version__
from sheetlab.finding import Finding, Severity, SheetlabError, finding
from sheetlab.messages import Phrase, phrase

LONGEST = 30.0
"""Seconds that one workbook may take."""
GRACE = 5.0
"""Seconds after which a process ends itself, if nobody is left who would end it."""
METHOD = "fork" if sys.platform == "linux" else "spawn"
"""How processes begin: as a copy of this one in a few milliseconds, where that is safe."""
FEW = {"fork": 8, "spawn": 120}
"""Workbooks up to which another process costs more time than it saves."""
NEEDED = ("numpy", "uncertainties.umath", "fluent.runtime")
"""What nearly every workbook needs: loaded once, before copies of this process are made."""
AHEAD = 2
"""Workbooks that a process has at a time: the next is there when one is done."""
WINDOW = 200
"""Results a process that are kept for an earlier one that is still waited for."""
ANSWER = 10.0
"""Seconds that a cluster has to answer, and to have a worker."""
LOCAL = "local"
"""Instead of an address: a cluster on this machine, to try it."""

T = TypeVar("T")
R = TypeVar("R")
Progress = Callable[[int, int], None]


class Workers(Struct, frozen=True):
    """Who evaluates."""

    jobs: int = 0
    """Processes on this machine; 0 for as many as there are processors."""
    cluster: str = ""
    """Address of a Dask scheduler, or ``LOCAL``; empty for this machine."""
    tell: Callable[[Finding], None] = lambda finding: None
    """Told what happens to the cluster meanwhile."""


HERE = Workers()


class Call(Struct, Generic[T, R], frozen=True):
    """What is done to each of many things.

    Both functions travel to other processes: they stand at the top of a module.
    """

    work: Callable[[T], R]
    lost: Callable[[T, Finding], R]
    """The result for a thing that takes too long, or on which every process dies that takes it."""
    weight: float = 1.0
    """Time that one takes, compared with reading and assessing a workbook."""


class _ClusterLostError(Exception):
    """The cluster, or the way to it, is gone."""


def each(
    call: Call[T, R],
    todo: Sequence[T],
    workers: Workers = HERE,
    folders: Sequence[Path] = (),
    progress: Progress | None = None,
) -> Iterator[R]:
    """Results in the order of the things.

    Parameters
    ----------
    folders
        What the workers of a cluster have to see under the same path.
    progress
        Told how many of how many are done.

    Raises
    ------
    SheetlabError
        If there is no such cluster, or it cannot do this work. If it is lost on the way, the rest
        is done on this machine.
    """
    done = 0

    def counted(results: Iterator[R]) -> Iterator[R]:
        nonlocal done
        for result in results:
            yield result
            done += 1
            if progress is not None:
                progress(done, len(todo))

    if workers.cluster:
        try:
            yield from counted(_on_cluster(call, todo, workers, folders))
        except _ClusterLostError:
            workers.tell(finding("cluster-lost", Severity.NOTE,
                                 address=workers.cluster, done=done, of=len(todo)))  # fmt: skip
    yield from counted(_here(call, todo[done:], workers.jobs or processors()))


def processors() -> int:
    """Processors that this program may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


# -- processes on this machine --------------------------------------------------------------------


def _here(call: Call[T, R], todo: Sequence[T], jobs: int) -> Iterator[R]:
    if len(todo) == 1 and METHOD != "fork":
        # a second process would take longer to begin than most workbooks take
        with _ending():
            yield call.work(todo[0])
        return
    if METHOD == "fork" and len(todo) > 1:
        for name in NEEDED:
            importlib.import_module(name)
    few = len(todo) * call.weight <= FEW[METHOD]
    helpers = _Helpers(call, todo, 1 if few else jobs)
    try:
        yield from helpers.results()
    finally:
        helpers.end()


class _Helper:
    """A process that works, and what it was given."""

    def __init__(self, work: Callable[[Any], Any], others: Sequence[Connection]) -> None:
        context: Any = multiprocessing.get_context(METHOD)
        self.connection, theirs = context.Pipe()
        # a copy of this process has its ends of the pipes too: as long as any is open, nobody
        # sees that this process has ended
        ours = (self.connection, *others) if METHOD == "fork" else ()
        self.process = context.Process(target=_help, args=(theirs, work, ours), daemon=True)
        with warnings.catch_warnings():
            # from Python 3.12 on it warns of threads, of which only those of BLAS may be there
            warnings.simplefilter("ignore", DeprecationWarning)
            self.process.start()
        theirs.close()
        self.due: deque[int] = deque()
        self.since = 0.0

    def give(self, number: int, thing: object) -> None:
        if not self.due:
            self.since = time.monotonic()
        self.due.append(number)
        with contextlib.suppress(OSError):  # it has ended, and is found so
            self.connection.send(thing)

    def answer(self) -> Any:
        """Raises EOFError or OSError if it has ended."""
        found = self.connection.recv()
        self.since = time.monotonic()
        return found

    def left(self) -> float:
        """Seconds that it has left for what it does."""
        return self.since + LONGEST - time.monotonic() if self.due else LONGEST

    def end(self) -> None:
        self.process.kill()
        self.connection.close()
        # one that waits for a dead share cannot end before the share answers
        self.process.join(1.0)


class _Helpers(Generic[T, R]):
    """Processes that do a call to many things."""

    def __init__(self, call: Call[T, R], todo: Sequence[T], jobs: int) -> None:
        self.call, self.todo, self.jobs = call, todo, jobs
        self.helpers: list[_Helper] = []
        self.waiting = deque(range(len(todo)))
        self.made: dict[int, R] = {}
        self.tried: set[int] = set()
        """Of those a process has died on each."""
        self.next = 0

    def results(self) -> Iterator[R]:
        while self.next < len(self.todo):
            self.give()
            left = min(helper.left() for helper in self.helpers)
            ready = wait([helper.connection for helper in self.helpers], max(left, 0.0))
            for helper in list(self.helpers):
                if helper.connection in ready:
                    self.take(helper)
                elif helper.left() <= 0.0:
                    self.lose(helper, took_too_long())
            while self.next in self.made:
                yield self.made.pop(self.next)
                self.next += 1

    def give(self) -> None:
        """Keep the processes busy, with what is not too far ahead."""
        busy = sum(len(helper.due) for helper in self.helpers)
        while len(self.helpers) < min(self.jobs, busy + len(self.waiting)):
            others = [helper.connection for helper in self.helpers]
            self.helpers.append(_Helper(self.call.work, others))
        for helper in self.helpers * AHEAD:
            if not self.waiting or self.waiting[0] >= self.next + WINDOW * self.jobs:
                return
            if len(helper.due) < AHEAD:
                number = self.waiting.popleft()
                helper.give(number, self.todo[number])

    def take(self, helper: _Helper) -> None:
        try:
            result, error = helper.answer()
        except (EOFError, OSError):
            self.lose(helper, None)
            return
        if error is not None:
            raise error
        self.made[helper.due.popleft()] = result

    def lose(self, helper: _Helper, why: Finding | None) -> None:
        """Go on without a process; ``why``: the reason, if it is that of the thing it did."""
        self.helpers.remove(helper)
        helper.end()
        if not helper.due:
            return
        number = helper.due.popleft()
        self.waiting.extendleft(reversed(helper.due))
        if why is None and number not in self.tried:
            # the memory may have been taken by another
            self.tried.add(number)
            self.waiting.appendleft(number)
        else:
            self.made[number] = self.call.lost(self.todo[number], why or lost_with_all())

    def end(self) -> None:
        for helper in self.helpers:
            helper.end()


def _help(connection: Connection, work: Callable[[Any], Any], others: Sequence[Connection]) -> None:
    """Work until the other end of the pipe is closed."""
    for other in others:
        other.close()
    with contextlib.suppress(ValueError):
        # Ctrl-C reaches the whole group; the parent ends its helpers itself
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    with open(os.devnull, "w") as nowhere, contextlib.suppress(EOFError, OSError):
        while True:
            thing = connection.recv()
            faulthandler.dump_traceback_later(LONGEST + GRACE, exit=True, file=nowhere)
            answer: tuple[Any, Exception | None]
            try:
                answer = work(thing), None
            except Exception as error:
                answer = None, error
            faulthandler.cancel_dump_traceback_later()
            connection.send(answer)


@contextlib.contextmanager
def _ending() -> Iterator[None]:
    """End this process when the time is over: there is nothing else that it has to do."""

    def end() -> None:
        print(took_too_long().message, file=sys.stderr, flush=True)
        os._exit(2)

    timer = threading.Timer(LONGEST, end)
    timer.daemon = True
    timer.start()
    # a loop inside a compiled library lets no other thread run
    faulthandler.dump_traceback_later(LONGEST + GRACE, exit=True)
    try:
        yield
    finally:
        timer.cancel()
        faulthandler.cancel_dump_traceback_later()


# -- a cluster ------------------------------------------------------------------------------------


def _on_cluster(
    call: Call[T, R], todo: Sequence[T], workers: Workers, folders: Sequence[Path]
) -> Iterator[R]:
    with _client(workers) as client:
        _look(client, workers.cluster, folders)
        most = max(sum(client.ncores().values()), 1) * WINDOW

        def submit(thing: T) -> Any:
            return client.submit(_one_at_a_time, call.work, thing, pure=False)

        waiting: deque[Any] = deque()
        for number, thing in enumerate(todo):
            for following in todo[number + len(waiting) : number + most]:
                waiting.append(submit(following))
            try:
                result = _result(client, waiting.popleft())
                if result is None:
                    # workers died on it, perhaps of another thing that they had
                    result = _result(client, submit(thing))
            except OSError as error:
                raise _ClusterLostError from error
            yield result[0] if result is not None else call.lost(thing, lost_with_all())


def _result(client: Any, future: Any) -> tuple[Any] | None:
    """The result of a future; None if every worker died on it.

    Raises
    ------
    OSError
        If the cluster is gone.
    """
    from distributed import CancelledError, KilledWorker

    while True:
        try:
            return (future.result(timeout=ANSWER),)
        except KilledWorker:
            return None
        except CancelledError as error:
            raise OSError from error
        except TimeoutError:
            # those that died are begun again after a moment; if not, this is a TimeoutError too
            client.wait_for_workers(1, timeout=ANSWER)


_ONE_AT_A_TIME = threading.Lock()


def _one_at_a_time(work: Callable[[T], R], thing: T) -> R:
    # a cluster may give a process several threads, which gain nothing here
    with _ONE_AT_A_TIME, open(os.devnull, "w") as nowhere:
        faulthandler.dump_traceback_later(LONGEST, exit=True, file=nowhere)
        try:
            return work(thing)
        finally:
            faulthandler.cancel_dump_traceback_later()


@contextlib.contextmanager
def _client(workers: Workers) -> Iterator[Any]:
    import logging

    address = workers.cluster
    try:
        from distributed import Client, LocalCluster
    except ImportError as error:
        raise SheetlabError(finding("no-cluster_library", Severity.STOP)) from error
    # what matters of it is told as findings
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    with contextlib.ExitStack() as stack:
        try:
            if address == LOCAL:
                cluster = stack.enter_context(
                    LocalCluster(
                        n_workers=workers.jobs or processors(), threads_per_worker=1,
                        dashboard_address=None, silence_logs=logging.CRITICAL,
                    )
                )  # fmt: skip
                client = stack.enter_context(Client(cluster, set_as_default=False))
            else:
                client = stack.enter_context(Client(address, timeout=ANSWER, set_as_default=False))
            client.wait_for_workers(1, timeout=3 * ANSWER)
        except Exception as error:
            # Dask says what is wrong with an address in errors of many kinds, and where its own
            # loop does not start within ten seconds by an assertion
            reason = " ".join(str(error).split()) or type(error).__name__
            raise SheetlabError(
                finding("no-cluster_silent", Severity.STOP,
                        address=address, reason=reason[:200], local=LOCAL)
            ) from error  # fmt: skip
        yield client


def _look(client: Any, address: str, folders: Sequence[Path]) -> None:
    """Refuse a cluster whose workers cannot do the work."""
    try:
        found = client.run(_seen, [str(path) for path in folders])
    except ImportError as error:
        raise _unfit(address, phrase("worker-without-sheetlab", error=str(error)[:250])) from error
    except Exception as error:  # whatever another machine answers
        raise _unfit(address, phrase("worker-unable", error=str(error)[:250])) from error
    for worker, (version, missing) in found.items():
        if version != __version__:
            raise _unfit(address, phrase("worker-other-version", worker=worker, version=version))
        if missing:
            raise _unfit(address, phrase("worker-blind", worker=worker, folder=missing[0]))


def _seen(folders: Sequence[str]) -> tuple[str, list[str]]:
    return __version__, [path for path in folders if not os.path.exists(path)]


# -- findings -------------------------------------------------------------------------------------


def took_too_long() -> Finding:
    """That the time of a workbook is over."""
    return finding("took-too-long", Severity.STOP, seconds=round(LONGEST))


def lost_with_all() -> Finding:
    """That every process ended that took a workbook."""
    return finding("file-unreadable_processes", Severity.STOP)


def _unfit(address: str, reason: Phrase) -> SheetlabError:
    return SheetlabError(
        finding("no-cluster_unfit", Severity.STOP,
                address=address, reason=reason, version=__version__)
    )  # fmt: skip
