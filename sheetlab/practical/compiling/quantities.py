"""Single values: inputs, constants, quantities, and the student's own results."""

from __future__ import annotations

from sheetlab.formula.tree import Number
from sheetlab.practical.compiling.names import Names, formula_at, sources_of, unit_at
from sheetlab.practical.definition import (
    Answer,
    Assist,
    Constant,
    DefinitionError,
    Input,
    Quantity,
)
from sheetlab.practical.fields import DerivedField, InputField


def add_input(known: Names, one: Input) -> None:
    """Add a single input.

    Raises
    ------
    DefinitionError
        For the first key that cannot be used; so do the other functions here.
    """
    where = f"inputs.{one.id}"
    its_unit = unit_at(one.unit, f"{where}.unit")
    if one.kind == "choice" and not one.choices:
        raise DefinitionError(f"{where}.choices", "a choice needs its choices")
    known.add_input(
        InputField(
            key=one.id,
            title=one.title,
            unit=its_unit,
            symbol=one.symbol,
            decimals=one.decimals,
            kind=one.kind,
            minimum=one.minimum,
            maximum=one.maximum,
            required=one.required,
            default=one.default,
            choices=one.choices,
            choice_values=tuple(map(float, range(len(one.choices)))),
            help=one.help,
            sources=sources_of(one.uncertainty, one.id, its_unit),
        ),
        where,
    )


def add_constant(known: Names, constant: Constant) -> None:
    """Add a constant: a derived value whose formula is its number in SI units."""
    where = f"constants.{constant.id}"
    its_unit = unit_at(constant.unit, f"{where}.unit")
    known.add_derived(
        DerivedField(
            key=constant.id,
            title=constant.title,
            unit=its_unit,
            node=Number(its_unit.to_si(constant.value)),
            text=f"{constant.value:g}",
            symbol=constant.symbol,
            assist=Assist.FULL,
            sources=sources_of(constant.uncertainty, constant.id, its_unit),
        ),
        where,
    )


def add_quantity(known: Names, quantity: Quantity) -> None:
    """Add a quantity."""
    where = f"quantities.{quantity.id}"
    its_unit = unit_at(quantity.unit, f"{where}.unit")
    maximum = quantity.maximum_error
    known.add_derived(
        DerivedField(
            key=quantity.id,
            title=quantity.title,
            unit=its_unit,
            node=formula_at(quantity.formula, f"{where}.formula"),
            text=quantity.formula,
            symbol=quantity.symbol,
            decimals=quantity.decimals,
            assist=quantity.assist,
            sources=sources_of(quantity.uncertainty, quantity.id, its_unit),
            maximum_error=formula_at(maximum, f"{where}.maximum_error") if maximum else None,
            plausible=quantity.plausible,
        ),
        where,
    )


def add_answer(known: Names, answer: Answer) -> None:
    """Add an input for one of the student's own results."""
    where = f"answers.{answer.id}"
    its_unit = unit_at(answer.unit, f"{where}.unit")
    if answer.quantity:
        quantity = known.derived.get(answer.quantity)
        if quantity is None:
            raise DefinitionError(f"{where}.quantity", f"there is no quantity “{answer.quantity}”")
        if its_unit.dimension != quantity.unit.dimension:
            raise DefinitionError(
                f"{where}.unit", f"“{answer.unit}” does not measure the same as the quantity"
            )
    known.add_input(
        InputField(
            key=f"answer.{answer.id}",
            title=answer.title,
            unit=its_unit,
            decimals=answer.decimals,
            answer=True,
            help="Your own result, worked out from your own readings.",
        ),
        where,
    )
