"""Round and state a result: value and uncertainty to the same decimal place, one power of ten."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

_SUPERSCRIPTS = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")


@dataclass(frozen=True, slots=True)
class Statement:
    """A result as it is written down."""

    value: str
    uncertainty: str
    exponent: int
    unit: str

    def __str__(self) -> str:
        body = f"({self.value} ± {self.uncertainty})"
        if self.exponent:
            body += f" × {power_of_ten(self.exponent)}"
        return f"{body} {self.unit}".strip()


def power_of_ten(exponent: int) -> str:
    """``10³`` and the like."""
    return "10" + str(exponent).translate(_SUPERSCRIPTS)


def significant_digits(uncertainty: float) -> int:
    """Digits to state an uncertainty with: two if the first is 1 or 2, otherwise one.

    Within "at most two significant digits" of JCGM 100:2008, 7.2.6; the choice between one and
    two is common practice, no source.
    """
    exponent = math.floor(math.log10(uncertainty))
    return 2 if uncertainty / 10.0**exponent < 2.95 else 1


def state(value: float, uncertainty: float, unit: str) -> Statement:
    """Value and uncertainty rounded together.

    The power of ten is left out for values from 0.1 to below 1000 whose uncertainty shows.

    Raises
    ------
    ValueError
        If either is not finite or the uncertainty is not positive.
    """
    if not (math.isfinite(value) and math.isfinite(uncertainty)) or uncertainty <= 0.0:
        raise ValueError("a statement needs a finite value and a positive uncertainty")
    place = _place(uncertainty)
    leading = max(abs(value), uncertainty)
    exponent = math.floor(math.log10(leading))
    if -1 <= exponent <= 2 and place <= 0:
        exponent = 0
    quantum = Decimal(1).scaleb(place - exponent)
    shown, spread = (_rounded(x, exponent, quantum) for x in (value, uncertainty))
    return Statement(shown, spread, exponent, unit)


def _place(uncertainty: float) -> int:
    """Decimal place (power of ten) of the last stated digit of an uncertainty."""
    digits = significant_digits(uncertainty)
    place = math.floor(math.log10(uncertainty)) - (digits - 1)
    rounded = Decimal(repr(uncertainty)).quantize(Decimal(1).scaleb(place), ROUND_HALF_UP)
    # 0.096 rounds to 0.1, which is one digit where 0.10 is meant
    if rounded and rounded.adjusted() > math.floor(math.log10(uncertainty)):
        place = rounded.adjusted() - (significant_digits(float(rounded)) - 1)
    return place


def _rounded(value: float, exponent: int, quantum: Decimal) -> str:
    text = str(Decimal(repr(value)).scaleb(-exponent).quantize(quantum, ROUND_HALF_UP))
    return text.replace("-", "−")


def significant(value: float, digits: int = 4) -> str:
    """A number for print: so many significant digits, with a power of ten where it helps."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    exponent = math.floor(math.log10(abs(value)))
    if -3 <= exponent <= 4:
        return f"{value:.{max(0, digits - 1 - exponent)}f}".replace("-", "−")
    return f"{value / 10.0**exponent:.{digits - 1}f}".replace("-", "−") + (
        f"×{power_of_ten(exponent)}"
    )
