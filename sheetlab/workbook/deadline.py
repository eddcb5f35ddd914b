"""A limit on the time that one workbook may take, so that a batch always goes on."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator


class TooLongError(BaseException):
    """The time is over. No ordinary exception: nothing on the way catches it by mistake."""


@contextlib.contextmanager
def within(seconds: float) -> Iterator[None]:
    """Stop what is done inside when the time is over, at the next step of the interpreter.

    A single call into a compiled library is not cut short; what those are given is limited in size
    (``package``, ``model``).

    Raises
    ------
    TooLongError
        Where the work stood.
    """
    thread = threading.get_ident()
    lock = threading.Lock()
    over = struck = False

    def stop() -> None:
        nonlocal struck
        with lock:
            if not over:
                struck = True
                _raise_in(thread, TooLongError)

    timer = threading.Timer(seconds, stop)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
        with lock:
            over = True
        if struck:
            # perhaps when the work was just done: nothing is left to strike later
            _raise_in(thread, None)


def _raise_in(thread: int, error: type[BaseException] | None) -> None:
    import ctypes

    raised = None if error is None else ctypes.py_object(error)
    ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread), raised)
