"""The duty that the bench asks of the simulated machine: one line, `SHARE [CORELIST]`."""

from __future__ import annotations

import math
from collections.abc import Sequence

Request = tuple[float, tuple[int, ...] | None]
REST: Request = (0.0, None)


def parse_load(text: str, cores: int, before: Request = REST) -> Request:
    """Return the share of the whole processor, 0 to 1, and the cores that carry it (None: all).

    An empty text is a writer between truncating and writing, so the request before holds. Anything else that
    is no share stops the load: a broken request must never keep a machine hot.
    """
    words = text.split()
    if not words:
        return before
    try:
        share = float(words[0])
        busy = _core_list(words[1], cores) if len(words) > 1 else None
    except ValueError:
        return REST
    return (min(1.0, max(0.0, share)), busy) if math.isfinite(share) else REST


def _core_list(word: str, cores: int) -> tuple[int, ...] | None:
    """Read a list as the kernel writes it, "0-3,6", with or without "cores=" in front; None where it names none."""
    numbers: set[int] = set()
    for part in word.removeprefix("cores=").split(","):
        first, _, last = part.partition("-")
        numbers.update(range(int(first), min(int(last or first), cores - 1) + 1))
    return tuple(sorted(number for number in numbers if 0 <= number < cores)) or None


def format_load(share: float, busy_cores: Sequence[int] | None = None) -> str:
    """Return the line for a share and, where only some cores carry it, their numbers."""
    cores = " " + ",".join(str(core) for core in busy_cores) if busy_cores else ""
    return f"{share:.6f}{cores}\n"
