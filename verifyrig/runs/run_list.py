"""The runs of a bench, each with how it ended and its verdict; verdicts are kept in an index that can be rebuilt."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from verifyrig import __version__
from verifyrig.bench.folder import Bench
from verifyrig.core.contract import CauseObject
from verifyrig.core.errors import FaultWithRecord, RigError, kept_to
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.metrology.verdict import Verdict
from verifyrig.record import Head, read_head, read_trace
from verifyrig.record.schema import wal_path
from verifyrig.runs.contract import Noted, RunRow
from verifyrig.runs.index_file import INDEX_NAME, connect_index

_TABLES = (
    "CREATE TABLE IF NOT EXISTS listed (path TEXT PRIMARY KEY, tool TEXT NOT NULL, state TEXT NOT NULL, "
    "row TEXT NOT NULL) WITHOUT ROWID",
)
_ROW_KEYS = frozenset(
    ("run", "job", "unit", "profile", "purpose", "outcome", "cause", "started", "verdict", "simulated")
)
_LOG_MISSING = "no -wal file lies beside it: samples may be missing"


def list_runs(bench: Bench, job: str | None = None) -> list[RunRow]:
    """Return the contract's row for each record of the bench, or of one job, oldest first; a damaged one too."""
    paths = bench.records(job)
    if not paths and not (bench.root / INDEX_NAME).exists():
        return []  # nothing is left behind in a folder that is no bench
    with contextlib.closing(connect_index(bench.root / INDEX_NAME, _TABLES)) as connection:
        return _listed(bench, job, paths, connection)


def _listed(bench: Bench, job: str | None, paths: Sequence[Path], connection: sqlite3.Connection) -> list[RunRow]:
    index = _kept_rows(connection)
    rows: list[RunRow] = []
    kept = {} if job is None else {key: known for key, known in index.items() if not key.startswith(f"jobs/{job}/")}
    for path in paths:
        key = path.relative_to(bench.root).as_posix()
        state = _state_of(path)
        known = index.get(key)
        row: RunRow | None = known["row"] if known is not None and known["state"] == state else None
        row = {**row, "record": str(path)} if row is not None else _row(path)
        rows.append(row)
        if row["outcome"] != Outcome.RUNNING and "damage" not in row:
            kept[key] = {"state": state, "row": row}
    if kept != index:
        _keep_rows(connection, index, kept)
    return rows


def _row(path: Path) -> RunRow:
    from verifyrig.record.check import integrity_of
    from verifyrig.runs.summary import summary_of

    integrity, fault = integrity_of(path)
    try:
        head = read_head(path)
        with kept_to(path):
            summary = summary_of(read_trace(path), str(path), integrity=integrity)
    except FaultWithRecord as error:
        return _row_without_figures(path, head, integrity, error)
    except RigError as error:
        return _damaged_row(path, error)
    return {
        "run": head.run,
        "record": str(path),
        "job": job_of(path) or summary["job"],
        "unit": summary["unit"],
        "profile": summary["profile"] or head.recorded.profile_name,
        "purpose": summary["purpose"],
        "outcome": summary["outcome"],
        "cause": summary["cause"],
        "started": started_text(head),
        "verdict": summary["verdict"],
        "simulated": summary["simulated"],
        "sealed": head.sealed,
        "integrity": integrity,
        **_note(path, head, integrity, fault),
    }


def _note(path: Path, head: Head, integrity: Integrity, fault: str) -> Noted:
    if integrity.is_broken:
        return {"note": f"{integrity.upper()}: {fault}"}
    if not head.sealed and head.recorded.stopped_because:
        return {"note": "; ".join(head.recorded.stopped_because)}
    return {} if head.sealed or wal_path(path).exists() else {"note": _LOG_MISSING}


def job_of(path: Path) -> str | None:
    """Return the job that a record lies under, by its folder; a collected job may have got another id here."""
    folder = path.parent.parent
    return folder.name if folder.parent.name == "jobs" else None


def _row_without_figures(path: Path, head: Head, integrity: Integrity, error: RigError) -> RunRow:
    """Return what a whole record says of itself where its figures cannot be computed."""
    facts = head.recorded
    return {
        "run": head.run,
        "record": str(path),
        "job": job_of(path) or facts.job,
        "unit": facts.unit,
        "profile": facts.profile_name,
        "purpose": facts.purpose,
        "outcome": facts.outcome or Outcome.INTERRUPTED,
        "cause": facts.cause,
        "started": started_text(head),
        "verdict": Verdict.NOT_MEASURED,
        "simulated": facts.simulated,
        "sealed": head.sealed,
        "integrity": integrity,
        "note": error.what,
    }


def _damaged_row(path: Path, error: RigError) -> RunRow:
    cause: CauseObject = {"class": CauseClass.UNKNOWN, "why": [error.what]}
    return {
        "run": path.stem,
        "record": str(path),
        "job": None,
        "unit": None,
        "profile": None,
        "purpose": None,
        "started": None,
        "outcome": Outcome.INTERRUPTED,
        "cause": cause,
        "verdict": Verdict.NOT_MEASURED,
        "simulated": False,
        "sealed": False,
        "integrity": Integrity.DAMAGED,
        "damage": error.what,
    }


def started_text(head: Head) -> str | None:
    """Return when the run began, as ISO 8601 in UTC; None where the record does not say."""
    facts = head.recorded
    utc_s = facts.started_utc_s
    if utc_s is None:
        if head.last_utc_s is None or head.last_t_s is None or not facts.utc_known:
            return None
        utc_s = head.last_utc_s - head.last_t_s
    try:
        return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="seconds")
    except (OverflowError, OSError, ValueError):
        return None


def _state_of(path: Path) -> list[int]:
    """Return what changes whenever a record, its log, or the note of its end does."""
    found = []
    for name in (path.name, path.name + "-wal", f"{path.stem}.after.json"):
        try:
            stat = path.with_name(name).stat()
            found += [stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns]
        except OSError:
            found += [0, 0, 0]
    return found


def _judged_by() -> str:
    """Return what made a kept verdict: another program or analysis may judge otherwise."""
    from verifyrig.analysis import ANALYSIS_VERSION

    return f"{__version__}, analysis {ANALYSIS_VERSION}"


def _kept_rows(connection: sqlite3.Connection) -> dict[str, Any]:
    """Return what this version of program and analysis kept: {path below the bench: {"state", "row"}}."""
    found = {}
    with contextlib.suppress(sqlite3.Error):
        query = "SELECT path, state, row FROM listed WHERE tool = ?"
        for path, state, row in connection.execute(query, (_judged_by(),)):
            with contextlib.suppress(ValueError, TypeError, AttributeError, RecursionError):
                known = {"state": json.loads(state), "row": json.loads(row)}
                if known["row"].keys() >= _ROW_KEYS:
                    found[path] = known
    return found


def _keep_rows(connection: sqlite3.Connection, before: dict[str, Any], now: dict[str, Any]) -> None:
    """Keep the rows; where they cannot be kept they are simply read anew each time."""
    gone = [(path,) for path in before.keys() - now.keys()]
    tool = _judged_by()
    changed = [
        (path, tool, json.dumps(known["state"]), json.dumps(known["row"], ensure_ascii=False))
        for path, known in now.items()
        if before.get(path) != known
    ]
    with contextlib.suppress(sqlite3.Error), connection:
        connection.executemany("DELETE FROM listed WHERE path = ?", gone)
        connection.executemany("INSERT OR REPLACE INTO listed VALUES (?, ?, ?, ?)", changed)
