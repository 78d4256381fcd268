"""Reads a TOML table key by key and collects every fault on the way, so that a person can mend them all at once.

A fault never stops the reading: the key then counts as absent. Whoever reads asks `Faults` at the end.
"""

from __future__ import annotations

import contextlib
import difflib
import math
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from verifyrig.core.errors import RigError
from verifyrig.core.plain_text import plain_line


@dataclass(frozen=True, slots=True, kw_only=True)
class TomlFault:
    """One thing to mend: where it stands (file and key path), what is wrong, how to mend it."""

    where: str
    what: str
    mend: str


@dataclass(slots=True, kw_only=True)
class Faults:
    """All faults of one file, in the order in which they were found."""

    origin: str
    found: list[TomlFault] = field(default_factory=list)

    def add(self, path: str, what: str, mend: str) -> None:
        """Note a fault at a key path such as `stage[2]`; an empty path means the file itself."""
        where = f"{self.origin}, {path}" if path else self.origin
        self.found.append(TomlFault(where=where, what=what, mend=mend))


def raise_all(faults: Faults, kind: type[RigError]) -> None:
    """Raise one error that names every fault, a line each; do nothing where there is none."""
    if not faults.found:
        return
    first = faults.found[0]
    if len(faults.found) == 1:
        raise kind(first.what, where=first.where, mend=first.mend)
    lines = [f"{fault.where}: {fault.what}. {fault.mend}" for fault in faults.found]
    raise kind(f"{len(lines)} things are wrong", where=faults.origin, mend=["Correct them:", *lines])


