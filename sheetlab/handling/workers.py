"""The one place where workbooks are evaluated at the same time: processes here, or a cluster.

Both go through joblib: “loky” processes on this machine, or the workers of a Dask cluster. Results
come in the order of the work whoever did it, a window at a time, so that memory stays flat; what a
process took down with it when it died is done again, and what kills every process is reported.
"""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Generic, TypeVar

from sheetlab import __version__
from sheetlab.finding import Finding, Severity, SheetlabError

FEW = 120
"""Workbooks up to which starting more processes costs more time than it saves (two processors:
a helper takes over a second to begin, a workbook 20 ms)."""
BATCH = 8
"""Workbooks that travel together."""
WINDOW = 24
"""Batches a processor that are given out before all of them are waited for."""
ANSWER = 10.0
"""Seconds that a cluster has to answer, and to have a worker."""
DISPATCH: Mapping[str, Any] = {"batch_size": 1, "pre_dispatch": "3*n_jobs"}
"""The batches are made here, and few are under way at a time."""
LOCAL = "local"
"""Instead of an address: a cluster on this machine, to try it."""

LOST = "every process that took it ended: it may need more memory than there is"

T = TypeVar("T")
R = TypeVar("R")
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Workers:
    """Who evaluates."""

    jobs: int = 0
    """Processes on this machine; 0 for as many as there are processors."""
    cluster: str = ""
    """Address of a Dask scheduler, or ``LOCAL``; empty for this machine."""
    tell: Callable[[Finding], None] = lambda finding: None
    """Told what happens to the cluster meanwhile."""


HERE = Workers()


@dataclass(frozen=True, slots=True)
class Call(Generic[T, R]):
    """What is done to each of many things.

    Both functions travel to other processes: they stand at the top of a module.
    """

    work: Callable[[T], R]
    lost: Callable[[T], R]
    """The result for a thing on which every process dies that takes it."""
    weight: float = 1.0
    """Time that one takes, compared with reading and assessing a workbook."""


class _WorkerLostError(Exception):
    """A worker died, or the way to it."""


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
    for pool in _pools(workers, len(todo), call.weight, folders):
        with pool as run:
            try:
                for one in _through(run, call, todo[done:]):
                    yield one
                    done += 1
                    if progress is not None:
                        progress(done, len(todo))
                return
            except _WorkerLostError:
                workers.tell(_cluster_lost(workers.cluster, done, len(todo)))


