"""How numbers are written: a value with its uncertainty, a percentage, a number alone.

Every sheet, message and table takes one of ``stated``, ``percentage``, ``share``, ``significant``
here, or for the number format of a cell ``decimals_of``.
"""

from __future__ import annotations

import math
import re
from decimal import ROUND_HALF_UP, Decimal, localcontext

from msgspec import Struct

_SUPERSCRIPTS = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")


class Decimals(str):
    """A text of ours in which a point between digits is the decimal mark, which may change."""

    __slots__ = ()


def with_mark(text: str, mark: str) -> str:
    """A text with another decimal mark; “quoted” parts stay as they are."""
    if mark == ".":
        return text
    parts = re.split(r"(“[^”]*”)", text)
    return "".join(
        part if i % 2 else re.sub(r"(?<=\d)\.(?=\d)", mark, part) for i, part in enumerate(parts)
    )


class Statement(Struct, frozen=True):
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


def _digits(uncertainty: Decimal) -> int:
    """Digits to state an uncertainty with: two if it begins with 1 or 2, otherwise one.

    One also from 2.95 on, which rounds to 3.0. Within "at most two significant digits" of JCGM
    100:2008, 7.2.6; the choice between one and two is common practice, no source.
    """
    # decimal, because 0.295 / 0.1 is a little less than 2.95 in binary
    return 2 if uncertainty.scaleb(-uncertainty.adjusted()) < Decimal("2.95") else 1


