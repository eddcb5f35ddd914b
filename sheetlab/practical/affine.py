"""Numbers that know their sources, those of the package ``uncertainties``, calculated quickly.

The package looks at every operation anew for the arguments that are uncertain, which takes several
times as long as the arithmetic. Here the four operations do the same with what is known of their
two arguments, to the last bit; functions and powers are the package's own.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from uncertainties.core import AffineScalarFunc, LinearCombination, Variable


class _Quick:
    """Operations of a number with another that knows its sources, or with a float."""

    __slots__ = ()
    _nominal_value: float
    _linear_part: Any

    def __add__(self, other: Any) -> Any:
        if isinstance(other, AffineScalarFunc):
            parts = [(1.0, self._linear_part), (1.0, other._linear_part)]
            return Affine(self._nominal_value + other._nominal_value, LinearCombination(parts))
        if other.__class__ is float:
            parts = [(1.0, self._linear_part)]
            return Affine(self._nominal_value + other, LinearCombination(parts))
        return super().__add__(other)  # type: ignore[misc]

    def __radd__(self, other: Any) -> Any:
        if other.__class__ is float:
            parts = [(1.0, self._linear_part)]
            return Affine(other + self._nominal_value, LinearCombination(parts))
        if isinstance(other, AffineScalarFunc):
            # the package's own number on the left is asked second, because this is a subclass
            return AffineScalarFunc.__add__(other, self)
        return super().__radd__(other)  # type: ignore[misc]

    def __sub__(self, other: Any) -> Any:
        if isinstance(other, AffineScalarFunc):
            parts = [(1.0, self._linear_part), (-1.0, other._linear_part)]
            return Affine(self._nominal_value - other._nominal_value, LinearCombination(parts))
        if other.__class__ is float:
            parts = [(1.0, self._linear_part)]
            return Affine(self._nominal_value - other, LinearCombination(parts))
        return super().__sub__(other)  # type: ignore[misc]

    def __rsub__(self, other: Any) -> Any:
        if other.__class__ is float:
            parts = [(-1.0, self._linear_part)]
            return Affine(other - self._nominal_value, LinearCombination(parts))
        if isinstance(other, AffineScalarFunc):
            # the package's own number on the left is asked second, because this is a subclass
            return AffineScalarFunc.__sub__(other, self)
        return super().__rsub__(other)  # type: ignore[misc]

    def __mul__(self, other: Any) -> Any:
        x = self._nominal_value
        if isinstance(other, AffineScalarFunc):
            y = other._nominal_value
            parts = [(y, self._linear_part), (x, other._linear_part)]
            return Affine(x * y, LinearCombination(parts))
        if other.__class__ is float:
            return Affine(x * other, LinearCombination([(other, self._linear_part)]))
        return super().__mul__(other)  # type: ignore[misc]

    def __rmul__(self, other: Any) -> Any:
        if other.__class__ is float:
            value = other * self._nominal_value
            return Affine(value, LinearCombination([(other, self._linear_part)]))
        if isinstance(other, AffineScalarFunc):
            # the package's own number on the left is asked second, because this is a subclass
            return AffineScalarFunc.__mul__(other, self)
        return super().__rmul__(other)  # type: ignore[misc]

    def __truediv__(self, other: Any) -> Any:
        x = self._nominal_value
        if isinstance(other, AffineScalarFunc):
            y = other._nominal_value
            value = x / y
            parts = [(1 / y, self._linear_part), (-x / y**2, other._linear_part)]
            return Affine(value, LinearCombination(parts))
        if other.__class__ is float:
            value = x / other
            return Affine(value, LinearCombination([(1 / other, self._linear_part)]))
        return super().__truediv__(other)  # type: ignore[misc]

    def __rtruediv__(self, other: Any) -> Any:
        if other.__class__ is float:
            y = self._nominal_value
            value = other / y
            return Affine(value, LinearCombination([(-other / y**2, self._linear_part)]))
        if isinstance(other, AffineScalarFunc):
            # the package's own number on the left is asked second, because this is a subclass
            return AffineScalarFunc.__truediv__(other, self)
        return super().__rtruediv__(other)  # type: ignore[misc]


class Affine(_Quick, AffineScalarFunc):  # type: ignore[misc]  # the package has no types
    """A value and its dependence on sources."""

    __slots__ = ()

    def __init__(self, value: float, part: Any) -> None:
        self._nominal_value = value  # type: ignore[misc]  # a slot of the package
        self._linear_part = part


class Independent(_Quick, Variable):  # type: ignore[misc]
    """A source: estimate, standard uncertainty, and the key by which it is known (``tag``)."""

    __slots__ = ()
    __hash__ = object.__hash__


def combined(value: float, sensitivities: Mapping[Independent, float]) -> Affine:
    """A value that depends on sources as its sensitivities say."""
    return Affine(value, LinearCombination(dict(sensitivities)))
