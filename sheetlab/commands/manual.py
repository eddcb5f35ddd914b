"""The command ``sheetlab manual``: prints pages of the manual."""

from __future__ import annotations

import argparse
from difflib import get_close_matches

from sheetlab.commands.console import DONE, say
from sheetlab.finding import Finding, Severity, SheetlabError, finding


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
        raise SheetlabError(_no_such_page(options.topic, topic, topics))
    else:
        say(_contents())
    return DONE


def _contents() -> str:
    """All topics, kind by kind."""
    from sheetlab.manual import pages

    lines: list[str] = []
    kind = ""
    for page in pages():
        if page.kind != kind:
            kind = page.kind
            lines += ["", kind]
        lines.append(f"  {page.topic:18} {page.purpose or page.title}")
    return "\n".join(["sheetlab manual TOPIC prints a page. Topics:", *lines])


def _no_such_page(typed: str, topic: str, topics: list[str]) -> Finding:
    values = {"typed": typed, "topics": ", ".join(topics)}
    for near in get_close_matches(topic, topics, 1, 0.7):
        return finding("no-such-page_near", Severity.STOP, near=near, **values)
    return finding("no-such-page", Severity.STOP, **values)
