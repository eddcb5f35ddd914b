"""The command ``sheetlab manual``: prints pages of the manual."""

from __future__ import annotations

import argparse
from difflib import get_close_matches
from itertools import groupby

from sheetlab.commands.console import DONE, say
from sheetlab.finding import Severity, SheetlabError, finding


def manual(parser: argparse.ArgumentParser) -> None:
    """Print a page of the manual."""
    parser.add_argument(
        "topic", nargs="?", default="", metavar="TOPIC",
        help="page to print; without one all topics are listed",
    )  # fmt: skip
    parser.set_defaults(run=_manual)


def _manual(options: argparse.Namespace) -> int:
    from sheetlab.manual import pages, text_of

    topics = [page.topic for page in pages()]
    topic = options.topic.lower().removesuffix(".md").replace(" ", "-")
    if topic in topics:
        say(text_of(topic), end="")
    elif topic:
        asked = {"typed": options.topic, "topics": ", ".join(topics)}
        for near in get_close_matches(topic, topics, 1, 0.7):
            raise SheetlabError(finding("no-such-page_near", Severity.STOP, near=near, **asked))
        raise SheetlabError(finding("no-such-page", Severity.STOP, **asked))
    else:
        lines = ["sheetlab manual TOPIC prints a page. Topics:"]
        for kind, of_kind in groupby(pages(), lambda page: page.kind):
            lines += ["", kind]
            lines += [f"  {page.topic:18} {page.purpose or page.title}" for page in of_kind]
        say("\n".join(lines))
    return DONE
