"""Values made fit for JSON: no NaN, no infinity, no lone surrogate; as text, nothing that drives a terminal. Pure."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from enum import Enum
from typing import Any

from verifyrig.core.plain_text import is_hidden

# Python refuses to write integers of more digits, and no reader of JSON holds them.
_LARGEST = 10**4000


def plain_json(value: Any) -> Any:
    """Return the value as JSON can hold it.

    NaN, infinite numbers and endless integers become null; sets, tuples and arrays become lists; days and times their
    ISO form; every other thing its text. Half a surrogate pair becomes U+FFFD (RFC 8259, 8.2).
    """
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, Enum):
        return plain_json(value.value)
    if isinstance(value, str):
        return value if value.isascii() else _paired(value)
    if isinstance(value, int):
        return value if abs(value) < _LARGEST else None
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {_paired(str(key)): plain_json(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain_json(item) for item in value]
    if hasattr(value, "tolist"):
        return plain_json(value.tolist())  # numpy's numbers and arrays, without loading numpy for those who use none
    return _paired(value.isoformat() if hasattr(value, "isoformat") else str(value))


def plain_number(value: float | None, digits: int | None = 7) -> float | None:
    """Return a number for JSON with the digits that a measured figure means; None for what is no finite number."""
    if value is None or not math.isfinite(value):
        return None
    return float(value) if digits is None else float(f"{value:.{digits}g}")


def number_or_none(value: Any) -> float | None:
    """Return a finite number of a JSON value, None for anything else; true and false are no numbers."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        return float(value) if math.isfinite(value) else None
    except OverflowError:
        return None


def json_text(value: Any, *, ascii_only: bool = False) -> str:
    """Return the value as JSON text; control, direction and invisible characters are escaped, so nothing is lost."""
    text = json.dumps(plain_json(value), ensure_ascii=ascii_only, allow_nan=False)
    if text.isascii() and text.isprintable():
        return text
    return "".join(_escaped(character) if is_hidden(character) else character for character in text)


def _paired(text: str) -> str:
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")


def _escaped(character: str) -> str:
    # Outside its strings JSON text is plain ASCII, so whatever is found here may be escaped.
    return json.dumps(character)[1:-1] if not character.isascii() else f"\\u{ord(character):04x}"
