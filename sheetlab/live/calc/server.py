"""The process beside LibreOffice: it holds the science, the office holds the cells.

LibreOffice starts it with the Python of the environment that sheetlab is installed in, and speaks
to it through its standard input and output, one line of JSON a request and one an answer. Nothing
is opened that another program could reach. It ends when its input ends, that is, with the office.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TextIO

from sheetlab import __version__
from sheetlab.finding import SheetlabError
from sheetlab.live.library import broken

COPY, RESULTS = "copy.xlsx", "results.xlsx"


def main() -> int:
    """Answer requests until there are no more."""
    say = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="ascii", newline="\n")
    # what a library prints must not get between the answers
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    hear = open(sys.stdin.fileno(), encoding="ascii", closefd=False)  # noqa: SIM115
    with tempfile.TemporaryDirectory(prefix="sheetlab-") as folder:
        serve(hear, say, Path(folder))
    return 0


def serve(hear: TextIO, say: TextIO, folder: Path) -> None:
    """Greet, then answer line by line.

    Parameters
    ----------
    folder
        For the files of commands; the caller takes it away.
    """
    _send(say, {"sheetlab": __version__})
    actions = _actions(folder)
    for line in hear:
        request = json.loads(line)
        try:
            answer = actions[request["do"]](request)
        except SheetlabError as error:
            answer = {"refused": "\n\n".join(f.message for f in error.findings)}
        except ImportError as error:
            answer = {"refused": broken(error)}
        except Exception as error:  # the last boundary: a traceback helps nobody in a window
            answer = {"refused": f"{type(error).__name__} in “{request['do']}”: please report it"}
        _send(say, answer)


def _send(say: TextIO, answer: Mapping[str, object]) -> None:
    say.write(json.dumps(answer) + "\n")
    say.flush()


def _actions(folder: Path) -> Mapping[str, Callable[[Mapping[str, Any]], dict[str, object]]]:
    from sheetlab.live.functions import FUNCTIONS
    from sheetlab.live.library import call

    def answer_call(request: Mapping[str, Any]) -> dict[str, object]:
        name = request["name"]
        one = FUNCTIONS.get(name)
        values = list(request["values"])
        for k, argument in enumerate(one.arguments if one else ()):
            # Calc gives 0 for a reference to an empty cell; where a text belongs it is no value
            if argument.kind == "text" and k < len(values) and values[k] == 0.0:
                values[k] = None
        return {"value": call(FUNCTIONS, name, values)}

    def answer_folder(_: Mapping[str, Any]) -> dict[str, object]:
        return {"folder": tempfile.mkdtemp(dir=folder)}

    return {
        "call": answer_call,
        "folder": answer_folder,
        "prepare": lambda request: _prepare(Path(request["folder"])),
        "own": lambda request: _own(Path(request["folder"])),
    }


def _prepare(folder: Path) -> dict[str, object]:
    from sheetlab.checks.wording import Words, headline
    from sheetlab.live.inplace import marks, prepare

    made = prepare(folder / COPY)
    (folder / RESULTS).write_bytes(made.results)
    found = made.assessment
    measurand = found.evaluation.measurand
    words = Words(found.practical, found.evaluation.profile)
    return {
        "titles": made.titles,
        "replaces": made.replaces,
        "names": [name for name, _ in made.names],
        "headline": headline(found),
        "elsewhere": made.elsewhere,
        "marks": [
            [m.sheet, m.cell, str(m.severity), m.note, m.texts[0]] for m in marks(made.doubts)
        ],
        "status": str(found.status),
        "statement": "" if measurand is None else words.statement_line(measurand),
    }


def _own(folder: Path) -> dict[str, object]:
    from sheetlab.live.inplace import own_titles

    return {"replaces": own_titles(folder / COPY)}


if __name__ == "__main__":
    sys.exit(main())
