"""A record read back as a trace, whether it is sealed, was interrupted, or is being written now."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from verifyrig.core.errors import ProfileError
from verifyrig.core.outcome import CauseClass, Outcome, StageEnd
from verifyrig.core.profile import Profile, StageKind
from verifyrig.core.reason import reason
from verifyrig.core.recorded import Recorded, recorded
from verifyrig.core.trace import Event, FloatArray, QualityInterval, StageSpan, Trace
from verifyrig.record.outcome_of import Ending, SystemState, ending_of, system_state
from verifyrig.record.restart_note import read_aftermath
from verifyrig.record.sample_rows import sample_rows
from verifyrig.record.schema import opened, sample_channels, wal_path
from verifyrig.record.seal import RECORD_PART
from verifyrig.record.shape import (
    LARGEST_VALUE,
    check_event,
    check_quality,
    check_stage,
    is_time_s,
    is_utc_s,
    read_json,
    sound_facts,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """What a record says without its samples.

    Attributes:
        facts: Table `run`, with `outcome` and `cause` also where the record was interrupted.
        samples: Number of samples.
        last_t_s, last_utc_s: When the last one was taken, or None.
        misfit: Which fact is of a kind that it never was, in words, and is left out of `facts`; empty where none is.
    """

    run: str
    facts: dict[str, Any]
    sealed: bool
    samples: int
    last_t_s: float | None
    last_utc_s: float | None
    misfit: str = ""

    @property
    def recorded(self) -> Recorded:
        """The facts, typed."""
        return recorded(self.facts)


def read_trace(path: Path, state: SystemState | None = None) -> Trace:
    """Return the whole run; of an interrupted one, what was committed, with how it ended in its facts.

    Args:
        state: What this computer knows of itself, where an interrupted record is judged; asked for if left out.

    Raises:
        RecordError: The file is missing, is no record, or is damaged.
    """
    with opened(path) as connection:
        connection.execute("BEGIN")  # one moment of a record that is still being written
        return trace_of(connection, path, _sound_head(connection, path, state))


def trace_of(connection: sqlite3.Connection, path: Path, head: Head) -> Trace:
    """Return the whole run of an open record whose head is sound."""
    t_s, utc_s, columns = _samples(connection, path)
    last_s = float(t_s[-1]) if len(t_s) else 0.0
    stages = tuple(_stages(connection))
    return Trace(
        run_id=head.run,
        facts=head.facts,
        profile=_profile(head.facts.get("profile_text"), path),
        stages=stages if head.facts["outcome"] == Outcome.RUNNING else tuple(_broken(s, last_s) for s in stages),
        t_s=t_s,
        utc_s=utc_s,
        columns=columns,
        qualities=tuple(_qualities(connection, last_s)),
        events=tuple(_events(connection)),
    )


def read_head(path: Path, state: SystemState | None = None) -> Head:
    """Return what a record says without its samples; arguments and errors as `read_trace`."""
    with opened(path) as connection:
        return _sound_head(connection, path, state)


def _sound_head(connection: sqlite3.Connection, path: Path, state: SystemState | None) -> Head:
    head = head_of(connection, path, state)
    if head.misfit:
        raise sqlite3.DatabaseError(head.misfit)
    return head


def check_rows(connection: sqlite3.Connection) -> None:
    """Raise `sqlite3.DatabaseError` where a stage, an interval of quality or an event is none that was ever written."""
    for _ in (*_stages(connection), *_qualities(connection, 0.0), *_events(connection)):
        pass


def head_of(connection: sqlite3.Connection, path: Path, state: SystemState | None = None) -> Head:
    """Return the head of an open record."""
    facts, misfit = sound_facts(facts_of(connection))
    sealed = is_sealed(connection)
    last = connection.execute("SELECT rowid, t_s, utc_s FROM sample ORDER BY rowid DESC LIMIT 1").fetchone()
    samples, last_t_s, last_utc_s = last if last is not None else (0, None, None)
    if last is not None and not (is_time_s(last_t_s) and is_utc_s(last_utc_s)):
        misfit, last_t_s, last_utc_s = misfit or "the last sample has no time that can be", None, None
    ending = _ending(facts, path, sealed, last_utc_s, state)
    facts |= {"outcome": ending.outcome, "cause": ending.cause}
    if ending.why and ending.outcome == Outcome.INTERRUPTED:
        facts["cause_reasons"] = [why.as_json() for why in ending.why]
    elif ending.why:
        facts["stopped_because"] = list(map(str, ending.why))
        facts["stopped_reasons"] = [why.as_json() for why in ending.why]
    if ending.trip is not None:
        facts["trip"] = ending.trip
    return Head(
        run=facts.get("run") or path.stem,
        facts=facts,
        sealed=sealed,
        samples=samples,
        last_t_s=last_t_s,
        last_utc_s=last_utc_s,
        misfit=misfit,
    )


def _ending(
    facts: dict[str, Any], path: Path, sealed: bool, last_utc_s: float | None, state: SystemState | None
) -> Ending:
    """Return how the run ended: as the record says, else as was noted at the first start after it was interrupted."""
    said = facts.get("outcome") not in (None, Outcome.RUNNING) or facts.get("went_dark")
    noted = None if sealed or said else read_aftermath(path)
    if noted is not None:
        return Ending(noted.outcome, noted.cause, noted.why, noted.trip)
    ending = ending_of(facts, sealed=sealed, last_sample_utc_s=last_utc_s, state=state or system_state())
    if ending.outcome == Outcome.RUNNING and not wal_path(path).exists():
        # Whoever writes a record has its log beside it: this is a copy of one that was being written.
        why = (reason("copy-without-log"),)
        return Ending(Outcome.INTERRUPTED, {"class": CauseClass.UNKNOWN, "why": list(map(str, why))}, why)
    return ending


def _broken(stage: StageSpan, last_s: float) -> StageSpan:
    if stage.end_s is not None:
        return stage
    return replace(stage, end_s=max(last_s, stage.start_s), ended=StageEnd.INTERRUPTED)


def facts_of(connection: sqlite3.Connection) -> dict[str, Any]:
    """Return the table `run` with its values decoded."""
    rows = connection.execute("SELECT key, value FROM run ORDER BY rowid")
    return {str(key): read_json(value, f"the fact {str(key)[:40]!r}") for key, value in rows}


def is_sealed(connection: sqlite3.Connection) -> bool:
    """Return whether the record was closed and sealed."""
    return connection.execute("SELECT 1 FROM seal WHERE part = ?", (RECORD_PART,)).fetchone() is not None


def _samples(connection: sqlite3.Connection, path: Path) -> tuple[FloatArray, FloatArray, dict[str, FloatArray]]:
    channels = sample_channels(connection)
    n = connection.execute("SELECT count(*) FROM sample").fetchone()[0]
    table = np.empty((len(channels) + 2, n))
    done = 0
    for rows in sample_rows(connection, path, len(channels) + 2):
        if done + len(rows.ids) > n:
            break
        table[:, done : done + len(rows.ids)] = rows.values.T
        done += len(rows.ids)
    if done != n:
        raise sqlite3.DatabaseError("the samples and their count disagree")
    _check_times(table[0], table[1])
    values = table[2:]
    values[~(np.abs(values) <= LARGEST_VALUE)] = np.nan  # what no instrument gives is no reading
    return table[0], table[1], dict(zip(channels, values, strict=True))


def _check_times(t_s: FloatArray, utc_s: FloatArray) -> None:
    if len(t_s) and not (
        is_time_s(t_s.min()) and is_time_s(t_s.max()) and is_utc_s(utc_s.min()) and is_utc_s(utc_s.max())
    ):
        raise sqlite3.DatabaseError("a sample has no time that can be")


def _stages(connection: sqlite3.Connection) -> Iterator[StageSpan]:
    names: set[str] = set()
    last_start_s = -math.inf
    for row in connection.execute("SELECT * FROM stage ORDER BY rowid"):
        check_stage(row, names, last_start_s)
        name, kind, start_s, end_s, ended = row
        names.add(name)
        last_start_s = start_s
        yield StageSpan(
            name=name,
            kind=StageKind(kind),
            start_s=start_s,
            end_s=end_s,
            ended=None if ended is None else StageEnd(ended),
        )


def _qualities(connection: sqlite3.Connection, last_s: float) -> Iterator[QualityInterval]:
    for row in connection.execute("SELECT * FROM reading_quality ORDER BY rowid"):
        check_quality(row)
        channel, from_s, to_s, quality, note = row
        end_s = last_s if to_s is None else to_s
        yield QualityInterval(channel=channel, from_s=from_s, to_s=end_s, quality=quality, note=note)


def _events(connection: sqlite3.Connection) -> Iterator[Event]:
    for t_s, kind, text in connection.execute("SELECT * FROM event ORDER BY rowid"):
        detail = read_json(text, "the detail of an event")
        check_event(t_s, kind, detail)
        yield Event(t_s=t_s, kind=kind, detail=detail)


def _profile(text: Any, path: Path) -> Profile | None:
    """Return the stored profile; None where there is none, or one that this version cannot read."""
    if not isinstance(text, str):
        return None
    from verifyrig.plan.text import parse_profile

    try:
        return parse_profile(text, origin=f"the profile in {path.name}", recorded=True)
    except ProfileError:
        return None
