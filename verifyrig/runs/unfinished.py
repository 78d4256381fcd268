"""Interrupted runs are noticed at every start: what became of them is said once and kept beside the record.

This module imports nothing heavy at its top, for every command asks it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import FaultWithRecord, RigError, kept_to
from verifyrig.core.outcome import Outcome
from verifyrig.core.plain_text import plain_line
from verifyrig.core.reason import reason_of_json
from verifyrig.files.foreign_file import FileKind, opened

if TYPE_CHECKING:
    from verifyrig.record import Head
    from verifyrig.record.outcome_of import Ending
    from verifyrig.system.history.entries import LogEntry
    from verifyrig.system.history.memory import SystemMemory

_WAL_VERSION = 2  # byte 18 of an SQLite file that was not closed in order
_BEFORE_S, _AFTER_S = 900.0, 1800.0
_MOST_ENTRIES = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Unfinished:
    """An interrupted run.

    Attributes:
        kind: Class of the contract: power-off, killed, hang, ...
        why: Reasons, as clauses.
        made_of_it: The post-mortem, one sentence; empty where there is nothing to say.
    """

    run: str
    record: Path
    job: str | None
    kind: str
    why: tuple[str, ...]
    made_of_it: str = ""

    @property
    def sentence(self) -> str:
        """One sentence for a person."""
        of_job = f" of job {self.job}" if self.job else ""
        why = f" ({'; '.join(self.why)})" if self.why else ""
        made_of_it = f" {self.made_of_it}" if self.made_of_it else ""
        more = f"`verifyrig inspect {self.record.stem}` says more."
        text = f"Run {self.run}{of_job} was interrupted: {self.kind}{why}.{made_of_it} {more}"
        return plain_line(text)


def note_unfinished(bench: Bench) -> list[Unfinished]:
    """Note beside each interrupted run, once, what the system says of it now; return those noted.

    Records that another computer wrote are left to that computer. A record that cannot be read is left to `inspect`.
    """
    paths = [path for path in bench.records() if _is_unclosed(path) and not _is_noted(path)]
    found = []
    for path in paths:
        # This is asked at the start of every command: a fault of ours with one record keeps none of them from its work.
        with contextlib.suppress(FaultWithRecord), kept_to(path):
            found.append(_notice(path))
    return [one for one in found if one is not None]


def _is_unclosed(path: Path) -> bool:
    try:
        with opened(path, FileKind.RECORD) as file:
            head = file.read(19)
    except OSError:
        return False
    return len(head) == 19 and head[18] == _WAL_VERSION


def _is_noted(path: Path) -> bool:
    return path.with_name(f"{path.stem}.after.json").exists()


def _notice(path: Path) -> Unfinished | None:
    from verifyrig.record import read_head
    from verifyrig.record.outcome_of import system_state
    from verifyrig.rig.unrecorded import spare_path

    state = system_state()
    try:
        head = read_head(path, state)
    except RigError:
        return None
    keeper = head.facts.get("keeper")
    if head.sealed or head.recorded.outcome == Outcome.RUNNING:
        return None
    if not isinstance(keeper, dict) or keeper.get("host") != state.host:
        return None
    with contextlib.suppress(OSError):
        spare_path(path).unlink(missing_ok=True)
    ending = _look_closer(path, head, rebooted=keeper.get("boot_id") != state.boot_id)
    if ending is None or ending.outcome != Outcome.INTERRUPTED or ending.cause is None:
        return None
    return Unfinished(
        run=head.run,
        record=path,
        job=head.recorded.job,
        kind=str(ending.cause.get("class")),
        why=tuple(map(str, ending.cause.get("why") or ())),
        made_of_it=_made_of_it(path),
    )


def _made_of_it(path: Path) -> str:
    from verifyrig.runs.end_of_run import post_mortem_of

    try:
        found = post_mortem_of(path)
    except RigError:
        return ""
    return str(found.conclusion) if found is not None else ""


def _look_closer(path: Path, head: Head, *, rebooted: bool) -> Ending | None:
    """Ask the system's logs where it was restarted since, and keep what they say."""
    import time

    from verifyrig.record import read_head
    from verifyrig.record.kernel_beside import entries_beside
    from verifyrig.record.outcome_of import Ending, system_state
    from verifyrig.record.restart_note import Aftermath, write_aftermath
    from verifyrig.system.history.memory import SystemMemory, remember

    memory = remember() if rebooted else SystemMemory()
    if rebooted:
        head = read_head(path, system_state(memory.boots))
    note = Aftermath(
        run=head.run,
        seen_utc_s=time.time(),
        outcome=str(head.facts["outcome"]),
        cause=head.facts["cause"],
        why=tuple(filter(None, map(reason_of_json, head.facts.get("cause_reasons", ())))),
        restarted_utc_s=_restarted_utc_s(memory, head.last_utc_s) if rebooted else None,
        remembered=(*entries_beside(path), *_near(memory, head.last_utc_s))[:_MOST_ENTRIES],
    )
    write_aftermath(path, note)
    return Ending(note.outcome, head.facts["cause"])


def _restarted_utc_s(memory: SystemMemory, last_utc_s: float | None) -> float | None:
    """Return when the system first started after the last sample: by its log, else the present start."""
    if last_utc_s is None:
        return None
    later = [boot.first_utc_s for boot in memory.boots if boot.first_utc_s > last_utc_s]
    if later:
        return min(later)
    import psutil

    started_s = psutil.boot_time()
    return started_s if started_s > last_utc_s else None


def _near(memory: SystemMemory, last_utc_s: float | None) -> Sequence[LogEntry]:
    if last_utc_s is None:
        return ()
    return memory.between(last_utc_s - _BEFORE_S, last_utc_s + _AFTER_S)
