"""Units as loggers write them: on the command line, in the head of a column, behind a number."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import NamedTuple

from verifyrig.core.interfaces import Quantity


class Unit(NamedTuple):
    """How a unit becomes the channel's own: `value * factor + offset`."""

    quantity: Quantity
    factor: float
    offset: float = 0.0


class OddUnit(ValueError):
    """A head that names no unit of its channel, or several; the text says which, without its place."""


def _units(quantity: Quantity, factor: float, *names: str, offset: float = 0.0) -> dict[str, Unit]:
    return {name: Unit(quantity, factor, offset) for name in names}


# Names are folded (`fold_unit`). Kelvin and Fahrenheit by definition: SI brochure, 9th edition; the rest are prefixes.
_UNITS: dict[str, list[Unit]] = {}
for _table in (
    _units("temperature", 1.0, "c", "degc", "cel", "celsius", "degreec", "degreesc", "degreescelsius", "gradc"),
    _units("temperature", 1e-3, "mc", "mdegc", "millicelsius", "millidegreec"),
    _units("temperature", 0.1, "0.1c", "1/10c", "dc", "c/10"),
    _units(
        "temperature", 5 / 9, "f", "degf", "fahrenheit", "degreef", "degreesf", "degreesfahrenheit", offset=-160 / 9
    ),
    _units("temperature", 1.0, "k", "degk", "kelvin", offset=-273.15),
    _units("temperature", 1e-3, "mk", "millikelvin", offset=-273.15),
    _units("temperature", 0.1, "0.1k", "1/10k", "dk", "k/10", offset=-273.15),  # as firmware states zones (ACPI)
    _units("power", 1.0, "w", "watt", "watts"),
    _units("power", 1e-3, "mw", "milliwatt", "milliwatts"),
    _units("power", 1e-6, "uw", "microwatt", "microwatts"),
    _units("power", 1e3, "kw", "kilowatt", "kilowatts"),
    _units("voltage", 1.0, "v", "volt", "volts", "vdc"),
    _units("voltage", 1e-3, "mv", "millivolt", "millivolts"),
    _units("voltage", 1e-6, "uv", "microvolt", "microvolts"),
    _units("speed", 1.0, "rpm", "1/min", "r/min", "u/min", "rev/min", "tr/min", "min-1", "min^-1", "revolutions/min"),
    _units("speed", 1e3, "krpm"),
    _units("speed", 60.0, "hz", "1/s", "r/s", "rps"),
    _units("clock", 1e-6, "hz"),
    _units("clock", 1e-3, "khz"),
    _units("clock", 1.0, "mhz"),
    _units("clock", 1e3, "ghz"),
    _units("share", 0.01, "%", "percent", "pct", "prozent"),
    _units("share", 0.001, "‰", "permille"),
    _units("share", 1.0, "1"),
    _units("count", 1.0, "1", "1/s"),
):
    for _name, _unit in _table.items():
        _UNITS.setdefault(_name, []).append(_unit)

# What a head may name that no channel here is measured in; a capital M before W, V, C, K may be mega or milli.
_FOREIGN = frozenset(
    (
        "MW", "MV", "MC", "MK", "a", "ma", "ua", "ka", "wh", "kwh", "mwh", "ah", "mah", "j", "kj", "mj", "pa", "hpa",
        "kpa", "mpa", "bar", "mbar", "psi", "dbm", "db", "dba", "hp", "ps", "btu/h", "kcal/h", "va", "kva", "var",
        "ohm", "kohm", "mohm", "m/s", "l/min", "l/h", "m3/h", "cfm", "gpm", "s", "sec", "ms", "us", "ns", "min", "h",
        "%rh", "rh", "lx", "lm", "b", "kb", "mb", "gb", "kib", "mib", "gib", "b/s", "kb/s", "mb/s", "gb/s", "mib/s",
        "gib/s", "fps", "ra", "nm", "mm", "cm", "kg",
    )
)  # fmt: skip
TIME_UNITS_S = {
    "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0, "sekunden": 1.0,
    "ms": 1e-3, "msec": 1e-3, "millis": 1e-3, "millisecond": 1e-3, "milliseconds": 1e-3,
    "us": 1e-6, "microseconds": 1e-6, "ns": 1e-9, "nanoseconds": 1e-9,
    "min": 60.0, "mins": 60.0, "minute": 60.0, "minutes": 60.0, "minuten": 60.0,
    "h": 3600.0, "hour": 3600.0, "hours": 3600.0, "stunden": 3600.0,
}  # fmt: skip
_BRACKETED = re.compile(r"[\[({<]([^\[\](){}<>]*)[\])}>]")
_DEGREES = re.compile(r"(?:°|º|℃|℉)\s*[A-Za-z]*")
_BETWEEN = re.compile(r"[\s_.,;:|=#-]+")
_BEFORE_A_UNIT = re.compile(r"in|deg|degrees?|grad", re.IGNORECASE)
_OF_A_TEMPERATURE = re.compile(r"te?mp|deg|therm|\bin\b|^t\W*$|\bt[_ ./]", re.IGNORECASE)
_CAPITAL_AT_END = re.compile(r".*[a-z](C|F|K)")


