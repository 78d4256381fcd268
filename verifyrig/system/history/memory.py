"""Gathers what a system remembers, from the system itself or from files, newest first."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from verifyrig.core.errors import ImportFault
from verifyrig.files.foreign_file import FileKind, read_bytes
from verifyrig.system.boot_span import BootSpan
from verifyrig.system.history import windows_events
from verifyrig.system.history.entries import LogEntry
from verifyrig.system.history.journal import NoJournal, lines_of_json, read_boots, read_kernel_lines
from verifyrig.system.history.kernel_log import kernel_entries, lines_of_kmsg, lines_of_text
from verifyrig.system.history.linux_files import edac_entries, pstore_entries
from verifyrig.system.machine import is_live

_KERNEL_STAMP = re.compile(r"\[ *\d+\.\d+")
_EVENT_HEAD = re.compile(r"""(?:^|[,;])"?(?:event )?id"?(?:[,;]|$)""", re.I)


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemMemory:
    """What was found.

    Attributes:
        entries: Newest first; those without a time, which describe now, before all.
        boots: Oldest first; empty where no log says.
        notes: What could not be read, and why, in clauses.
    """

    entries: tuple[LogEntry, ...] = ()
    boots: tuple[BootSpan, ...] = ()
    notes: tuple[str, ...] = ()

    def between(self, from_utc_s: float, to_utc_s: float) -> list[LogEntry]:
        """Return the entries of a span of time, and those without a time."""
        return [e for e in self.entries if e.utc_s is None or from_utc_s <= e.utc_s <= to_utc_s]


def remember(root: Path = Path("/")) -> SystemMemory:
    """Return what the Linux system below `root` remembers; `/` is this one, another may be a mounted disk."""
    live = is_live(root)
    folder = None if live else root / "var/log/journal"
    notes: list[str] = []
    boots: list[BootSpan] = []
    entries = [*pstore_entries(root), *edac_entries(root)]
    if live and os.name == "nt":
        return SystemMemory(notes=("this is Windows: export its System log as XML and name the file",))
    try:
        if folder is not None and not folder.is_dir():
            raise NoJournal("there is no journal below this folder")
        boots = read_boots(folder)
        entries += kernel_entries(read_kernel_lines(folder))
    except NoJournal as error:
        notes.append(str(error))
        entries += _from_kernel(notes) if live else _from_saved_logs(root)
    return SystemMemory(entries=newest_first([*entries, *boot_entries(boots)]), boots=tuple(boots), notes=tuple(notes))


def boot_entries(boots: Sequence[BootSpan]) -> list[LogEntry]:
    """Return how each boot began and ended, as entries; the last one is not over, or its end is not known."""
    found = []
    for boot in boots:
        found.append(LogEntry(utc_s=boot.first_utc_s, id="boot"))
        if boot.asleep:
            found.append(LogEntry(utc_s=boot.last_utc_s, id="end-asleep"))
        elif boot.orderly is not None:
            found.append(LogEntry(utc_s=boot.last_utc_s, id="end-orderly" if boot.orderly else "end-abrupt"))
    return found


def newest_first(entries: Iterable[LogEntry]) -> tuple[LogEntry, ...]:
    """Return the entries, each once, newest first."""
    return tuple(sorted(set(entries), key=lambda e: (e.utc_s is None, e.utc_s or 0.0, e.id, e.code), reverse=True))


def _from_kernel(notes: list[str]) -> list[LogEntry]:
    """Return what the kernel's own buffer says of this boot, where there is no journal."""
    try:
        text = _read_kmsg()
    except OSError as error:
        notes.append(f"the kernel's log may not be read ({error.strerror})")
        return []
    import psutil

    return list(kernel_entries(lines_of_kmsg(text, psutil.boot_time())))


def _read_kmsg() -> str:
    handle = os.open("/dev/kmsg", os.O_RDONLY | os.O_NONBLOCK)
    parts: list[bytes] = []
    deadline_s = time.monotonic() + 2.0
    try:
        while time.monotonic() < deadline_s:
            try:
                parts.append(os.read(handle, 8192))
            except BlockingIOError:
                break
            except BrokenPipeError:  # lines were overwritten while we read; the next read goes on
                continue
    finally:
        os.close(handle)
    return b"".join(parts).decode("utf-8", "replace")


def _from_saved_logs(root: Path) -> list[LogEntry]:
    found: list[LogEntry] = []
    for name in ("kern.log", "dmesg", "syslog", "messages"):
        try:
            text = read_bytes(root / "var/log" / name, FileKind.LOG, inside=root).decode("utf-8", "replace")
        except OSError:
            continue
        found += kernel_entries(lines_of_text(text))
    return found


def read_log_file(path: Path) -> tuple[LogEntry, ...]:
    """Return what a saved log says: an export of the Windows System log (XML, CSV, JSON) or a Linux kernel log.

    Raises:
        ImportFault: It cannot be read, or is none of these.
    """
    origin = path.name
    try:
        data = read_bytes(path, FileKind.LOG)
    except OSError as error:
        raise ImportFault(
            f"cannot be read ({error.strerror})", where=str(path), mend="Check the path and its rights."
        ) from error
    if windows_events.is_binary_log(data):
        raise ImportFault(
            "this is the log itself, which only Windows reads",
            where=origin,
            mend="On Windows: wevtutil qe System /f:xml /e:Events > system.xml",
        )
    return newest_first(_entries_of(_text(data, origin), origin))


def _text(data: bytes, origin: str) -> str:
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    text = data.decode(encoding, "replace")
    if "\x00" in text:
        raise ImportFault("this is no text", where=origin, mend="Export the log as XML, CSV, JSON or plain text.")
    return text


def _entries_of(text: str, origin: str) -> list[LogEntry]:
    head = text.lstrip()[:4000]
    if head.startswith("<"):
        return list(windows_events.xml_entries(text, origin))
    if "__REALTIME_TIMESTAMP" in head:
        return list(kernel_entries(lines_of_json(text)))
    if head.startswith(("[", "{")) and not _KERNEL_STAMP.match(head):
        return list(windows_events.json_entries(text, origin))
    first = next((line for line in head.splitlines() if not line.startswith("#TYPE")), "")
    if _EVENT_HEAD.search(first) and not _KERNEL_STAMP.match(first):
        return list(windows_events.csv_entries(text, origin))
    return list(kernel_entries(lines_of_text(text)))
