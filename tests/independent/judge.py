"""What the whole program says of one filled workbook, held against what really happened."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pendulum
import wire
from filling import fill
from mistakes import BY_PRACTICAL, Kind
from scales import Cells

from sheetlab.checks.record import record
from sheetlab.workbook.evaluate_file import assess_file

ROOT = Path(__file__).parents[2]
STORIES: dict[str, Any] = {"wire-stretching": wire, "simple-pendulum": pendulum}
CAUSES = frozenset({
    "slip", "kink-at-start", "yield-at-end", "permanent-set", "backlash", "friction", "drift",
    "load-not-recorded", "scale-backwards", "block-shifted", "divisions-doubtful",
    "digits-left-out", "zero-side-doubtful", "rows-shifted",
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
    """Standard uncertainty over the true error; its square mean is judged."""
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
    kind, module = BY_PRACTICAL[practical][name], STORIES[practical]
    names = list(BY_PRACTICAL[practical])
    rng = np.random.default_rng([seed, names.index(name), len(practical)])
    while True:
        story = module.draw(rng)
        cells = {"start_group": ["Group"]} | module.typed(story)
        spoiled = kind.plant(story, cells, rng)
        if spoiled is not None:
            break
    own = rng.random()
    if own < 0.5 and kind.told not in OWN:
        # right own results, sensibly rounded
        cells = wire.put_answers(cells, module.own_sums(cells, story), int(rng.integers(3, 6)))
    path = folder / f"{practical}-{seed}-{names.index(name)}.xlsx"
    clean = said(practical, cells, folder, path)
    wrong = said(practical, {"start_group": ["Group"]} | spoiled, folder, path)
    path.unlink()
    label = name
    if (
        practical == "wire-stretching"
        and not story.way_back
        and kind.told in ("material", "always")
    ):
        label += " (one way)"
    return _verdict(practical, label, kind, seed, _truth(story), clean, wrong)


OWN = ("own", "convention", "right")


def _truth(story: Any) -> float:
    return story.modulus * 1e9 if isinstance(story, wire.Wire) else story.g


def _verdict(
    practical: str, label: str, kind: Kind, seed: int, truth: float,
    clean: dict[str, Any], wrong: dict[str, Any],
) -> Verdict:  # fmt: skip
    result, other = clean["measurand"], wrong["measurand"]
    alarms = tuple(
        f["code"] for f in clean["findings"]
        if f["severity"] != "note" or f["code"] == "own-result-differs"
    )  # fmt: skip
    U = np.nan if result is None else result["expanded_uncertainty"]
    deviation = np.nan if result is None else (result["value"] - truth) / U
    relative = (
        np.nan if result is None else (result["value"] - truth) / (result["standard_uncertainty"])
    )
    moved = np.inf if result is None or other is None else max(
        abs(one["value"] - two["value"]) / one["expanded_uncertainty"]
        for one, two in zip(
            [result, *clean["further_results"]], [other, *wrong["further_results"]], strict=True
        )
        if one is not None and two is not None
    )  # fmt: skip
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
    return Verdict(
        practical, label, seed, float(deviation), float(relative), alarms, float(moved), *flags,
        tuple(text),
    )  # fmt: skip


def matches(names: tuple[str, ...], finding: dict[str, Any]) -> bool:
    """Whether a finding says one of these names."""
    for name in names:
        code, _, words = name.partition(": ")
        if code in ("*", finding["code"]) and re.search(words, finding["message"]):
            return True
    return False


def _flags(kind: Kind, new: list[dict[str, Any]]) -> tuple[bool, bool, bool]:
    """Seen, named right at the first place, misled by a wrong name at the first place."""
    graver = [f for f in new if f["severity"] != "note"]
    counted = graver or (new if kind.told == "missing" else [])
    if not counted:
        return False, False, False
    first = counted[0]
    named = matches(kind.right, first)
    gives_cause = first["code"] in CAUSES or bool(SUGGESTION.search(first["message"]))
    return True, named, gives_cause and not named and not matches(kind.also, first)


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
