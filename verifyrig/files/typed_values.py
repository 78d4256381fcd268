"""Values that people type on the command line: a temperature with its uncertainty, KEY=VALUE pairs."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from verifyrig.core.errors import UsageError

# What a wall thermometer of a shop is good for; used where no uncertainty is typed (common practice, no source).
DEFAULT_AMBIENT_U95_K = 1.0
LOWEST_AMBIENT_C, HIGHEST_AMBIENT_C = -20.0, 60.0
_AMBIENT = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?)\s*(?:(?:±|\+-|\+/-)\s*(\d+(?:[.,]\d+)?))?\s*(?:°?C)?\s*")


def parse_ambient(text: str) -> tuple[float, float]:
    """Return a typed room temperature, °C, and its expanded uncertainty, K: `22`, `22.5±0.3`, `22+-1`.

    Raises:
        UsageError: It is no temperature, or none of a room.
    """
    found = _AMBIENT.fullmatch(text)
    if not found:
        raise UsageError(
            f"{text!r} is no temperature",
            where="--ambient",
            mend="Type °C with its uncertainty, as in --ambient 22±0.5.",
        )
    value_c = float(found[1].replace(",", "."))
    u95_k = float(found[2].replace(",", ".")) if found[2] else DEFAULT_AMBIENT_U95_K
    if not LOWEST_AMBIENT_C <= value_c <= HIGHEST_AMBIENT_C or not math.isfinite(u95_k) or u95_k > 20:
        raise UsageError(
            f"{text!r} is no temperature of a room",
            where="--ambient",
            mend=f"Type °C between {LOWEST_AMBIENT_C:g} and {HIGHEST_AMBIENT_C:g}, the uncertainty in K below 20.",
        )
    return value_c, u95_k


def short_name(text: str | None, where: str) -> str | None:
    """Return the name of a unit or batch, None where none was typed; raise `UsageError` for an empty or a long one."""
    if text is not None and not 0 < len(text) <= 100:
        raise UsageError("it has no or too many characters", where=where, mend="Use 1 to 100 characters.")
    return text


def parse_states(words: Sequence[str]) -> dict[str, str]:
    """Return KEY=VALUE words as a dictionary: `panel=on`, `position=upright`; the last of a key counts."""
    states = {}
    for word in words:
        key, sign, value = word.partition("=")
        key, value = key.strip().lower(), value.strip()
        if not sign or not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,63}", key) or not value or len(value) > 200:
            raise UsageError(
                f"{word!r} is no KEY=VALUE", where="--state", mend="Write it as in --state panel=on --state fans=auto."
            )
        states[key] = value
    return states
