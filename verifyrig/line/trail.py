"""The trail of a line: an append-only file in which each entry carries the digest of the one before.

    {"seq": 1, "at": "2026-03-01T08:00:00+00:00", "by": "...", "kind": "hold", "data": {...}, "before": "",
     "digest": "..."}

`digest` is SHA-256 over the entry's JSON without it, keys in order. Whoever changes, takes out or moves an entry breaks
the chain from there on. That its end was cut off shows only against a digest that was kept elsewhere: `line show`
prints the last one.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import IO, Any

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import BenchError, ExitCode
from verifyrig.files.foreign_file import FileKind, read_bytes
from verifyrig.files.shared_folder import locked_by_rename

__all__ = ["TrailAltered", "TrailEntry", "TrailKind", "append_entries", "read_trail", "trail_path"]

_KEYS = frozenset(("seq", "at", "by", "kind", "data", "before", "digest"))


class TrailKind(StrEnum):
    """What an entry tells of."""

    ORDER = "order"
    HOLD = "hold"
    RELEASE = "release"
    LIMITS = "limits"
    PARTS = "parts"


class TrailAltered(BenchError):
    """The trail is not as it was written."""

    exit_code = ExitCode.FAILED


@dataclass(frozen=True, slots=True, kw_only=True)
class TrailEntry:
    """One entry; `at` is ISO in UTC, `by` who, `data` by kind."""

    seq: int
    at: str
    by: str
    kind: TrailKind
    data: Mapping[str, Any]
    digest: str


def trail_path(bench: Bench) -> Path:
    """Return where the trail of a bench folder lies."""
    return bench.root / "line" / "trail.jsonl"


def read_trail(bench: Bench) -> list[TrailEntry]:
    """Return all entries, none where there is no trail.

    A last line without its end was never acknowledged (the program died in writing it) and does not count.

    Raises:
        TrailAltered: An entry is not what was written, or is missing.
        BenchError: The file cannot be read.
    """
    path = trail_path(bench)
    try:
        data = read_bytes(path, FileKind.LOG)
    except FileNotFoundError:
        return []
    except OSError as error:
        raise BenchError(
            f"the trail cannot be read ({error.strerror or error})", where=str(path), mend="Check its rights."
        ) from error
    entries: list[TrailEntry] = []
    for number, line in enumerate(data.split(b"\n")[:-1], start=1):
        entries.append(_entry(line, number, entries[-1].digest if entries else "", path))
    return entries


def _entry(line: bytes, number: int, before: str, path: Path) -> TrailEntry:
    try:
        held = json.loads(line)
        sound = isinstance(held, dict) and held.keys() == _KEYS and isinstance(held["data"], dict)
        if sound and (held["seq"], held["before"], held["digest"]) == (number, before, _digest(held)):
            kind = TrailKind(held["kind"])
            return TrailEntry(
                seq=number, at=str(held["at"]), by=str(held["by"]), kind=kind, data=held["data"], digest=held["digest"]
            )
    except (ValueError, RecursionError):
        pass
    raise TrailAltered(
        "this entry, or one before it, is not as it was written",
        where=f"{path}, line {number}",
        mend="Compare it with a copy; nothing of the trail is believed from here on.",
    )


def _digest(held: Mapping[str, Any]) -> str:
    own = {key: value for key, value in held.items() if key != "digest"}
    text = json.dumps(own, sort_keys=True, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def append_entries(bench: Bench, by: str, told: list[tuple[TrailKind, Mapping[str, Any]]]) -> list[TrailEntry]:
    """Append entries, all or none, on the medium when this returns; raise as `read_trail`."""
    path = trail_path(bench)
    at = datetime.now(UTC).isoformat(timespec="seconds")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with _locked(bench, path) as file:
            entries = read_trail(bench)
            new: list[TrailEntry] = []
            lines = b""
            for kind, data in told:
                seq, before = len(entries) + len(new) + 1, (entries + new)[-1].digest if entries or new else ""
                held = {"seq": seq, "at": at, "by": by, "kind": kind, "data": dict(data), "before": before}
                line = json.dumps({**held, "digest": _digest(held)}, ensure_ascii=True, allow_nan=False).encode("ascii")
                lines += line + b"\n"
                new.append(_entry(line, seq, before, path))
            _end_whole(file)
            file.write(lines)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise BenchError(
            f"the trail cannot be written ({error.strerror or error})",
            where=str(path),
            mend="Check the folder's rights and the space on the disk.",
        ) from error
    return new


def _end_whole(file: IO[bytes]) -> None:
    """Go to the end, and take off half a line that a dying program left there."""
    data = file.read()
    file.truncate(data.rfind(b"\n") + 1)
    file.seek(0, os.SEEK_END)


@contextlib.contextmanager
def _locked(bench: Bench, path: Path) -> Iterator[IO[bytes]]:
    """Yield the file, open for reading and writing, for oneself among all programs that write to it."""
    path.touch(mode=0o644, exist_ok=True)
    if bench.is_shared:
        with locked_by_rename(path.parent), path.open("r+b") as file:
            yield file
        return
    with path.open("r+b") as file:
        with contextlib.suppress(ImportError):
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX)
        yield file
