"""Bench sticks that are plugged into this computer, found where systems put what is plugged in."""

from __future__ import annotations

import os
import string
from pathlib import Path

from verifyrig.bench.folder import Bench

MARK = ".verifyrig-stick"
"""A file at the top of a stick's data partition."""
_PLACES = ("media/*", "media/*/*", "run/media/*/*", "Volumes/*", "mnt/*")


def plugged_sticks(bench: Bench, root: Path = Path("/")) -> list[Path]:
    """Return the bench folders of sticks that hold something to take in; this bench itself is none of them."""
    if os.name == "nt":
        places = [Path(f"{letter}:\\") for letter in string.ascii_uppercase[3:]]
    else:
        places = [place for pattern in _PLACES for place in sorted(root.glob(pattern))]
    return [place for place in places if _is_stick(place) and not _is_same(place, bench.root)]


def _is_stick(place: Path) -> bool:
    try:
        if not (place / MARK).is_file():
            return False
        return any(place.glob("runs/*.sqlite")) or any(place.glob("jobs/*/job.toml"))
    except OSError:
        return False


def _is_same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False
