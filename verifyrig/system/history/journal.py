"""What the systemd journal remembers: its boots, whether each ended in order, and the kernel's lines.

`journalctl` is asked in its JSON form (manual pages journalctl(1), systemd.journal-fields(7)). The journal is put on
the disk every five minutes, at once only for critical messages (journald.conf(5), SyncIntervalSec), so the last
minutes before a power cut are mostly missing; what it holds of an orderly end is complete.
"""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from verifyrig.system.boot_span import BootSpan
from verifyrig.system.history.kernel_log import KernelLine

_TIMEOUT_S = 20.0
_BOOTS_LOOKED_INTO = 8
_LAST_LINES = 40
# Message id of "Journal stopped" (systemd's catalogue, sd-messages.h, from memory): the last line of an orderly end.
_JOURNAL_STOPPED_ID = "d93fb3c9c24d451a97cea615ce59c00b"
_ORDERLY = re.compile(
    r"^(Journal stopped|Reached target .*(Power.?Off|Reboot|Shut ?down|Halt)|Syncing filesystems)", re.I
)
_ASLEEP = re.compile(r"PM: suspend entry|^(Entering sleep state|Performing sleep operation)", re.I)
_KERNEL_LINES = "reset reason|emperature|Hardware Error|EDAC|panic|lockup|LOCKUP|PM: suspend|Out of memory"


class NoJournal(Exception):
    """The journal cannot be asked; the text says why."""


def read_boots(folder: Path | None = None) -> list[BootSpan]:
    """Return the boots of the journal, oldest first, with how the last few of them ended.

    Args:
        folder: Journal of another system, such as that of a mounted disk; None for this one.

    Raises:
        NoJournal: There is none, or it may not be read.
    """
    boots = boots_of_text(_ask(["--list-boots", "-o", "json"], folder))
    looked_into = [_with_end(boot, folder) for boot in boots[-_BOOTS_LOOKED_INTO:-1]]
    return [*boots[:-_BOOTS_LOOKED_INTO], *looked_into, *boots[-1:]]


def read_kernel_lines(folder: Path | None = None, *, days: int = 60) -> list[KernelLine]:
    """Return the kernel's lines of the last days that may say something of heat, power or errors; errors as above."""
    words = ["-o", "json", "--output-fields=MESSAGE", "--since", f"-{days}d", "--grep", _KERNEL_LINES]
    return list(lines_of_json(_ask([*words, "_TRANSPORT=kernel"], folder)))


def _with_end(boot: BootSpan, folder: Path | None) -> BootSpan:
    words = ["-b", boot.boot_id, "-n", str(_LAST_LINES), "-o", "json", "--output-fields=MESSAGE,MESSAGE_ID"]
    try:
        return with_end(boot, _ask(words, folder))
    except NoJournal:
        return boot


def _ask(words: Sequence[str], folder: Path | None) -> str:
    where = [] if folder is None else ["--directory", str(folder)]
    try:
        done = subprocess.run(
            ["journalctl", "--no-pager", "-q", *where, *words],
            capture_output=True,
            text=True,
            errors="replace",
            timeout=_TIMEOUT_S,
            check=False,
        )
    except FileNotFoundError as error:
        raise NoJournal("this system keeps no journal") from error
    except (OSError, subprocess.SubprocessError) as error:
        raise NoJournal(f"the journal does not answer ({error})") from error
    if done.returncode != 0 and not done.stdout:
        raise NoJournal((done.stderr.strip().splitlines() or ["the journal gives nothing"])[0])
    return done.stdout


def boots_of_text(text: str) -> list[BootSpan]:
    """Return the boots that `journalctl --list-boots` lists, as JSON or in its older form of lines."""
    try:
        return [_boot_of_json(entry) for entry in json.loads(text)]
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return [boot for boot in map(_boot_of_line, text.splitlines()) if boot is not None]


def _boot_of_json(entry: Any) -> BootSpan:
    return BootSpan(
        boot_id=str(entry["boot_id"]).replace("-", ""),
        first_utc_s=int(entry["first_entry"]) / 1e6,
        last_utc_s=int(entry["last_entry"]) / 1e6,
    )


_MOMENT = r"\w{3} (\d{4}-\d\d-\d\d \d\d:\d\d:\d\d) UTC"
_BOOT_LINE = re.compile(rf"^\s*-?\d+ ([0-9a-f]{{32}}) {_MOMENT}\s*[—–-]?\s*{_MOMENT}")


def _boot_of_line(line: str) -> BootSpan | None:
    found = _BOOT_LINE.match(line)
    if found is None:
        return None
    first, last = (datetime.fromisoformat(f"{found[i]}+00:00").timestamp() for i in (2, 3))
    return BootSpan(boot_id=found[1], first_utc_s=first, last_utc_s=last)


def with_end(boot: BootSpan, last_lines: str) -> BootSpan:
    """Return the boot with how it ended, read from its last lines (JSON, one a line)."""
    entries = list(_json_lines(last_lines))
    if not entries:
        return boot
    messages = [_message(entry) for entry in entries]
    orderly = any(entry.get("MESSAGE_ID") == _JOURNAL_STOPPED_ID for entry in entries) or any(
        _ORDERLY.search(message) for message in messages
    )
    asleep = not orderly and any(_ASLEEP.search(message) for message in messages[-3:])
    return BootSpan(
        boot_id=boot.boot_id,
        first_utc_s=boot.first_utc_s,
        last_utc_s=boot.last_utc_s,
        orderly=orderly,
        asleep=asleep,
    )


def lines_of_json(text: str) -> Iterator[KernelLine]:
    """Yield the lines of `journalctl -o json`."""
    for entry in _json_lines(text):
        stamp = entry.get("__REALTIME_TIMESTAMP")
        utc_s = int(stamp) / 1e6 if isinstance(stamp, str) and stamp.isdigit() else None
        yield KernelLine(utc_s, _message(entry))


def _json_lines(text: str) -> Iterator[dict[str, Any]]:
    for line in text.splitlines():
        try:
            entry = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(entry, dict):
            yield entry


def _message(entry: dict[str, Any]) -> str:
    """Return a message; the journal gives one that is no UTF-8 as a list of bytes."""
    message = entry.get("MESSAGE")
    if isinstance(message, list):
        return bytes(b for b in message if isinstance(b, int) and 0 <= b < 256).decode("utf-8", "replace")
    return message if isinstance(message, str) else ""
