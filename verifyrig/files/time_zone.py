"""Time zones by their name in the tz database, for times that people read; inside, every time is UTC."""

from __future__ import annotations

import os
from datetime import tzinfo
from functools import cache
from pathlib import Path

UTC_NAME = "UTC"
ZONE_MEND = "Write a name like Europe/Berlin, or UTC; on Windows install the package tzdata."
_DATABASE = "zoneinfo/"


@cache
def zone_of(name: str) -> tzinfo:
    """Return the zone of that name, such as `Europe/Berlin`.

    Raises:
        ValueError: This computer's tz database knows no such zone.
    """
    from datetime import UTC
    from zoneinfo import ZoneInfo

    if name == UTC_NAME:
        return UTC
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise ValueError(f"there is no time zone {name!r} on this computer") from error


def system_zone_name(localtime: Path = Path("/etc/localtime")) -> str:
    """Return the name of this computer's zone, UTC where it names none."""
    found = os.environ.get("TZ", "").removeprefix(":") or os.path.realpath(localtime).rpartition(_DATABASE)[2]
    try:
        zone_of(found)
    except ValueError:
        return UTC_NAME
    return found
