"""The stick's data partition as another computer sees it: found in the image's own table, read by mtools."""

from __future__ import annotations

import os
import struct
import subprocess
from pathlib import Path

_SECTOR = 512


def data_offset(image: Path) -> int:
    """Return where the data partition begins, bytes (UEFI Specification 2.10, 5.3.3: entries of 128 bytes)."""
    with image.open("rb") as file:
        file.seek(2 * _SECTOR)
        for _ in range(128):
            entry = file.read(128)
            name = entry[56:128].decode("utf-16le").rstrip("\0")
            if name.startswith("vr-data"):
                return int(struct.unpack_from("<Q", entry, 32)[0]) * _SECTOR
    raise AssertionError(f"{image} has no data partition")


def put(image: Path, files: dict[str, str]) -> None:
    """Write texts onto the stick."""
    place = _place(image)
    for name, text in files.items():
        parents = [parent.as_posix() for parent in reversed(Path(name).parents) if parent.as_posix() != "."]
        for parent in parents:
            subprocess.run(["mmd", "-D", "s", "-i", place, f"::{parent}"], capture_output=True, env=_env(), check=False)
        subprocess.run(
            ["mcopy", "-o", "-i", place, "-", f"::{name}"],
            input=text.encode(),
            env=_env(),
            capture_output=True,
            check=True,
        )


def take(image: Path, folder: Path) -> Path:
    """Copy everything from the stick into a folder; return it."""
    folder.mkdir(parents=True, exist_ok=True)
    words = ["mcopy", "-s", "-n", "-m", "-i", _place(image), "::*", str(folder)]
    subprocess.run(words, env=_env(), capture_output=True, check=True)
    return folder


def is_dirty(image: Path) -> bool:
    """Return whether the file system was not let go of in order."""
    with image.open("rb") as file:
        file.seek(data_offset(image) + 65)
        return bool(file.read(1)[0] & 1)


def _place(image: Path) -> str:
    return f"{image}@@{data_offset(image)}"


def _env() -> dict[str, str]:
    return {**os.environ, "MTOOLS_SKIP_CHECK": "1"}
