"""Numbers that know their sources, those of the package ``uncertainties``, calculated quickly.

The package looks at every operation anew for the arguments that are uncertain, which takes several
times as long as the arithmetic. Here the four operations do the same with what is known of their
two arguments, to the last bit; functions and powers are the package's own.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping
from typing import Any

from uncertainties.core import AffineScalarFunc, LinearCombination, Variable

Rule = Callable[[float, float], float]


class _Quick:
    """Operations of a number with another that knows its sources, or with a float."""

    __slots__ = ()


class Affine(_Quick, AffineScalarFunc):  # type: ignore[misc]  # the package has no types
    """A value and its dependence on sources."""

    __slots__ = ()

    def __init__(self, value: float, part: Any) -> None:
        self._nominal_value = value  # type: ignore[misc]  # slots of the package
        self._linear_part = part  # type: ignore[misc]


class Independent(_Quick, Variable):  # type: ignore[misc]
    """A source: estimate, standard uncertainty, and the key by which it is known (``tag``)."""

    __slots__ = ()
    __hash__ = object.__hash__


def _make_quick(name: str, operate: Rule, by_left: Rule, by_right: Rule) -> None:
    """Give an operation to the numbers; ``by_left``, ``by_right``: its partial derivatives."""
    own, own_reflected = (getattr(AffineScalarFunc, f"__{p}{name}__") for p in ("", "r"))

    def quick(self: Any, other: Any) -> Any:
        x = self._nominal_value
        if isinstance(other, AffineScalarFunc):
            y = other._nominal_value
            parts = [(by_left(x, y), self._linear_part), (by_right(x, y), other._linear_part)]
            return Affine(operate(x, y), LinearCombination(parts))
        if other.__class__ is float:
            parts = [(by_left(x, other), self._linear_part)]
            return Affine(operate(x, other), LinearCombination(parts))
        return own(self, other)

    def reflected(self: Any, other: Any) -> Any:
        if other.__class__ is float:
            y = self._nominal_value
            parts = [(by_right(other, y), self._linear_part)]
            return Affine(operate(other, y), LinearCombination(parts))
        if isinstance(other, AffineScalarFunc):
            # the package's own number on the left is asked second, because this is a subclass
            return own(other, self)
        return own_reflected(self, other)

    setattr(_Quick, f"__{name}__", quick)
    setattr(_Quick, f"__r{name}__", reflected)


_make_quick("add", operator.add, lambda x, y: 1.0, lambda x, y: 1.0)
_make_quick("sub", operator.sub, lambda x, y: 1.0, lambda x, y: -1.0)
_make_quick("mul", operator.mul, lambda x, y: y, lambda x, y: x)
_make_quick("truediv", operator.truediv, lambda x, y: 1 / y, lambda x, y: -x / y**2)


def combined(value: float, sensitivities: Mapping[Independent, float]) -> Affine:
    """A value that depends on sources as its sensitivities say."""
    return Affine(value, LinearCombination(dict(sensitivities)))
