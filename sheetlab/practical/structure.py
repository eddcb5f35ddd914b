"""Data of a TOML file -> an object of a frozen type, or each key that cannot be used, and why.

Every key is checked: its name, its kind, and whether one is missing. Parts with a name (``Named``)
are tables by that name. A number is never taken for a text or the other way round.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from difflib import get_close_matches
from enum import StrEnum
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, TypeVar, get_args, get_origin

import msgspec
from msgspec.structs import FieldInfo, fields

from sheetlab.practical.definition import Named
from sheetlab.practical.files import Problem

MOST = 1e30
"""Numbers of a definition are smaller than this; infinite ones are none."""
WORDS = {
    (str,): "a text",
    (int,): "a whole number",
    (float,): "a number",
    (bool,): "true or false",
    (float, str): "a number or a formula",
}
T = TypeVar("T")


def structured(data: Mapping[str, Any], kind: type[T]) -> tuple[T | None, list[Problem]]:
    """Data of a file as a frozen class; or None, and key, reason, what is allowed of each problem.

    Parameters
    ----------
    kind
        A Struct whose fields are plain values, texts of a list (``Literal``, ``StrEnum``),
        tuples, mappings, and such classes.
    """
    problems = list(_problems(data, kind, ""))
    return (None, problems) if problems else (msgspec.convert(_plain(data, kind), kind), [])


def _part(kind: Any) -> Any:
    """What a tuple of named parts holds; None of anything else."""
    if get_origin(kind) is tuple and issubclass(get_args(kind)[0], Named):
        return get_args(kind)[0]
    return None


def _plain(value: Any, kind: Any) -> Any:
    """Data without problems as msgspec takes them: named parts as lists of parts with a name."""
    kinds = [one for one in get_args(kind) if one is not NoneType]
    if (part := _part(kind)) is not None:
        key = next(iter(_keys(part)))
        return [{key: name, **_plain(item, part)} for name, item in value.items()]
    if get_origin(kind) is tuple:
        return [_plain(item, kinds[0]) for item in _listed(value, kinds)]
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        items = _opened(value, kind).items()
        return {name: _plain(item, _keys(kind)[name].type) for name, item in items}
    return _plain(value, kinds[0]) if get_origin(kind) is UnionType and len(kinds) == 1 else value


def _opened(value: Any, kind: type[msgspec.Struct]) -> Any:
    """A table of which one key is needed may be written as the value of that key."""
    needed = [name for name, item in _written(kind).items() if item.required]
    return value if isinstance(value, dict) or len(needed) != 1 else {needed[0]: value}


def _written(kind: type[msgspec.Struct]) -> Mapping[str, FieldInfo]:
    """Keys that a table of the file has; the name of a part is none of them."""
    known = _keys(kind)
    first = next(iter(known))
    return {n: k for n, k in known.items() if n != first} if issubclass(kind, Named) else known


def _listed(value: Any, kinds: Sequence[Any]) -> Any:
    """One text stands for a list of one."""
    return [value] if isinstance(value, str) and kinds == [str, Ellipsis] else value


def _problems(value: Any, kind: Any, key: str) -> Iterator[Problem]:
    origin, arguments = get_origin(kind), get_args(kind)
    if (part := _part(kind)) is not None:
        if not isinstance(value, dict):
            yield key, "is no table of tables", f"[{key}.NAME] for each of them"
            return
        for name, item in value.items():
            yield from _of_table(item, part, f"{key}.{name}")
    elif origin is Literal:
        if not any(value == one and type(value) is type(one) for one in arguments):
            yield key, "has none of the values it can have", ", ".join(map(repr, arguments))
    elif origin is tuple:
        yield from _of_list(_listed(value, list(arguments)), arguments, key)
    elif origin is not None and issubclass(origin, Mapping):
        if isinstance(value, dict):
            for name, item in value.items():
                yield from _problems(item, arguments[1], f"{key}.{name}")
        else:
            yield key, f"{value!r} is not a table", "keys with their values"
    elif isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        yield from _of_table(value, kind, key)
    elif isinstance(kind, type) and issubclass(kind, StrEnum):
        if value not in list(kind):
            yield key, f"{value!r} is not one of {', '.join(kind)}", ""
    else:
        kinds = tuple(one for one in arguments or (kind,) if one is not NoneType)
        if len(kinds) == 1 and kinds != (kind,):
            yield from _problems(value, kinds[0], key)
        elif not _is_plain(value, kinds):
            yield key, f"{value!r} is not {WORDS[kinds]}", ""


def _is_plain(value: Any, kinds: tuple[type, ...]) -> bool:
    if float in kinds and type(value) in (int, float):
        return bool(abs(value) <= MOST)
    return type(value) in kinds


def _of_list(values: Any, kinds: tuple[Any, ...], key: str) -> Iterator[Problem]:
    if not isinstance(values, list):
        yield key, "is no list", "a list of texts, in [ ]" if kinds[0] is str else "a list, in [ ]"
        return
    if kinds[-1] is not Ellipsis and len(values) != len(kinds):
        allowed = f"{len(kinds)} values, their decimals after a point"
        yield key, f"has {len(values)} values", allowed
    for i, value in enumerate(values):
        yield from _problems(value, kinds[0], f"{key}[{i}]")


@cache
def _keys(kind: type[msgspec.Struct]) -> Mapping[str, FieldInfo]:
    return {item.name: item for item in fields(kind)}


def _of_table(data: Any, kind: type[msgspec.Struct], key: str) -> Iterator[Problem]:
    known, data = _written(kind), _opened(data, kind)
    if not isinstance(data, dict):
        yield key, f"{data!r} is not a table", ", ".join(known)
        return
    path = f"{key}." if key else ""
    for name, value in data.items():
        if name in known:
            yield from _problems(value, known[name].type, path + name)
    for name, item in known.items():
        if item.required and name not in data:
            yield path + name, "is missing", "this key"
    for name in sorted(data.keys() - known.keys()):
        yield path + name, f"is not a key that is known{nearest(name, known)}", ", ".join(known)


def nearest(name: str, known: Iterable[str]) -> str:
    """A name that exists and looks like one that does not, to be asked for."""
    found = get_close_matches(name, known, 1)
    return f"; did you mean “{found[0]}”?" if found else ""
