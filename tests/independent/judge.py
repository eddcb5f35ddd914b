"""What the whole program says of one filled workbook, held against what really happened."""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from independent import pendulum, wire
from independent.filling import fill
from independent.mistakes import BY_PRACTICAL, Kind
from independent.scales import Cells, put_answers, put_triangle

from sheetlab.checks.record import record
from sheetlab.workbook.evaluate_file import assess_file

ROOT = Path(__file__).parents[2]
STORIES: dict[str, Any] = {"wire-stretching": wire, "simple-pendulum": pendulum}
CAUSES = frozenset({
    "slip", "kink-at-start", "yield-at-end", "permanent-set", "backlash", "friction", "drift",
    "load-not-recorded", "scale-backwards", "block-shifted", "divisions-doubtful",
    "digits-left-out", "zero-side-doubtful", "rows-shifted",
    "readings-row-off", "steps-not-totals", "order-of-time", "unit-doubtful",
})  # fmt: skip
"""Codes that give a cause; others only say where something is odd."""
SUGGESTION = re.compile(r"\bfits? if|would fit|as if", re.IGNORECASE)
"""Words with which a message gives a cause."""


@cache
def _general(practical: str) -> tuple[str, ...]:
    """Questions that the definition asks about every result far off: they name everything."""
    text = (ROOT / "workbook_templates" / f"{practical}.toml").read_text(encoding="utf-8")
    results = tomllib.loads(text)["results"]
    return tuple(one["far_question"] for one in results if "far_question" in one)


@dataclass(frozen=True)
class Verdict:
    """What was said of a clean bench and of the same bench with a mistake."""

    practical: str
    kind: str
    seed: int
    deviation: float
    """Result of the clean bench minus the truth, in its expanded uncertainty."""
    relative: float
    """The same in its standard uncertainty."""
    alarms: tuple[str, ...]
    """Codes that make the clean bench doubtful."""
    moved: float
    """How far the mistake moved the result, in the expanded uncertainty; inf without a result."""
    seen: bool
    named: bool
    misled: bool
    said: tuple[str, ...]
    """What was new with the mistake: code, severity, message."""


def said(practical: str, cells: Cells, folder: Path, path: Path) -> dict[str, Any]:
    """The record of the evaluation, as ``evaluate --json`` prints it."""
    fill(practical, cells, folder, path)
    outcome, _ = assess_file(path, trials=0)
    if outcome.assessment is None:
        findings = [
            {"code": f.code, "severity": str(f.severity), "message": f.message}
            for f in outcome.findings
        ]
        return {"measurand": None, "findings": findings, "own_results": []}
    return record(outcome.assessment, path.name)


def judge(practical: str, name: str, seed: int, folder: Path) -> Verdict:
    """Draw a bench on which this mistake can happen, and judge it clean and with the mistake."""
    kind, number = BY_PRACTICAL[practical][name], list(BY_PRACTICAL[practical]).index(name)
    rng = np.random.default_rng([seed, number, len(practical)])
    story, cells, spoiled = planted(practical, kind, rng)
    if kind.told not in OWN:
        cells |= _right_own_results(practical, story, cells, rng)
    path = folder / f"{practical}-{number}-{seed}.xlsx"
    clean, wrong = (said(practical, one, folder, path) for one in (cells, spoiled))
    path.unlink()
    if (
        practical == "wire-stretching"
        and not story.way_back
        and kind.told in ("material", "always")
    ):
        name += ONE_WAY
    return _verdict(practical, name, kind, seed, _truth(story), clean, wrong)


def planted(practical: str, kind: Kind, rng: np.random.Generator) -> tuple[Any, Cells, Cells]:
    """A bench on which the mistake can happen: its story, and its cells without and with it."""
    while True:
        story = STORIES[practical].draw(rng)
        cells = {"start_group": ["Group"]} | STORIES[practical].typed(story)
        spoiled = kind.plant(story, cells, rng)
        if spoiled is not None:
            return story, cells, {"start_group": ["Group"]} | spoiled


