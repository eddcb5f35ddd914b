"""Round and state a result: value and uncertainty to the same decimal place, one power of ten."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal, localcontext

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
    """``10³`` and the like: the exponent, a whole number, in superscripts."""
    return "10" + str(exponent).translate(_SUPERSCRIPTS)


def significant_digits(uncertainty: float) -> int:
    """Number of digits to state an uncertainty with: two if it begins with 1 or 2, otherwise one.

    One also from 2.95 on, which rounds to 3.0. Within "at most two significant digits" of JCGM
    100:2008, 7.2.6; the choice between one and two is common practice, no source.

    Parameters
    ----------
    uncertainty
        Positive, in any unit.
    """
    return _digits(Decimal(repr(uncertainty)))


def _digits(uncertainty: Decimal) -> int:
    # decimal, because 0.295 / 0.1 is a little less than 2.95 in binary
    return 2 if uncertainty.scaleb(-uncertainty.adjusted()) < Decimal("2.95") else 1


def state(
    value: float, uncertainty: float, unit: str, digits: int = 0, mark: str = "."
) -> Statement:
    """Value and uncertainty rounded together, half away from zero (JCGM 100:2008, 7.2.6).

    The power of ten is left out if the larger of the two is from 0.1 to below 1000 and the last
    digit of the uncertainty is that of units or less (common practice, no source).

    Parameters
    ----------
    value, uncertainty
        Numbers in the unit.
    unit
        Unit as it is printed.
    digits
        Significant digits of the uncertainty, not negative; 0: by ``significant_digits``.
    mark
        Decimal mark.

    Raises
    ------
    ValueError
        If either is not finite or the uncertainty is not positive.
    """
    if not (math.isfinite(value) and math.isfinite(uncertainty)) or uncertainty <= 0.0:
        raise ValueError("a statement needs a finite value and a positive uncertainty")
    exact, spread = Decimal(repr(float(value))), Decimal(repr(float(uncertainty)))
    place = spread.adjusted() - ((digits or _digits(spread)) - 1)
    spread = _quantized(spread, place)
    # 0.096 rounds to 0.1, which has one digit where 0.10 is meant
    place = spread.adjusted() - ((digits or _digits(spread)) - 1)
    exact, spread = _quantized(exact, place), _quantized(spread, place)
    exponent = max(number.adjusted() for number in (exact, spread) if number)
    if -1 <= exponent <= 2 and place <= 0:
        exponent = 0
    return Statement(
        _shown(exact, exponent, place).replace(".", mark),
        _shown(spread, exponent, place).replace(".", mark),
        exponent,
        unit,
    )


def _quantized(number: Decimal, place: int) -> Decimal:
    """A number rounded half up to a decimal place (power of ten); without a sign if zero."""
    with localcontext(prec=700):
        rounded = number.quantize(Decimal(1).scaleb(place), ROUND_HALF_UP)
    return rounded or abs(rounded)


def _shown(number: Decimal, exponent: int, place: int) -> str:
    with localcontext(prec=700):
        text = f"{_quantized(number.scaleb(-exponent), place - exponent):f}"
    return text.replace("-", "−")


def significant(value: float, digits: int = 4) -> str:
    """A number for print: so many significant digits, with a power of ten where it helps.

    Without one if it rounds to 0.001 and more but less than 100 000, where no digit before the
    decimal mark is dropped (common practice, no source).

    Parameters
    ----------
    value
        In any unit; zero and what is not finite are printed as they are.
    digits
        Significant digits, at least 1.

    Raises
    ------
    ValueError
        If less than one digit is asked for.
    """
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    mantissa, _, power = f"{value:.{digits - 1}e}".partition("e")
    exponent = int(power)
    if -3 <= exponent <= 4:
        return f"{value:.{max(0, digits - 1 - exponent)}f}".replace("-", "−")
    return f"{mantissa}×{power_of_ten(exponent)}".replace("-", "−")