def state(
    value: float, uncertainty: float, unit: str, digits: int = 0, mark: str = "."
) -> Statement:
    """Value and uncertainty rounded together, half away from zero (JCGM 100:2008, 7.2.6).

    The power of ten is left out if the larger of the two is from 0.1 to below 1000 and the last
    digit of the uncertainty is that of units or less (common practice, no source); 90 ± 40 has none
    either, as ten to the power of one is nowhere written.

    Parameters
    ----------
    value, uncertainty
        Numbers in the unit.
    unit
        Unit as it is printed.
    digits
        Significant digits of the uncertainty, not negative; 0: two if it begins with 1 or 2,
        otherwise one.
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
    if -1 <= exponent <= (2 if place <= 0 else 1):
        exponent = 0
    return Statement(
        _shown(exact, exponent, place).replace(".", mark),
        _shown(spread, exponent, place).replace(".", mark),
        exponent,
        unit,
    )


def stated(value: float, uncertainty: float, unit: str = "") -> Decimals:
    """``(1.0053 ± 0.0025) mm/kg``; the value alone where there is no uncertainty to state.

    Parameters
    ----------
    value, uncertainty
        Numbers in the unit.
    unit
        Unit as it is printed.
    """
    if not (math.isfinite(value) and math.isfinite(uncertainty)) or uncertainty <= 0.0:
        return Decimals(f"{significant(value)} {unit}".strip())
    return Decimals(str(state(value, uncertainty, unit)))


def beside(value: float, uncertainty: float, more: int = 0) -> Decimals:
    """A value alone, which ends where its uncertainty ends: for what stands beside a statement.

    Parameters
    ----------
    value, uncertainty
        In one unit.
    more
        Digits beyond those of a statement.
    """
    decimals = decimals_of(uncertainty, more)
    if decimals is None or not math.isfinite(value):
        return Decimals(significant(value))
    if 1e-3 <= abs(value) < 1e5 or not value:
        return Decimals(f"{_quantized(Decimal(repr(float(value))), -decimals):f}".replace("-", "−"))
    return Decimals(significant(value, digits_beside(value, uncertainty, more)))


def digits_beside(value: float, uncertainty: float, more: int = 0) -> int:
    """Significant digits of a value that ends where its uncertainty ends, at least 1.

    Parameters
    ----------
    value, uncertainty
        In one unit, neither of them zero.
    more
        Digits beyond those of a statement.
    """
    return max(1, Decimal(repr(float(value))).adjusted() - _place(uncertainty) + 1 + more)


def decimals_of(uncertainty: float, more: int = 0) -> int | None:
    """Decimals with which a value ends where its uncertainty ends, for the format of a cell.

    Parameters
    ----------
    uncertainty
        In the unit that is shown.
    more
        Digits beyond those of a statement, for numbers that are calculated with.

    Returns
    -------
    int | None
        None for an uncertainty that is not positive and finite. Not below 0.
    """
    if not math.isfinite(uncertainty) or uncertainty <= 0.0:
        return None
    return max(0, more - _place(uncertainty))


def _place(uncertainty: float) -> int:
    """Decimal place, as a power of ten, of the last digit of a stated uncertainty."""
    spread = Decimal(repr(float(uncertainty)))
    # 0.096 rounds to 0.1, which has one digit where 0.10 is meant
    spread = _quantized(spread, spread.adjusted() - (_digits(spread) - 1))
    return spread.adjusted() - (_digits(spread) - 1)


def _quantized(number: Decimal, place: int) -> Decimal:
    """A number rounded half up to a decimal place (power of ten); without a sign if zero."""
    with localcontext(prec=700):
        rounded = number.quantize(Decimal(1).scaleb(place), ROUND_HALF_UP)
    return rounded or abs(rounded)


def _shown(number: Decimal, exponent: int, place: int) -> str:
    with localcontext(prec=700):
        text = f"{_quantized(number.scaleb(-exponent), place - exponent):f}"
    return text.replace("-", "−")


def significant(value: float, digits: int = 4) -> Decimals:
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
        return Decimals(f"{value:g}")
    mantissa, _, power = f"{value:.{digits - 1}e}".partition("e")
    exponent = int(power)
    if -3 <= exponent <= 4:
        return Decimals(f"{value:.{max(0, digits - 1 - exponent)}f}".replace("-", "−"))
    return Decimals(f"{mantissa}×{power_of_ten(exponent)}".replace("-", "−"))


def plain(value: float, digits: int = 6) -> Decimals:
    """A number that somebody typed or chose, with its own digits: ``0.01``, ``110``, ``2×10¹¹``.

    Parameters
    ----------
    value
        In any unit.
    digits
        Significant digits at most.
    """
    short = f"{value:.{SHORT}f}"
    if 0.0 < abs(value) < 1.0 and float(short) == float(f"{value:.{digits - 1}e}"):
        # as it is typed, 0.0005, and not with a power of ten
        return Decimals(short.rstrip("0").replace("-", "−"))
    mantissa, sign, power = significant(value, digits).partition("×")
    if "." in mantissa:
        mantissa = mantissa.rstrip("0").rstrip(".")
    return Decimals(mantissa + sign + power)


SHORT = 6
"""Decimals up to which a small number is written without a power of ten."""
MOST_PERCENT, MOST_TIMES, LEAST_PERCENT = 1e3, 1e5, 1e-3
LEAST_SHARE = 0.001


def percentage(fraction: float, digits: int = 2, signed: bool = False) -> Decimals:
    """A fraction in per cent, never with a power of ten: ``0.042 %``, ``173 %``, ``25 times``.

    Parameters
    ----------
    fraction
        A pure number; the absolute value is the caller's to take.
    digits
        Significant digits; up to a thousand none before the decimal mark is dropped, and beyond
        that it is times instead of per cent.
    signed
        Whether what is above zero has a sign.
    """
    value = 100.0 * fraction
    if not math.isfinite(value):
        return Decimals(f"{value:g} %".replace("-", "−"))
    size = abs(value)
    sign = "−" if value < 0.0 and size else "+" if signed and size else ""
    if size > 100.0 * MOST_TIMES:
        return Decimals(f"more than {sign}100 000 times")
    if size > MOST_PERCENT:
        return Decimals(f"{sign}{float(f'{size / 100.0:.{digits - 1}e}'):.0f} times")
    if 0.0 < size < 0.5 * LEAST_PERCENT:
        return Decimals(f"less than {LEAST_PERCENT} %")
    return Decimals(f"{sign}{significant(size, digits)} %")


def share(part: float) -> Decimals:
    """A share of a whole in per cent with one decimal: ``66.0 %``, ``< 0.1 %``.

    Parameters
    ----------
    part
        A pure number, 0 to 1.
    """
    return Decimals("< 0.1 %" if 0.0 < part < LEAST_SHARE else f"{100.0 * part:.1f} %")
