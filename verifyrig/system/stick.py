"""The bench stick's own system, as its start scripts leave word of it; on every other system there is none.

The folder named by VERIFYRIG_STICK holds: `boot` (lines KEY=VALUE: id, root, serial, checked_s), `build.json` (version,
commit, built, packages, kernel), `data.word` and `data.text` (how the data partition was found), `disk` and `part`
(the stick's device names now), `drivers.json` (what the drivers came to), and `up`, which the first screen makes.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

VARIABLE = "VERIFYRIG_STICK"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stick:
    """The stick that this system was started from.

    Attributes:
        folder: Where its scripts leave word.
        bench: Where its data partition is.
        sys: The kernel's tree, by which it is seen whether the stick is still plugged in.
    """

    folder: Path
    sys: Path = Path("/sys")
    bench: Path = Path("/bench")

    def boot(self, key: str) -> str:
        """Return what the first program noted, empty where it did not."""
        for line in self._text("boot").splitlines():
            name, _, value = line.partition("=")
            if name == key:
                return value
        return ""

    @property
    def build(self) -> dict[str, str]:
        """What was built: version, commit, built, packages, kernel; and the digest that the kernel checks against."""
        try:
            found: Any = json.loads(self._text("build.json"))
        except ValueError:
            found = {}
        table = found if isinstance(found, dict) else {}
        return {**{str(key): str(value) for key, value in table.items()}, "root_hash": self.boot("root")}

    def as_fact(self) -> Mapping[str, object]:
        """Return what a record says of the stick and of its clock."""
        try:
            told = json.loads(self._text("clock.json"))
        except ValueError:
            told = {"trust": "unchecked"}
        return {**self.build, "clock": told}

    @property
    def data_text(self) -> str:
        """How its data partition was found, a clause for a person; empty while unknown."""
        return self._text("data.text").strip()

    @property
    def is_plugged_in(self) -> bool:
        """Whether the stick is there now."""
        part = self._text("part").strip()
        return bool(part) and (self.sys / "class/block" / part).exists()

    def holds(self, folder: Path) -> bool:
        """Whether a folder is on the stick's data partition."""
        return folder.is_relative_to(self.bench)

    def make_writable(self) -> None:
        """Make the partition of a stick that was plugged in again writable; one that is away refuses."""
        with contextlib.suppress(OSError, subprocess.SubprocessError):
            words = ["mount", "-o", "remount,rw", str(self.bench)]
            subprocess.run(words, capture_output=True, timeout=60, check=False)

    @property
    def twins(self) -> Path:
        """Folder in memory for what belongs on the stick while it is away."""
        return self.folder / "twins"

    def drivers(self) -> Mapping[str, object]:
        """Return what the drivers came to; empty while they are still being loaded."""
        try:
            found = json.loads(self._text("drivers.json"))
        except ValueError:
            return {}
        return found if isinstance(found, dict) else {}

    def say_up(self) -> None:
        """Say that the first screen stands: the other drivers follow then."""
        (self.folder / "up").touch()

    def _text(self, name: str) -> str:
        try:
            return (self.folder / name).read_text(encoding="utf-8", errors="replace")
        except OSError:
            return ""


def this_stick() -> Stick | None:
    """Return the stick that this system runs from; None on every other system."""
    named = os.environ.get(VARIABLE, "")
    return Stick(folder=Path(named)) if named and (Path(named) / "boot").is_file() else None
