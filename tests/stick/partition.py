"""The stick's data partition as another computer sees it: found in the image's own table, read by mtools."""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
from pathlib import Path

_SECTOR = 512


def data_offset(image: Path) -> int:
    """Return where the data partition begins, bytes."""
    return data_span(image)[0]


def data_span(image: Path) -> tuple[int, int]:
    """Return where the data partition begins and its size, bytes."""
    return _span(image, "vr-data")


def choose_entry(image: Path, number: int) -> None:
    """Make another entry of the boot menu the one that is taken when nobody presses a key."""
    _change_menu(image, b"set default=0", b"set default=%d" % number)


def for_a_busy_host(image: Path) -> None:
    """Let the kernel not judge the timer by a few ticks: a host without time loses them, and the kernel gives up."""
    _change_menu(image, b" quiet ", b" quiet no_timer_check ")


def spoil_root(image: Path) -> None:
    """Change one bit of the root image on the stick, as a faulty cell does."""
    place = f"{image}@@{_span(image, 'vr-boot')[0]}"
    words = ["mtype", "-i", place, "::verifyrig/root.img"]
    content = bytearray(subprocess.run(words, capture_output=True, env=_env(), check=True).stdout)
    content[len(content) // 2] ^= 1
    words = ["mcopy", "-o", "-i", place, "-", "::verifyrig/root.img"]
    subprocess.run(words, input=content, capture_output=True, env=_env(), check=True)


def _change_menu(image: Path, old: bytes, new: bytes) -> None:
    place = f"{image}@@{_span(image, 'vr-boot')[0]}"
    for name in ("EFI/debian/grub.cfg", "boot/grub/grub.cfg"):
        menu = subprocess.run(["mtype", "-i", place, f"::{name}"], capture_output=True, env=_env(), check=True).stdout
        changed = menu.replace(old, new)
        assert changed != menu
        words = ["mcopy", "-o", "-i", place, "-", f"::{name}"]
        subprocess.run(words, input=changed, capture_output=True, env=_env(), check=True)


def _span(image: Path, kind: str) -> tuple[int, int]:
    """Return where a partition begins and its size, bytes (UEFI Specification 2.10, 5.3.3: entries of 128 bytes)."""
    with image.open("rb") as file:
        file.seek(2 * _SECTOR)
        for _ in range(128):
            entry = file.read(128)
            name = entry[56:128].decode("utf-16le").rstrip("\0")
            if name.startswith(kind):
                first, last = struct.unpack_from("<QQ", entry, 32)
                return first * _SECTOR, (last - first + 1) * _SECTOR
    raise AssertionError(f"{image} has no partition {kind}")


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
    return take_from(_place(image), folder)


def take_from(place: str, folder: Path) -> Path:
    """Copy everything from a file system, named as mtools names it, into a folder emptied before; return it."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    words = ["mcopy", "-s", "-n", "-m", "-i", place, "::*", str(folder)]
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
