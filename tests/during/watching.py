"""``sheetlab watch`` as a user starts it, and everything that it has printed so far."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from types import TracebackType

COMMAND = "import sys; from sheetlab.cli import main; sys.exit(main(sys.argv[1:]))"


class Watching:
    """Use as a context manager; the program ends with it.

    Parameters
    ----------
    terminal
        Lines and columns of a terminal to print to; None: a pipe.
    """

    def __init__(self, *arguments: object, terminal: tuple[int, int] | None = None) -> None:
        environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")}
        environment["PYTHONIOENCODING"] = "utf-8"
        if terminal is None:
            self._source, target = os.pipe()
            environment["COLUMNS"] = "150"
        else:
            import pty
            import termios

            self._source, target = pty.openpty()
            termios.tcsetwinsize(target, terminal)
        self.process = subprocess.Popen(
            [sys.executable, "-c", COMMAND, "watch", *map(str, arguments)],
            stdout=target,
            stderr=subprocess.STDOUT,
            env=environment,
        )
        os.close(target)
        self._raw = b""
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        with contextlib.suppress(OSError):  # how a terminal says that the other side is gone
            while data := os.read(self._source, 65536):
                self._raw += data

    def __enter__(self) -> Watching:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self._reader.join()
        os.close(self._source)

    @property
    def text(self) -> str:
        """All that was printed."""
        return self._raw.decode(errors="replace")

    def shows(self, words: str, seconds: float = 10.0, after: int = 0) -> float:
        """Wait for words in what is printed from some character on; seconds that it took."""
        began = time.monotonic()
        while words not in self.text[after:]:
            waited = time.monotonic() - began
            assert waited < seconds, f"no “{words}” in {self.text[after:]!r}"
            assert self.process.poll() is None, self.text
            time.sleep(0.01)
        return time.monotonic() - began

    def stop(self) -> int:
        """Ctrl-C; the exit status."""
        self.process.send_signal(signal.SIGINT)
        status = self.process.wait(10)
        self._reader.join()
        return status
