"""`verifyrig history`: what the system itself remembers of its last shut-downs."""

from __future__ import annotations

import argparse
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.core.plain_text import plain_lines

if TYPE_CHECKING:
    from verifyrig.commands.contract import HistoryObject, HistoryRow
    from verifyrig.system.history.memory import SystemMemory

_SHOWN = 40
_ON_STICK = (
    "this is the stick's own system; what the machine's system remembers lies on its disk, which the stick does not "
    "touch: save its log there, or name the mounted disk with --root on another computer"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `history`."""
    parser.add_argument(
        "files",
        nargs="*",
        metavar="FILE",
        help="saved logs: Windows System log as XML, CSV or JSON, Linux kernel log as text (else: this system)",
    )
    parser.add_argument("--root", metavar="DIR", help="the folder of another Linux system, such as a mounted disk")


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Tell, newest first, how sessions ended; of a log no more is shown than time, id and code."""
    from verifyrig.core.errors import UsageError
    from verifyrig.system.history.memory import SystemMemory, newest_first, read_log_file, remember
    from verifyrig.system.history.words import meaning_of, speaks_for
    from verifyrig.system.machine import resolve_root

    if args.files and args.root:
        raise UsageError("both a folder and files are named", where="--root", mend="Name one of the two.")
    if args.files:
        found = [entry for name in args.files for entry in read_log_file(Path(name))]
        memory = SystemMemory(entries=newest_first(found))
    elif args.root:
        memory = remember(resolve_root(Path(args.root)).path)
    else:
        memory = _of_this_system(remember())
    rows: list[HistoryRow] = [
        {
            "time": time_text(entry.utc_s),
            "id": entry.id,
            "code": entry.code,
            "words": str(meaning_of(entry)),
            "speaks_for": speaks_for(entry).value,
        }
        for entry in memory.entries
    ]
    data: HistoryObject = {"history": rows, "notes": list(memory.notes)}
    return Answer(data=data, text=plain_lines(_lines(memory)))


def _of_this_system(memory: SystemMemory) -> SystemMemory:
    """Return what a system remembers; of the bench stick only what the hardware told it, not its own start."""
    from verifyrig.system.stick import this_stick

    if this_stick() is None:
        return memory
    told = tuple(entry for entry in memory.entries if entry.id not in ("boot", "end-orderly", "end-abrupt"))
    return replace(memory, entries=told, boots=(), notes=(_ON_STICK,))


def time_text(utc_s: float | None) -> str | None:
    """Return a time as ISO 8601 in UTC; None where there is none."""
    try:
        return None if utc_s is None else datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="seconds")
    except (OverflowError, OSError, ValueError):
        return None


def _lines(memory: SystemMemory) -> list[str]:
    from verifyrig.system.history.words import meaning_of

    lines = []
    for entry in memory.entries[:_SHOWN]:
        when = (time_text(entry.utc_s) or "now, or time unknown").replace("T", " ").replace("+00:00", " UTC")
        lines.append(f"{when:<23}  {meaning_of(entry)}")
    if len(memory.entries) > _SHOWN:
        lines.append(f"... and {len(memory.entries) - _SHOWN} older ones (--json shows all).")
    if not memory.entries:
        lines.append("Nothing was found that says how a session ended.")
    lines += [f"Not read: {note}." for note in memory.notes]
    return lines
