"""Holds a JSON value against a TypedDict: keys, kinds of values, words of enums."""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from types import NoneType, UnionType
from typing import Any, Literal, NotRequired, Union, get_args, get_origin, get_type_hints, is_typeddict


def misfits(value: Any, kind: Any, at: str = "") -> Iterator[str]:
    """Yield where the value is not of the kind, each as `path: what`; a TypedDict allows no key that it lacks."""
    origin, parts = get_origin(kind), get_args(kind)
    if is_typeddict(kind):
        yield from _object(value, kind, at)
    elif origin in (Union, UnionType):
        if all(any(True for _ in misfits(value, part, at)) for part in parts):
            yield f"{at}: {value!r} is none of {parts}"
    elif origin is NotRequired:
        yield from misfits(value, parts[0], at)
    elif origin is Literal:
        yield from () if value in parts else (f"{at}: {value!r} is none of {parts}",)
    elif origin is list and isinstance(value, list):
        for i, item in enumerate(value):
            yield from misfits(item, parts[0], f"{at}[{i}]")
    elif origin is dict and isinstance(value, dict):
        for key, item in value.items():
            yield from misfits(item, parts[1], f"{at}.{key}")
    elif kind is not Any and not _is_plain(value, origin or kind):
        yield f"{at}: {value!r} is no {kind}"


def _object(value: Any, kind: Any, at: str) -> Iterator[str]:
    hints = get_type_hints(kind, include_extras=True)
    if not isinstance(value, dict):
        yield f"{at}: {value!r} is no {kind.__name__}"
        return
    yield from (f"{at}.{key}: not in the contract" for key in sorted(value.keys() - hints.keys()))
    # Annotations are texts here, so that `__required_keys__` knows nothing of `NotRequired`.
    needed = {key for key in kind.__required_keys__ if get_origin(hints[key]) is not NotRequired}
    yield from (f"{at}.{key}: missing" for key in sorted(needed - value.keys()))
    for key in value.keys() & hints.keys():
        yield from misfits(value[key], hints[key], f"{at}.{key}")


def _is_plain(value: Any, kind: Any) -> bool:
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return value in set(kind)
    if kind is float:
        return isinstance(value, int | float) and not isinstance(value, bool)
    if kind is int:
        return isinstance(value, int) and not isinstance(value, bool)
    return value is None if kind is NoneType else isinstance(value, kind)