# TOML 1.0.0, "Integer": 64 bits with a sign are to be taken, and one that cannot be kept without loss is an error.
_SMALLEST_INTEGER, _LARGEST_INTEGER = -(2**63), 2**63 - 1
_DEEPEST = 30  # dotted keys nest without a bracket; whoever walks the tables later counts on this
# The time that `tomllib` takes for a dotted key grows with the square of its parts: half a million parts take hours.
_LONG_KEY = re.compile(r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){200}""", re.ASCII)


class BeyondBounds(tomllib.TOMLDecodeError):
    """A value that TOML does not allow, or that no other program could take, in the table at `path`."""

    def __init__(self, what: str, path: str) -> None:
        super().__init__(f"{what}, in {path}" if path else what)
        self.what = what
        self.path = path


def load_toml(text: str) -> dict[str, Any]:
    """Return a TOML document as dictionaries.

    What other programs take from it is bounded here: integers are of 64 bits, tables nest at most 30 deep, and a time
    with a zone can be converted to any other zone.

    Raises:
        tomllib.TOMLDecodeError: It is none, or holds something beyond these bounds.
    """
    if _LONG_KEY.search(text):
        raise tomllib.TOMLDecodeError("a dotted key in it has more than 200 parts")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError as error:
        raise tomllib.TOMLDecodeError("its brackets are nested too deep") from error
    except ValueError as error:  # Python reads no number of more than 4300 digits; a year 0 is none of the calendar's
        raise tomllib.TOMLDecodeError("a number or a date in it is out of range") from error
    _check_bounds(data)
    return data


def _check_bounds(data: dict[str, Any]) -> None:
    left: list[tuple[Any, str, str, int]] = [(data, "", "", 0)]
    while left:
        value, table, name, depth = left.pop()
        inner = f"{table}.{name}" if table else name
        if depth > _DEEPEST:
            raise BeyondBounds(f"its tables nest more than {_DEEPEST} deep", "")
        if isinstance(value, dict):
            left += [(item, inner, key, depth + 1) for key, item in value.items()]
        elif isinstance(value, list):
            left += [(item, table, f"{name}[{n}]", depth + 1) for n, item in enumerate(value, start=1)]
        elif isinstance(value, int) and not _SMALLEST_INTEGER <= value <= _LARGEST_INTEGER:
            raise BeyondBounds(f"{name[:80]} is too large, and must be a number of at most 64 bits", table[:200])
        elif isinstance(value, datetime) and value.tzinfo is not None and not 1 < value.year < 9999:
            raise BeyondBounds(f"{name[:80]} is a time beyond the calendar", table[:200])


def parse_table(text: str, faults: Faults) -> TomlTable | None:
    """Return the whole file as a table, or None with one fault where it is no TOML."""
    try:
        return TomlTable(values=load_toml(text), path="", faults=faults)
    except BeyondBounds as error:
        faults.add(error.path, error.what, "Write a smaller value.")
    except tomllib.TOMLDecodeError as error:
        faults.add("", f"this is not valid TOML ({error})", "Fix the line named above.")
    return None


def shown(value: object) -> str:
    """Return a value as a fault quotes it: short, on one line, control characters escaped."""
    text = "true" if value is True else "false" if value is False else repr(value)
    return plain_line(text, 60)


@dataclass(slots=True, kw_only=True)
class TomlTable:
    """One TOML table; keys that nobody has asked for by `done()` are faults.

    Attributes:
        path: Key path of the table, such as `stage[2].load`; tables of an array are counted from 1.
    """

    values: dict[str, Any]
    path: str
    faults: Faults
    asked: list[str] = field(default_factory=list)

    def fault(self, what: str, mend: str) -> None:
        """Note a fault of this table."""
        self.faults.add(self.path, what, mend)

    def has(self, key: str) -> bool:
        """Return whether the key is written, whatever its value."""
        return key in self.values

    def take(self, key: str) -> Any:
        """Return the raw value, None where the key is absent, and count the key as known."""
        self.asked.append(key)
        return self.values.get(key)

    def child_path(self, key: str) -> str:
        """Return the key path of a key of this table."""
        return f"{self.path}.{key}" if self.path else key

    def number(
        self,
        key: str,
        *,
        mend: str,
        minimum: float | None = None,
        above: float | None = None,
        maximum: float | None = None,
    ) -> float | None:
        """Return a finite number within the bounds, or None where it is absent or at fault."""
        value = self.take(key)
        if value is None:
            return None
        number = _finite(value)
        if number is None:
            self.fault(f"{key} is {shown(value)}, and must be a number", mend)
        elif minimum is not None and number < minimum:
            self.fault(f"{key} is {shown(value)}, and must be at least {minimum:g}", mend)
        elif above is not None and number <= above:
            self.fault(f"{key} is {shown(value)}, and must be above {above:g}", mend)
        elif maximum is not None and number > maximum:
            self.fault(f"{key} is {shown(value)}, and must be at most {maximum:g}", mend)
        else:
            return number
        return None

    def whole(self, key: str, *, mend: str, minimum: int = 1, maximum: int = 1_000_000) -> int | None:
        """Return a whole number within the bounds, or None where it is absent or at fault."""
        value = self.take(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not minimum <= value <= maximum:
            self.fault(f"{key} is {shown(value)}, and must be a whole number from {minimum} to {maximum}", mend)
            return None
        return value

    def text(self, key: str, *, mend: str, longest: int = 10_000, shortest: int = 1) -> str | None:
        """Return a text, not blank unless `shortest` is 0, or None where it is absent or at fault."""
        value = self.take(key)
        if value is None:
            return None
        if not isinstance(value, str) or len(value.strip()) < shortest or len(value) > longest:
            self.fault(f"{key} is {shown(value)}, and must be a text of {shortest} to {longest} characters", mend)
            return None
        return value

    def day(self, key: str, *, mend: str) -> date | None:
        """Return a date, written plainly or as text, or None where it is absent or at fault."""
        value = self.take(key)
        if value is None:
            return None
        if isinstance(value, datetime):
            return value.date()
        if isinstance(value, date):
            return value
        with contextlib.suppress(ValueError):
            return date.fromisoformat(value if isinstance(value, str) else "")
        self.fault(f"{key} is {shown(value)}, and must be a date", mend)
        return None

    def choice(self, key: str, allowed: Sequence[str], *, mend: str = "") -> str | None:
        """Return one of the allowed words, or None where it is absent or at fault."""
        value = self.take(key)
        if value is None:
            return None
        if isinstance(value, str) and value in allowed:
            return value
        self.fault(f"{key} is {shown(value)}, and must be one of {', '.join(allowed)}", mend or meant(value, allowed))
        return None

    def flag(self, key: str, *, mend: str) -> bool:
        """Return true or false; false where it is absent or at fault."""
        value = self.take(key)
        if isinstance(value, bool):
            return value
        if value is not None:
            self.fault(f"{key} is {shown(value)}, and must be true or false", mend)
        return False

    def texts(self, key: str, *, mend: str) -> tuple[str, ...]:
        """Return a list of texts, empty where it is absent or at fault."""
        value = self.take(key)
        if value is None:
            return ()
        if isinstance(value, list) and all(isinstance(item, str) for item in value):
            return tuple(value)
        self.fault(f"{key} is {shown(value)}, and must be a list of texts", mend)
        return ()

    def numbers(self, key: str, *, mend: str) -> tuple[float, ...]:
        """Return a list of finite numbers, empty where it is absent or at fault."""
        value = self.take(key)
        if value is None:
            return ()
        found = [_finite(item) for item in value] if isinstance(value, list) else [None]
        if None in found or not found:
            self.fault(f"{key} is {shown(value)}, and must be a list of numbers", mend)
            return ()
        return tuple(number for number in found if number is not None)

    def table(self, key: str, *, mend: str) -> TomlTable | None:
        """Return a table within this one, or None where it is absent or at fault."""
        value = self.take(key)
        if value is None:
            return None
        if isinstance(value, dict):
            return TomlTable(values=value, path=self.child_path(key), faults=self.faults)
        self.fault(f"{key} is {shown(value)}, and must be a table", mend)
        return None

    def tables(self, key: str, *, mend: str) -> list[TomlTable]:
        """Return the tables of an array, empty where it is absent or at fault."""
        value = self.take(key)
        if value is None:
            return []
        if isinstance(value, list) and all(isinstance(item, dict) for item in value):
            paths = (f"{self.child_path(key)}[{n}]" for n in range(1, len(value) + 1))
            return [
                TomlTable(values=item, path=path, faults=self.faults) for item, path in zip(value, paths, strict=True)
            ]
        self.fault(f"{key} is {shown(value)}, and must be an array of tables", mend)
        return []

    def done(self) -> None:
        """Note every key that nobody asked for."""
        for key in self.values:
            if key not in self.asked:
                self.fault(f"{shown(key)} is not a key known here", meant(key, self.asked))


def meant(word: object, known: Sequence[str]) -> str:
    """Return a sentence that offers the nearest known word, or all of them."""
    near = difflib.get_close_matches(str(word), known, n=1)
    if near:
        return f"Did you mean {near[0]}?"
    return f"Known here: {', '.join(sorted(set(known)))}."


def _finite(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None
