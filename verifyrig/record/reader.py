"""A record read back as a trace, whether it is sealed, broke off, or is being written now."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from verifyrig.errors import ProfileError
from verifyrig.profile import Profile
from verifyrig.record.schema import opened, sample_channels
from verifyrig.seal import RECORD_PART
from verifyrig.trace import Event, FloatArray, QualityInterval, StageSpan, Trace

_ROWS_AT_ONCE = 4096


def read_trace(path: Path) -> Trace:
    """Return the whole run; of one that broke off, what was committed, with how it ended told in its facts.

    Raises:
        RecordError: The file is missing, is no record, or is damaged.
    """
    with opened(path) as connection:
        connection.execute("BEGIN")
        facts = facts_of(connection)
        t_s, utc_s, columns = _samples(connection)
        last_s = float(t_s[-1]) if len(t_s) else 0.0
        return Trace(
            run_id=str(facts.get("run") or path.stem),
            facts=facts,
            profile=_profile(facts.get("profile_text"), path),
            stages=tuple(_stages(connection)),
            t_s=t_s,
            utc_s=utc_s,
            columns=columns,
            qualities=tuple(_qualities(connection, last_s)),
            events=tuple(_events(connection)),
        )


def read_facts(path: Path) -> dict[str, Any]:
    """Return the facts of a run without its samples."""
    with opened(path) as connection:
        return facts_of(connection)


def facts_of(connection: sqlite3.Connection) -> dict[str, Any]:
    """Return the table `run` with its values decoded."""
    return {key: json.loads(value) for key, value in connection.execute("SELECT key, value FROM run ORDER BY rowid")}


def is_sealed(connection: sqlite3.Connection) -> bool:
    """Return whether the record was closed and sealed."""
    return connection.execute("SELECT 1 FROM seal WHERE part = ?", (RECORD_PART,)).fetchone() is not None


def _samples(connection: sqlite3.Connection) -> tuple[FloatArray, FloatArray, dict[str, FloatArray]]:
    channels = sample_channels(connection)
    n = connection.execute("SELECT count(*) FROM sample").fetchone()[0]
    table = np.empty((len(channels) + 2, n))
    done = 0
    cursor = connection.execute("SELECT * FROM sample ORDER BY rowid")
    while rows := cursor.fetchmany(_ROWS_AT_ONCE):
        table[:, done : done + len(rows)] = np.array(rows, dtype=np.float64).T
        done += len(rows)
    return table[0], table[1], dict(zip(channels, table[2:], strict=True))


def _stages(connection: sqlite3.Connection) -> Iterator[StageSpan]:
    for name, kind, start_s, end_s, ended in connection.execute("SELECT * FROM stage ORDER BY rowid"):
        yield StageSpan(name=name, kind=kind, start_s=start_s, end_s=end_s, ended=ended)


def _qualities(connection: sqlite3.Connection, last_s: float) -> Iterator[QualityInterval]:
    for channel, from_s, to_s, quality, note in connection.execute("SELECT * FROM reading_quality ORDER BY rowid"):
        end_s = last_s if to_s is None else to_s
        yield QualityInterval(channel=channel, from_s=from_s, to_s=end_s, quality=quality, note=note)


def _events(connection: sqlite3.Connection) -> Iterator[Event]:
    for t_s, kind, detail in connection.execute("SELECT * FROM event ORDER BY rowid"):
        yield Event(t_s=t_s, kind=kind, detail=json.loads(detail))


def _profile(text: Any, path: Path) -> Profile | None:
    """Return the stored profile; None where there is none, or one that this version cannot read."""
    if not isinstance(text, str):
        return None
    from verifyrig.profile_text import parse_profile

    try:
        return parse_profile(text, origin=f"the profile in {path.name}")
    except ProfileError:
        return None
