"""Numbers and their units stay on one line: the blanks between them become ones that no line breaks at. Pure."""

from __future__ import annotations

import re

NARROW, FIXED = "\u202f", "\u00a0"
_UNITS = "°C|°F|K/W|K/s|°F/s|K|Wh|kWh|W|V|s|min|h|%|mm|cm|MHz|GHz|Hz|GiB|1/min|J|kJ"
_BEFORE_UNIT = re.compile(rf"(?<=\d)[ {FIXED}](?=(?:{_UNITS})(?![\w/]))")
_AROUND_SPREAD = re.compile(r"(?<=\S) ± (?=\d)")
_IN_DURATION = re.compile(rf"(?:(?<={NARROW}min)|(?<={NARROW}h)) (?=\d)")


def unbroken(text: str) -> str:
    """Return the text with its quantities held together: "68.2 ± 1.1 °C", "12 min 30 s"."""
    held = _BEFORE_UNIT.sub(NARROW, text)
    held = _AROUND_SPREAD.sub(f"{NARROW}±{NARROW}", held)
    return _IN_DURATION.sub(FIXED, held)
