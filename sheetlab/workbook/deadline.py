"""A limit on the time that one workbook may take, so that a batch always goes on."""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Iterator

AGAIN = 1.0
"""Seconds from one strike to the next: one that falls into a destructor or a callback of the
collector is swallowed there."""
IMPORTING = "<frozen importlib"


class TooLongError(BaseException):
    """The time is over. No ordinary exception: nothing on the way catches it by mistake."""


@contextlib.contextmanager
def within(seconds: float) -> Iterator[None]:
    """Stop what is done inside when the time is over, at the next step of the interpreter.

    A single call into a compiled library is not cut short; what those are given is limited in size
    (``package``, ``model``). Nor is an import: half a module would spoil the process.

    Raises
    ------
    TooLongError
        Where the work stood.
    """
    thread = threading.get_ident()
    lock = threading.Lock()
    over = threading.Event()
    struck = False

    def watch() -> None:
        nonlocal struck
        pause = seconds
        while not over.wait(pause):
            pause = AGAIN
            with lock:
                if not over.is_set() and not _importing(thread):
                    struck = True
                    _raise_in(thread, TooLongError)

    threading.Thread(target=watch, daemon=True).start()
    try:
        try:
            yield
        finally:
            over.set()
    finally:
        # a strike may have fallen on the line above
        over.set()
        with lock:
            if struck:
                # perhaps when the work was just done: nothing is left to strike later
                _raise_in(thread, None)


def _importing(thread: int) -> bool:
    """Whether a thread is in the middle of an import."""
    frame = sys._current_frames().get(thread)
    while frame is not None:
        if frame.f_code.co_filename.startswith(IMPORTING):
            return True
        frame = frame.f_back
    return False


def _raise_in(thread: int, error: type[BaseException] | None) -> None:
    import ctypes

    raised = None if error is None else ctypes.py_object(error)
    ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread), raised)
