"""The clock for ages of readings."""

from __future__ import annotations

import time

_clock_id = getattr(time, "CLOCK_BOOTTIME", None)


def boot_time_s() -> float:
    """Return seconds that count suspended time where the system can: ages must grow while it sleeps."""
    return time.monotonic() if _clock_id is None else time.clock_gettime(_clock_id)
