"""How a department states results: which uncertainty, how many digits, signs, decimal mark."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Literal

from msgspec import Struct, field
from msgspec.structs import fields

from sheetlab.metrology.statement import with_mark

MAX_INPUTS = 50
Difference = Literal["result-accepted", "accepted-result", "size"]
DIFFERENCES: Mapping[Difference, tuple[str, int]] = {
    "result-accepted": ("result − accepted", 1),
    "accepted-result": ("accepted − result", -1),
    "size": ("", 0),
}
"""What a percentage difference is of, and its sign beside that of result − accepted."""


class Profile(Struct, frozen=True):
    """Conventions of a department; the keys of a profile file."""

    id: str = "gum"
    """Name of the profile, as results show it."""
    stated: Literal["expanded", "standard", "maximum"] = "expanded"
    """The number after ±: expanded or standard uncertainty, or the maximum error."""
    digits: Literal[0, 1, 2] = 0
    """Digits of the number after ±; 0: two if the first is 1 or 2, otherwise one."""
    coverage_probability: float = 0.95
    """Of the expanded uncertainty."""
    coverage_factor: float = 0.0
    """0: from Student's t for the effective degrees of freedom."""
    division: Literal["whole", "half"] = "whole"
    """What the maximum error of a reading is: a whole least count, or half of it."""
    difference: Difference = "result-accepted"
    """Sign of the percentage difference."""
    decimal_mark: Literal[".", ","] = "."
    """Of numbers in sentences; cells follow the spreadsheet program."""
    form: Literal["both", "power", "prefix"] = "both"
    """Results with a power of ten, with an SI prefix, or both."""
    inputs: Mapping[str, float] = field(default_factory=dict)
    """Numbers that stand in the inputs of these names when a workbook is issued."""

    g_values: tuple[float, ...] = ()
    """Values of g in m/s² that may be taken on purpose in own results, such as 9.8 or 10."""

    @property
    def share_of_division(self) -> float:
        """Factor on maximum errors, which definitions write in whole least counts."""
        return 0.5 if self.division == "half" else 1.0

    @property
    def difference_rule(self) -> str:
        """What the percentage difference is of, in words; empty if it has no sign."""
        return DIFFERENCES[self.difference][0]

    def signed_difference(self, percent: float) -> float:
        """A difference of result and accepted value (result − accepted) as the profile gives it."""
        sign = DIFFERENCES[self.difference][1]
        return sign * percent if sign else abs(percent)

    def text(self) -> str:
        """The profile as the text of a profile file."""
        lines = []
        for key in fields(self):
            value = getattr(self, key.name)
            if key.name == "inputs":
                pairs = ", ".join(f"{json.dumps(k)} = {v!r}" for k, v in value.items())
                lines.append(f"inputs = {{ {pairs} }}" if pairs else "inputs = {}")
            else:
                lines.append(f"{key.name} = {json.dumps(value, ensure_ascii=False)}")
        return "\n".join(lines) + "\n"

    def sentence(self, text: str) -> str:
        """A sentence with the decimal mark of the profile; “quoted” parts stay as they are."""
        return with_mark(text, self.decimal_mark)


GUM = Profile()
BUILT_IN: Mapping[str, Profile] = {
    "gum": GUM,
    "school-maximum": Profile(
        id="school-maximum", stated="maximum", digits=1, g_values=(9.8, 10.0)
    ),
}
"""Profiles that need no file: the GUM's, and the maximum error of the teaching laboratory."""


def profile_problems(profile: Profile) -> list[tuple[str, str, str]]:
    """Key, reason and what is allowed, for each value that cannot be used."""
    inputs, values = len(profile.inputs), profile.g_values
    probability, factor = profile.coverage_probability, profile.coverage_factor
    rules = (
        ("id", re.fullmatch(r"[a-z][a-z0-9-]{0,40}", profile.id),
         f"“{profile.id}” is no name", "small letters, digits and -"),
        ("coverage_probability", 0.5 <= probability <= 0.999, f"{probability:g}", "0.5 to 0.999"),
        ("coverage_factor", not factor or 1.0 <= factor <= 5.0, f"{factor:g}", "1 to 5, or 0"),
        ("g_values", len(values) <= MAX_INPUTS and all(9.0 <= g <= 11.0 for g in values),
         "holds what no convention is", "values such as 9.8 and 10"),
        ("inputs", inputs <= MAX_INPUTS, f"{inputs} names", f"at most {MAX_INPUTS}"),
    )  # fmt: skip
    return [(key, reason, allowed) for key, good, reason, allowed in rules if not good]