def fold_unit(text: str) -> str:
    """Return a unit as the table has it: `°F`, `F` and `f` are one; `MW`, which may be milli, stays apart."""
    text = text.replace("℃", "C").replace("℉", "F").replace("\u00b5", "u").replace("\u03bc", "u")
    # A degree sign that an encoding has lost is a question mark or a replacement character.
    text = re.sub(r"[\s°º\u00c2]|[?\ufffd](?=[CcFfKk]\b)", "", text)
    return text if re.fullmatch(r"M[WVCK]", text) else text.lower()


def unit_named(text: str, quantity: Quantity) -> Unit | None:
    """Return the unit of that name for a quantity; None where there is none."""
    return next((unit for unit in _UNITS.get(fold_unit(text), ()) if unit.quantity == quantity), None)


def is_unit(text: str) -> bool:
    """Return whether the text names a unit of any quantity."""
    return fold_unit(text) in _UNITS


def is_any_unit(text: str) -> bool:
    """Return whether the text names a unit, one that no channel has included."""
    return is_unit(text) or fold_unit(text) in _FOREIGN or bool(_DEGREES.fullmatch(text.strip()))


def units_for(quantity: Quantity) -> list[str]:
    """Return the names of the units that a quantity can be given in."""
    return [name for name, units in _UNITS.items() if any(unit.quantity == quantity for unit in units)]


def unit_in_head(name: str, quantity: Quantity, others: tuple[str, ...] = ()) -> tuple[Unit, str] | None:
    """Return the unit that the name of a column holds, and how it is written there; None where it holds none.

    Args:
        name: As in `Temp [°F]`, `Power (mW)`, `cpu_temp_f`, `Load %`.
        others: The names of the file's other columns.

    Raises:
        OddUnit: It names a unit of something else, two units, or a letter that may be a unit or a number of a part.
    """
    plain, strong = _BRACKETED.sub(" ", name), _in_brackets(name)
    strong += _DEGREES.findall(plain)
    strong += ["%"] if "%" in plain else []
    weak = _at_the_end(plain)
    fitting = {unit: text for text in (*weak, *strong) if (unit := unit_named(text, quantity)) is not None}
    if len(fitting) > 1:
        raise OddUnit(f"it names two units, {' and '.join(repr(text) for text in fitting.values())}")
    if fitting:
        unit, text = next(iter(fitting.items()))
        if text not in strong and _may_be_a_letter(name, text, others):
            raise OddUnit(f"{text!r} at its end may be a unit or a letter of a part")
        return unit, text.strip()
    odd = [text for text in strong if is_any_unit(text)] + [text for text in weak if len(text) > 1 and is_unit(text)]
    if odd:
        raise OddUnit(f"it names {odd[0].strip()!r}, which is no unit of a {quantity}")
    return None


def time_unit_in_head(name: str) -> float | None:
    """Return how many seconds the unit in the name of a column of times is, None where it names none."""
    plain = _BRACKETED.sub(" ", name)
    for text in (*_in_brackets(name), *_at_the_end(plain)):
        if fold_unit(text) in TIME_UNITS_S:
            return TIME_UNITS_S[fold_unit(text)]
    return None


def _in_brackets(name: str) -> list[str]:
    """Return what stands in brackets, whole where it is a unit, else its words: a letter only after `in` or `deg`."""
    found: list[str] = []
    for text in _BRACKETED.findall(name):
        words = [word for word in re.split(r"[\s,;]+", text) if word]
        if is_any_unit(text):
            found.append(text)
        else:
            letters = [b for a, b in pairwise(words) if _BEFORE_A_UNIT.fullmatch(a)]
            found += [word for word in words if len(word) > 1 or word in letters]
    return found


def _at_the_end(plain: str) -> list[str]:
    words = [word for word in _BETWEEN.split(plain.strip()) if word]
    if len(words) < 2 and "/" not in plain:
        capital = _CAPITAL_AT_END.fullmatch(plain.strip())
        return [capital.group(1)] if capital and len(plain.strip()) > 2 else []
    if not words:
        return []
    last = words[-1] if is_unit(words[-1]) else words[-1].partition("/")[2] or words[-1]
    if last.isdigit():
        return []
    both = "".join(words[-2:])
    return [both] if len(words) > 2 and len(words[-2]) > 2 and is_unit(both) else [last]


def _may_be_a_letter(name: str, text: str, others: tuple[str, ...]) -> bool:
    """Return whether an F or K may be no unit: `DIMM F`, or `temp_f` beside `temp_a` and `temp_b`."""
    if len(text) > 1 or fold_unit(text) not in ("f", "k"):
        return False
    stem = name.strip()[: -len(text)]
    if not _OF_A_TEMPERATURE.search(stem):
        return True
    ends = {
        other.strip()[-1:].lower() for other in others if other.strip()[:-1] == stem and other.strip() != name.strip()
    }
    return bool(ends - {"c", "f", "k"})
