"""The kernel's messages kept beside a record while it is written, synced each second: `<run>.kernel.log`.

A machine that dies takes its kernel's memory with it; what it said before, such as a machine check, is then on the
stick. The text of a panic itself is not: nothing can be written any more by then.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.system.history.entries import LogEntry
from verifyrig.system.history.kernel_log import KernelLine, kernel_entries, lines_of_kmsg, lines_of_text

_KERNEL = Path("/dev/kmsg")
_EVERY_S = 1.0
_WARNING = 4  # syslog(2): levels up to this say that something is wrong


def kernel_log_path(record: Path) -> Path:
    """Return where the kernel's messages of a run lie."""
    return record.with_name(f"{record.stem}.kernel.log")


@contextlib.contextmanager
def kernel_log_beside(
    record: Path, device: Path = _KERNEL, boot_utc_s: Callable[[], float] | None = None
) -> Iterator[None]:
    """Keep what the kernel says from now on, while inside; where it may not be read, nothing is kept."""
    try:
        handle = os.open(device, os.O_RDONLY | os.O_NONBLOCK)
    except OSError:
        yield
        return
    with contextlib.suppress(OSError):
        os.lseek(handle, 0, os.SEEK_END)
    keeper = _Keeper(kernel_log_path(record), handle, boot_utc_s or _boot_utc_s)
    keeper.start()
    try:
        yield
    finally:
        keeper.stop()
        os.close(handle)


def entries_beside(record: Path) -> Sequence[LogEntry]:
    """Return what the messages beside a record say of shut-downs, heat and hardware errors; empty without any."""
    try:
        text = read_text(kernel_log_path(record), FileKind.LOG, inside=record.parent)
    except (OSError, ValueError):
        return ()
    return tuple(kernel_entries(lines_of_text(text)))


class _Keeper:
    """Writes lines as they come; lines that the medium does not take now are written with the next ones.

    It has a thread and is none: the names that `threading.Thread` keeps for itself differ between versions of Python.
    """

    def __init__(self, path: Path, handle: int, boot_utc_s: Callable[[], float]) -> None:
        self._path, self._kernel, self._boot_utc_s = path, handle, boot_utc_s
        self._thread = threading.Thread(target=self._run, name="kernel log", daemon=True)
        self._over = threading.Event()
        self._waiting: list[str] = []

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def _run(self) -> None:
        while not self._over.wait(_EVERY_S):
            self._keep()
        self._keep()

    def stop(self) -> None:
        """Write what has come until now."""
        self._over.set()
        self._thread.join(5.0)

    def _keep(self) -> None:
        text = self._read()
        self._waiting += [_line(line) for line in lines_of_kmsg(_warnings(text), self._boot_utc_s())]
        if not self._waiting:
            return
        with contextlib.suppress(OSError), self._path.open("a", encoding="utf-8", errors="replace") as file:
            file.write("".join(self._waiting))
            file.flush()
            os.fsync(file.fileno())
            self._waiting.clear()

    def _read(self) -> str:
        parts: list[bytes] = []
        while len(parts) < 1000:
            try:
                part = os.read(self._kernel, 8192)
            except BrokenPipeError:  # lines were overwritten meanwhile; the next read goes on
                continue
            except OSError:
                break
            if not part:
                break
            parts.append(part)
        return b"".join(parts).decode("utf-8", "replace")


def _warnings(text: str) -> str:
    """Return the records that warn, and those whose words are known; others are news of devices."""
    kept = []
    for line in text.splitlines():
        level, _, tail = line.partition(",")
        known = any(True for _ in kernel_entries([KernelLine(None, tail.partition(";")[2])]))
        if level.isdigit() and (int(level) & 7 <= _WARNING or known):
            kept.append(line)
    return "\n".join(kept)


def _line(line: KernelLine) -> str:
    from datetime import UTC, datetime

    when = datetime.fromtimestamp(line.utc_s or 0.0, UTC).isoformat(timespec="milliseconds")
    return f"{when} {line.text}\n"


def _boot_utc_s() -> float:
    boot = getattr(time, "CLOCK_MONOTONIC", None)
    return time.time() - (time.clock_gettime(boot) if boot is not None else 0.0)
