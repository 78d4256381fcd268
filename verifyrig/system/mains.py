"""Whether a machine runs from the mains or from its battery: a laptop on its battery holds its power down.

Source: Linux, Documentation/ABI/testing/sysfs-class-power (type, online).
"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path

_ADAPTERS = ("Mains", "USB")


class Mains(StrEnum):
    """Where the power comes from."""

    ON = "on"
    OFF = "off"  # it runs from its battery


def mains_of(root: Path) -> Mains | None:
    """Return whether an adapter feeds the machine; None where it has none that says so, as most desktops."""
    states = []
    for supply in sorted((root / "sys/class/power_supply").glob("*")):
        if _text(supply / "type") in _ADAPTERS and _text(supply / "online") in ("0", "1", "2"):
            states.append(_text(supply / "online") != "0")
    if not states:
        return None
    return Mains.ON if any(states) else Mains.OFF


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""