def processors() -> int:
    """Processors that this program may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


# -- windows and deaths ---------------------------------------------------------------------------


@dataclass(slots=True)
class _Run:
    """A way to do calls at the same time."""

    size: int
    """Processors; 1 for this process."""
    start: Callable[[Sequence[Any]], Iterator[Any]] | None = None
    """Calls -> results in their order; raises what ``ends`` lists if a worker dies."""
    gone: Callable[[], bool] = lambda: False
    """Whether all of it is lost, not a worker only."""


def _through(run: _Run, call: Call[T, R], todo: Sequence[T]) -> Iterator[R]:
    if run.start is None:
        yield from map(call.work, todo)
        return
    window = run.size * WINDOW * BATCH
    for start in range(0, len(todo), window):
        some = todo[start : start + window]
        yield from _window(run, call, [some[i : i + BATCH] for i in range(0, len(some), BATCH)])


def _window(run: _Run, call: Call[T, R], batches: Sequence[Sequence[T]]) -> Iterator[R]:
    done, before = 0, -1
    while done < len(batches):
        try:
            for results in _results(run, call.work, batches[done:]):
                yield from results
                done += 1
        except (BrokenProcessPool, _WorkerLostError) as error:
            if run.gone():
                raise _WorkerLostError from error
            if done == before:
                # again nothing came: it may be this batch that processes die of
                yield from _alone(run, call, batches[done])
                done += 1
            before = done


def _alone(run: _Run, call: Call[T, R], batch: Sequence[T]) -> Iterator[R]:
    """A thing at a time, so that one that kills its process takes no other with it."""
    for one in batch:
        try:
            for results in _results(run, call.work, [[one]]):
                yield from results
        except (BrokenProcessPool, _WorkerLostError) as error:
            if run.gone():
                raise _WorkerLostError from error
            yield call.lost(one)


def _results(
    run: _Run, work: Callable[[T], R], batches: Sequence[Sequence[T]]
) -> Iterator[list[R]]:
    assert run.start is not None
    calls: list[Any] = [(partial(_batch, work), (i, batch), {}) for i, batch in enumerate(batches)]
    results = run.start(calls)
    try:
        for i, (number, some) in enumerate(results):
            if number != i:
                raise _WorkerLostError
            yield some
    finally:
        with warnings.catch_warnings():
            # who stops early means it
            warnings.simplefilter("ignore")
            results.close()  # type: ignore[attr-defined]


_ONE_AT_A_TIME = threading.Lock()


def _batch(work: Callable[[T], R], number: int, some: Sequence[T]) -> tuple[int, list[R]]:
    # a cluster may give a process several threads, which gain nothing here
    with _ONE_AT_A_TIME:
        return number, [work(one) for one in some]


# -- where ----------------------------------------------------------------------------------------


def _pools(
    workers: Workers, count: int, weight: float, folders: Sequence[Path]
) -> Iterator[contextlib.AbstractContextManager[_Run]]:
    """Where to do it, and where to go on if that is lost."""
    if workers.cluster:
        yield _cluster(workers, folders)
    jobs = min(workers.jobs or processors(), -(-count // BATCH))
    many = jobs > 1 and count * weight > FEW
    yield _processes(jobs) if many else contextlib.nullcontext(_Run(1))


@contextlib.contextmanager
def _processes(jobs: int) -> Iterator[_Run]:
    """Processes on this machine. (Those of “multiprocessing” wait for ever for one that died.)"""
    from joblib import Parallel
    from joblib.externals.loky import get_reusable_executor

    def start(calls: Sequence[Any]) -> Any:
        # a new one each time: after a death the old one may mix up the order of its results
        parallel = Parallel(jobs, "loky", "generator", initializer=_begin,
                            initargs=(os.getpid(),), max_nbytes=None, **DISPATCH)  # fmt: skip
        return parallel(calls)

    with _quiet_end():
        try:
            yield _Run(jobs, start)
        finally:
            # they hold memory that whoever goes on with the results can use
            get_reusable_executor().shutdown(wait=True, kill_workers=True)


@contextlib.contextmanager
def _quiet_end() -> Iterator[None]:
    """Say nothing of a thread of loky that looks for work just called off (joblib 1.6)."""
    usual = threading.excepthook

    def hook(found: threading.ExceptHookArgs) -> None:
        name = "" if found.thread is None else found.thread.name
        if name != "ExecutorManagerThread" or found.exc_type is not KeyError:
            usual(found)

    threading.excepthook = hook
    try:
        yield
    finally:
        threading.excepthook = usual


def _begin(parent: int) -> None:
    """A process that is killed cannot end its helpers: they watch for its end themselves."""
    with contextlib.suppress(ValueError):
        # Ctrl-C reaches the whole group; the parent ends its helpers itself
        signal.signal(signal.SIGINT, signal.SIG_IGN)

    def wait() -> None:
        while os.getppid() == parent:
            time.sleep(0.5)
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()


@contextlib.contextmanager
def _cluster(workers: Workers, folders: Sequence[Path]) -> Iterator[_Run]:
    import logging

    address = workers.cluster
    try:
        from distributed import Client, LocalCluster
        from joblib import Parallel
    except ImportError as error:
        raise SheetlabError(_no_dask()) from error
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
            client.wait_for_workers(1, timeout=ANSWER)
        except Exception as error:
            # Dask says what is wrong with an address in errors of many kinds, and where its own
            # loop does not start within ten seconds by an assertion
            raise SheetlabError(_no_cluster(address, error)) from error
        _look(client, address, folders)

        def start(calls: Sequence[Any]) -> Any:
            backend = _dask_backend(client)
            return Parallel(backend=backend, return_as="generator", **DISPATCH)(calls)

        def gone() -> bool:
            try:
                # those that died are begun again after a moment
                client.wait_for_workers(1, timeout=ANSWER)
            except (OSError, RuntimeError):
                return True
            return bool(client.status != "running")

        yield _Run(max(sum(client.ncores().values()), 1), start, gone)


def _dask_backend(client: Any) -> Any:
    """The backend of joblib, which also says when a worker is lost.

    In joblib 1.6 a task whose worker died again and again, or whose scheduler is gone, is waited
    for without end: its error is set and nobody is told.
    """
    from joblib._dask import DaskDistributedBackend

    class Backend(DaskDistributedBackend):  # type: ignore[misc]
        def effective_n_jobs(self, n_jobs: int) -> int:
            # for a single one joblib would not go to the cluster at all
            return max(int(super().effective_n_jobs(n_jobs)), 2)

        def submit(self, func: Any, callback: Any = None) -> Any:
            future = super().submit(func, callback)

            def told(found: Any) -> None:
                error = found.exception()
                if error is not None:
                    callback(error)

            future.add_done_callback(told)
            return future

        def retrieve_result_callback(self, out: Any) -> Any:
            if isinstance(out, BaseException):
                raise _WorkerLostError from out
            return super().retrieve_result_callback(out)

    return Backend(client=client)


def _look(client: Any, address: str, folders: Sequence[Path]) -> None:
    """Refuse a cluster whose workers cannot do the work."""
    try:
        found = client.run(_seen, [str(path) for path in folders])
    except ImportError as error:
        raise SheetlabError(_unfit(address, f"a worker has no sheetlab ({error})")) from error
    except Exception as error:  # whatever another machine answers
        raise SheetlabError(_unfit(address, f"a worker cannot do it ({error})")) from error
    for worker, (version, missing) in found.items():
        if version != __version__:
            raise SheetlabError(_unfit(address, f"{worker} has sheetlab {version}"))
        if missing:
            raise SheetlabError(_unfit(address, f"{worker} does not see {missing[0]}"))


def _seen(folders: Sequence[str]) -> tuple[str, list[str]]:
    return __version__, [path for path in folders if not os.path.exists(path)]


# -- findings -------------------------------------------------------------------------------------


def _no_dask() -> Finding:
    return Finding(
        "no-cluster",
        Severity.STOP,
        "a cluster needs dask.distributed, which is not installed here",
        "the optional part “cluster” of sheetlab, here and on every worker",
        "Install it (in the folder of sheetlab: pip install '.[cluster]'), or leave --cluster out.",
    )


def _no_cluster(address: str, error: Exception) -> Finding:
    reason = " ".join(str(error).split()) or type(error).__name__
    return Finding(
        "no-cluster",
        Severity.STOP,
        f"no Dask cluster answers at {address} ({reason[:200]})",
        "address of a running Dask scheduler with workers, such as tcp://192.168.1.10:8786, "
        f"or “{LOCAL}” for one on this machine",
        "Check the address and that the scheduler and a worker run; nothing was done.",
    )


def _unfit(address: str, what: str) -> Finding:
    return Finding(
        "no-cluster",
        Severity.STOP,
        f"the cluster at {address} cannot do this: {what[:300]}",
        f"workers with sheetlab {__version__} that see the files under the same path as this PC",
        "Install the same version there and mount the share at the same place; nothing was done.",
    )


def _cluster_lost(address: str, done: int, of: int) -> Finding:
    return Finding(
        "cluster-lost",
        Severity.NOTE,
        f"the cluster at {address} was lost after {done} of {of} workbooks",
        "a cluster that stays",
        "The rest is evaluated on this machine, which gives the same results.",
    )