def _right_own_results(practical: str, story: Any, cells: Cells, rng: np.random.Generator) -> Cells:
    """Own results without a mistake, sensibly rounded, in half of the workbooks."""
    module, own = STORIES[practical], Cells()
    if rng.random() < 0.5:
        sums = module.own_sums(cells, story)
        own = put_answers(own, sums, int(rng.integers(3, 6)))
        own = put_answers(own, {"U": module.own_uncertainty(sums)}, int(rng.integers(1, 3)))
    if rng.random() < 0.3:
        name = "load_line" if module is wire else "period_line"
        own = put_triangle(own, module.line(cells, story), name, rng)
    return own


ONE_WAY = " (one way)"
OWN = ("own", "convention", "right")


def _truth(story: Any) -> float:
    return story.modulus * 1e9 if isinstance(story, wire.Wire) else story.g


def _verdict(
    practical: str, label: str, kind: Kind, seed: int, truth: float,
    clean: dict[str, Any], wrong: dict[str, Any],
) -> Verdict:  # fmt: skip
    alarms = tuple(
        f["code"] for f in clean["findings"]
        if f["severity"] != "note" or f["code"] == "own-result-differs"
    )  # fmt: skip
    deviation = relative = math.nan
    if (result := clean["measurand"]) is not None:
        deviation = (result["value"] - truth) / result["expanded_uncertainty"]
        relative = (result["value"] - truth) / result["standard_uncertainty"]
    before = {(f["code"], f["message"]) for f in clean["findings"]}
    new = [f for f in wrong["findings"] if (f["code"], f["message"]) not in before]
    for f in new:
        for question in _general(practical):
            f["message"] = f["message"].replace(question, "")
    if kind.told in OWN:
        flags = _own_flags(kind, wrong["own_results"])
        text = [f"{a['title']}: {[c['text'] for c in a['causes']]}" for a in wrong["own_results"]
                if not a["agrees"]]  # fmt: skip
    else:
        flags = _flags(kind, new)
        text = [f"{f['code']} ({f['severity']}): {f['message']}" for f in new]
    moved = _moved(clean, wrong)
    return Verdict(practical, label, seed, deviation, relative, alarms, moved, *flags, tuple(text))


def _moved(clean: dict[str, Any], wrong: dict[str, Any]) -> float:
    """How far the results moved in their expanded uncertainties; a further result counts a quarter.

    The measurand is told by much else than its own uncertainty; an intercept by nothing else, and
    four standard deviations are what a rule with few false alarms can see.
    """
    if clean["measurand"] is None or wrong["measurand"] is None:
        return math.inf
    pairs = zip(
        [clean["measurand"], *clean["further_results"]],
        [wrong["measurand"], *wrong["further_results"]],
        strict=True,
    )
    return max(
        abs(one["value"] - two["value"]) / one["expanded_uncertainty"] / (4 if i else 1)
        for i, (one, two) in enumerate(pairs)
        if one is not None and two is not None
    )


def matches(names: tuple[str, ...], finding: dict[str, Any]) -> bool:
    """Whether a finding says one of these names."""
    for name in names:
        code, _, words = name.partition(": ")
        if code in ("*", finding["code"]) and re.search(words, finding["message"]):
            return True
    return False


def _flags(kind: Kind, new: list[dict[str, Any]]) -> tuple[bool, bool, bool]:
    """Seen; the first name given is right; it is wrong. What gives no cause names nothing."""
    if kind.told == "missing":
        named = any(matches(kind.right, f) for f in new)
        return named, named, False
    graver = [f for f in new if f["severity"] != "note"]
    names = [
        f
        for f in graver
        if f["code"] in CAUSES or SUGGESTION.search(f["message"]) or matches(kind.right, f)
    ]
    named = bool(names) and matches(kind.right, names[0])
    return bool(graver), named, bool(names) and not named and not matches(kind.also, names[0])


def _own_flags(kind: Kind, answers: list[dict[str, Any]]) -> tuple[bool, bool, bool]:
    """The same for own results; where they are right, seen means that all of them were accepted."""
    wrong = [a for a in answers if not a["agrees"]]
    if kind.told == "right" or (kind.told == "convention" and not wrong):
        return not wrong, not wrong, bool(wrong)
    texts = [[c["text"] for c in a["causes"]] for a in wrong if a["causes"]]
    if not texts:
        return bool(wrong), False, False
    found = [any(re.search(name, text) for name in kind.right) for text in texts[0]]
    return True, bool(found and found[0]), not any(found)
