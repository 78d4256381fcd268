"""Removes folders of the build, and never what something else has put into them.

A build that is interrupted while packages are installed leaves `/proc`, `/sys` and the machine's own `/dev/shm` mounted
in its root folder: removing that folder would remove the machine's files.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from stick.making.run import BuildError

_MOUNTS = Path("/proc/self/mountinfo")


def mounts_below(folder: Path, mounts: Path = _MOUNTS) -> list[Path]:
    """Return what is mounted at or below a folder, innermost first (proc_pid_mountinfo(5), field 5)."""
    real = Path(os.path.realpath(folder))
    places = [Path(line.split()[4].replace("\\040", " ")) for line in mounts.read_text().splitlines()]
    return sorted((place for place in places if place.is_relative_to(real)), key=lambda p: len(p.parts), reverse=True)


def clear(folder: Path, mounts: Path = _MOUNTS) -> None:
    """Remove a folder where there is one.

    Raises:
        BuildError: Something is mounted in it; nothing was removed.
    """
    held = mounts_below(folder, mounts)
    if held:
        raise BuildError(
            f"{folder} is not removed: an interrupted build left mounts in it. Detach them first: "
            f"umount {' '.join(map(str, held))}"
        )
    if folder.exists():
        shutil.rmtree(folder)
