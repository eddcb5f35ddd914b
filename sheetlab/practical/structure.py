"""Data of a TOML file -> an object of a frozen type, or each key that cannot be used, and why.

Every key is checked: its name, its kind, and whether one is missing. A number is never taken for a
text or the other way round.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import StrEnum
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin

from msgspec.structs import fields

from sheetlab.practical.files import Problem

MOST = 1e30
"""Numbers of a definition are smaller than this; infinite ones are none."""
WORDS = {str: "a text", int: "a whole number", float: "a number", bool: "true or false"}
T = TypeVar("T")
Read = Callable[[Any, str, list[Problem]], Any]
"""Takes a value, its key and the list that problems go to; what it gives counts without them."""


def structured(data: Mapping[str, Any], kind: type[T]) -> tuple[T | None, list[Problem]]:
    """Data of a file as a frozen class; or None, and key, reason, what is allowed of each problem.

    Parameters
    ----------
    kind
        A Struct whose fields are plain values, texts of a list (``Literal``, ``StrEnum``),
        tuples, mappings, and such classes.
    """
    problems: list[Problem] = []
    made: T = _reader(cast(Any, kind))(data, "", problems)
    return (None, problems) if problems else (made, [])


@cache
def _reader(kind: Any) -> Read:
    origin, arguments = get_origin(kind), get_args(kind)
    if kind in WORDS:
        return _plain((kind,), WORDS[kind])
    if origin in (Union, UnionType):
        kinds = [one for one in arguments if one is not NoneType]
        return (
            _reader(kinds[0]) if len(kinds) == 1 else _plain((float, str), "a number or a formula")
        )
    if origin is Literal:
        return _one_of(arguments)
    if origin is tuple:
        return _list(arguments)
    if origin is not None:
        return _mapping(_reader(arguments[1]))
    return _enumeration(kind) if issubclass(kind, StrEnum) else _table(kind)


def _plain(kinds: tuple[type, ...], words: str) -> Read:
    accepted = (*kinds, int) if float in kinds else kinds

    def read(value: Any, key: str, problems: list[Problem]) -> Any:
        kind = type(value)
        if kind is str and str in accepted:
            return value
        if kind not in accepted or (float in kinds and not abs(value) <= MOST):
            problems.append((key, f"{value!r} is not {words}", ""))
        elif float in kinds:
            return float(value)
        return value

    return read


def _one_of(values: tuple[Any, ...]) -> Read:
    def read(value: Any, key: str, problems: list[Problem]) -> Any:
        if value not in values:
            allowed = ", ".join(map(repr, values))
            problems.append((key, "has none of the values it can have", allowed))
        return value

    return read


def _enumeration(kind: type[StrEnum]) -> Read:
    def read(value: Any, key: str, problems: list[Problem]) -> Any:
        if value not in list(kind):
            problems.append((key, f"{value!r} is not one of {', '.join(kind)}", ""))
            return value
        return kind(value)

    return read


def _list(kinds: tuple[Any, ...]) -> Read:
    each = _reader(kinds[0])
    allowed = "a list of texts, in [ ]" if kinds[0] is str else "a list, in [ ]"
    length = None if kinds[-1] is Ellipsis else len(kinds)

    def read(values: Any, key: str, problems: list[Problem]) -> Any:
        if not isinstance(values, list):
            reason = "is a text" if isinstance(values, str) else "is no list"
            problems.append((key, reason, allowed))
            return values
        if length is not None and len(values) != length:
            problems.append((key, f"has {len(values)} values", f"{length} values"))
        return tuple([each(value, f"{key}[{i}]", problems) for i, value in enumerate(values)])

    return read


def _mapping(each: Read) -> Read:
    def read(data: Any, key: str, problems: list[Problem]) -> Any:
        if not isinstance(data, dict):
            problems.append((key, f"{data!r} is not a table", "keys with their values"))
            return data
        return {name: each(value, f"{key}.{name}", problems) for name, value in data.items()}

    return read


def _table(kind: type) -> Read:
    keys = fields(kind)
    readers = {key.name: _reader(key.type) for key in keys}
    required = [key.name for key in keys if key.required]

    def read(data: Any, key: str, problems: list[Problem]) -> Any:
        if not isinstance(data, dict):
            problems.append((key, f"{data!r} is not a table", ", ".join(readers)))
            return data
        before, path = len(problems), f"{key}." if key else ""
        given = {
            name: readers[name](value, path + name, problems)
            for name, value in data.items()
            if name in readers
        }
        problems += [
            (path + name, "is missing", "this key") for name in required if name not in data
        ]
        problems += [
            (path + name, "is not a key that is known", ", ".join(readers))
            for name in sorted(data.keys() - readers.keys())
        ]
        return kind(**given) if len(problems) == before else None

    return read
