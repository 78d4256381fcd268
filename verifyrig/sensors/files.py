"""Kernel files that hold one value, kept open and read by one call."""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.files.foreign_file import FileKind, opened

# Longest value of the kernel's one-value files is a 64-bit integer; more is not a value.
_VALUE_BYTES = 64

# What each thread is reading, and since when: a file that does not answer can be named by another thread.
_being_read: dict[int, tuple[str, float]] = {}


def being_read(thread: int | None) -> tuple[str, float]:
    """Return the file that a thread is reading and since when (`time.monotonic`); empty where it reads none."""
    return _being_read.get(thread or 0, ("", 0.0))


@contextlib.contextmanager
def _reading(path: Path) -> Iterator[None]:
    me = threading.get_ident()
    _being_read[me] = (str(path), time.monotonic())
    try:
        yield
    finally:
        _being_read.pop(me, None)


def _seek_and_read(fd: int, size: int, offset: int) -> bytes:
    os.lseek(fd, offset, os.SEEK_SET)
    return os.read(fd, size)


# Windows has no pread; there the two calls are not atomic, and each file has one reader only.
_read_at: Callable[[int, int, int], bytes] = getattr(os, "pread", _seek_and_read)


class HeldFile:
    """A file that is opened once and read from its start each time.

    The kernel never replaces its files, so an open file whose last link is gone has vanished
    (driver unloaded, device unplugged); it is then looked for again under its name.
    """

    __slots__ = ("_fd", "_size", "path")

    def __init__(self, path: Path, *, size: int = _VALUE_BYTES) -> None:
        self.path = path
        self._size = size
        self._fd = -1

    def read(self) -> bytes:
        """Return what the file holds now; raise `OSError` where it cannot be read."""
        try:
            if self._fd >= 0 and os.fstat(self._fd).st_nlink == 0:
                self.close()
            with _reading(self.path):
                if self._fd < 0:
                    self._fd = os.open(self.path, os.O_RDONLY)
                return _read_at(self._fd, self._size, 0)
        except OSError:
            self.close()  # the next reading opens it anew: most such faults are transient
            raise

    def close(self) -> None:
        """Close the file; a later `read` opens it again."""
        if self._fd >= 0:
            fd, self._fd = self._fd, -1
            os.close(fd)


def why_not(error: OSError) -> tuple[str, str]:
    """Return what is wrong with a kernel file and how to mend it, from the error that reading it gave."""
    if isinstance(error, PermissionError):
        return (
            "only root may read it on this system",
            "Run as root, or have root allow reading this file until the next start.",
        )
    if isinstance(error, FileNotFoundError):
        return ("it has vanished", "Check that the driver is still loaded and the device still connected.")
    return (
        f"reading it gave an error ({error.strerror or error}, number {error.errno})",
        "It is tried again on every sample; if it stays, check the driver in the system log.",
    )


def unreadable_reason(path: Path) -> str:
    """Return why nobody but root can read a file, with the remedy; empty where it can be tried."""
    try:
        with _reading(path):
            # A pipe in place of a file would wait here for whoever writes into it.
            fd = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    except PermissionError as error:
        what, mend = why_not(error)
        return f"{what}. {mend}"
    except OSError:
        return ""  # transient: it is tried again on every sample
    os.close(fd)
    return ""


class FileSensor:
    """One value of one kernel file, scaled to the channel's unit."""

    __slots__ = ("_fault", "_file", "_per_unit", "info")

    def __init__(self, info: ChannelInfo, path: Path, *, per_unit: float, fault: Path | None = None) -> None:
        self.info = info
        self._file = HeldFile(path)
        # Divided, not multiplied by a thousandth: 22400 m°C is then 22.4 °C and not 22.400000000000002.
        self._per_unit = per_unit
        self._fault = HeldFile(fault) if fault is not None else None

    def read(self) -> Taken:
        """Return the value now; raise `SensorError` where there is none."""
        try:
            text = self._file.read()
        except OSError as error:
            raise self._error(*why_not(error)) from error
        if self._fault is not None:
            self._check_fault(self._fault)
        try:
            if len(text) < _VALUE_BYTES:  # a longer text was cut, and its head may look like a number
                return Taken(int(text) / self._per_unit)
        except ValueError:
            pass
        raise self._error(*_no_number(text))

    def _check_fault(self, fault: HeldFile) -> None:
        # hwmon/sysfs-interface: with fault = 1 the reading must not be trusted.
        try:
            text = fault.read().strip()
        except OSError:
            return
        if text not in (b"0", b""):
            raise self._error(
                "the chip reports this input as faulty or not connected",
                "Check the sensor's lead, or leave this channel out.",
            )

    def _error(self, what: str, mend: str) -> SensorError:
        return SensorError(what, where=self.info.label or self.info.source, mend=mend)

    def close(self) -> None:
        """Close the files."""
        self._file.close()
        if self._fault is not None:
            self._fault.close()


def _no_number(text: bytes) -> tuple[str, str]:
    if not text.strip():
        return ("the file is empty, so there is no reading", "It is tried again on every sample.")
    shown = text[:20].decode("utf-8", "backslashreplace").strip()
    return (f"it holds {shown!r}, which is no whole number", "Leave this channel out, or check its driver.")


def read_text(path: Path) -> str:
    """Return a small file's text without surrounding blanks, with odd bytes replaced; empty where unreadable."""
    try:
        with _reading(path), opened(path, FileKind.KERNEL) as file:
            return file.read(4096).decode("utf-8", errors="replace").strip().strip("\0")
    except (OSError, ValueError):
        return ""


def read_int(path: Path) -> int | None:
    """Return the number that a small file holds, or None."""
    try:
        return int(read_text(path))
    except ValueError:
        return None


def relative(path: Path, root: Path) -> str:
    """Return a path below the root in POSIX form, whatever the root is called."""
    base = os.path.realpath(root)
    full = os.fspath(path)
    for start in (base, os.fspath(root)):
        if full == start or full.startswith(start.rstrip(os.sep) + os.sep):
            return Path(full[len(start) :].lstrip(os.sep)).as_posix()
    return path.as_posix()


def device_path(link: Path, root: Path) -> str:
    """Return where a device link leads, below `sys/` of the root: stable where the class number is not."""
    return relative(Path(os.path.realpath(link)), root).removeprefix("sys/")


def numbered_dirs(folder: Path, prefix: str) -> list[Path]:
    """Return entries of a class folder such as `hwmon0`, by number; empty where the folder does not exist."""
    try:
        names = [name for name in os.listdir(folder) if name.startswith(prefix)]  # noqa: PTH208 - names only, fast
    except OSError:
        return []
    return [folder / name for name in sorted(names, key=_natural)]


def _natural(name: str) -> tuple[int, str]:
    digits = "".join(character for character in name if character.isdigit())
    return (int(digits) if digits else 0, name)
