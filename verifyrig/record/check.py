"""Is a record whole, sealed, unaltered: everything in it is checked against the digests that it carries.

`integrity_of` is what every reader asks; `check_record` gives `inspect` the details.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from verifyrig.core.contract import CauseObject
from verifyrig.core.errors import RecordError
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import Outcome
from verifyrig.core.trace import Trace
from verifyrig.record.altered_row import Alteration
from verifyrig.record.content_check import check_content
from verifyrig.record.outcome_of import SystemState
from verifyrig.record.reader import Head, check_rows, head_of, read_trace, trace_of
from verifyrig.record.schema import (
    APPLICATION_ID,
    SCHEMA_VERSION,
    SMALL_TABLES,
    DamagedRecord,
    opened,
    wal_path,
    was_closed,
)
from verifyrig.record.signature import CheckedSignature, SignatureState, check_signatures
from verifyrig.record.stamp import Stamp, read_stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordCheck:
    """What a check found.

    Attributes:
        whole: Everything that was committed is there and can be read.
        sealed: The record was closed in order.
        digest: Of all that is there now, as a report prints it; None where the content cannot be read.
        damage: What is wrong with the file as a file; empty where nothing is.
        notes: What else a person should know.
        signatures: Those that lie beside it, each checked against what it holds now.
    """

    run: str
    whole: bool
    sealed: bool
    altered: Alteration | None
    digest: str | None
    outcome: str | None = None
    cause: CauseObject | None = None
    stopped: tuple[str, ...] = ()
    last_sample_s: float | None = None
    largest_lag_s: float | None = None
    samples: int = 0
    damage: str = ""
    notes: tuple[str, ...] = ()
    signatures: tuple[CheckedSignature, ...] = ()

    @property
    def integrity(self) -> Integrity:
        """What the record is good for."""
        if self.altered is not None:
            return Integrity.ALTERED
        if self.damage:
            return Integrity.DAMAGED
        if self.sealed:
            return Integrity.SEALED
        return Integrity.RECORDING if self.outcome == Outcome.RUNNING else Integrity.UNSEALED

    @property
    def fault(self) -> str:
        """What is wrong with it, a clause; empty where nothing is broken."""
        return self.altered.what if self.altered is not None else self.damage


def integrity_of(path: Path) -> tuple[Integrity, str]:
    """Return what a record is good for, and what is wrong with it, as a clause.

    A record that cannot be judged at all (gone, unreadable, of a newer version) counts as damaged: whatever it shows,
    nothing may rest on it here.
    """
    try:
        check = check_record(path)
    except RecordError as error:
        return Integrity.DAMAGED, error.what
    return check.integrity, check.fault


def check_record(path: Path, state: SystemState | None = None) -> RecordCheck:
    """Return whether the record is whole, sealed and unaltered, and how its run ended.

    Raises:
        RecordError: There is no such file, it may not be read, or a newer version wrote it. A damaged file is a result.
    """
    return _checked(path, state, lambda _connection, _head: None)


def read_checked(path: Path) -> tuple[Trace, RecordCheck]:
    """Return the whole run and what its seals say, from one look at the file.

    Raises:
        RecordError: As `read_trace`; the run of a damaged record cannot be read.
    """
    held: list[Trace] = []

    def read(connection: sqlite3.Connection, head: Head) -> None:
        if not head.misfit:
            held.append(trace_of(connection, path, head))

    check = _checked(path, None, read)
    return (held[0] if held else read_trace(path)), check


def _checked(path: Path, state: SystemState | None, also: Callable[[sqlite3.Connection, Head], None]) -> RecordCheck:
    if not path.is_file():
        raise RecordError("no such record", where=str(path), mend="`verifyrig runs` lists records.")
    try:
        log_missing = not was_closed(path) and not wal_path(path).exists()
        stamped = read_stamp(path)
        with opened(path) as connection:
            connection.execute("BEGIN")
            mark = _check_version(connection, path)
            if stamped is not Stamp.FITS:
                _check_structure(connection)
            head = head_of(connection, path, state)
            also(connection, head)
            found = check_content(connection, path, head.sealed)
            found = found._replace(altered=found.altered or mark)
            if found.altered is None:
                _check_kinds(connection, head)
    except DamagedRecord as error:
        return RecordCheck(run=path.stem, whole=False, sealed=False, altered=None, digest=None, damage=error.what)
    signatures, broken = _signatures(path, head, found.digest)
    found = found._replace(altered=found.altered or broken)
    lag_s = head.facts.get("largest_lag_s")
    log_missing = log_missing and not head.sealed
    idle_bytes = stamped is Stamp.DIFFERS and found.altered is None
    return RecordCheck(
        run=head.run,
        whole=found.altered is None and not log_missing and not idle_bytes,
        sealed=head.sealed,
        altered=found.altered,
        digest=found.digest,
        outcome=head.facts["outcome"],
        cause=head.facts["cause"],
        stopped=tuple(head.facts.get("stopped_because") or ()),
        last_sample_s=head.last_t_s,
        largest_lag_s=float(lag_s) if isinstance(lag_s, (int, float)) else None,
        samples=head.samples,
        damage=_IDLE_BYTES if idle_bytes else "",
        notes=(_LOG_MISSING,) if log_missing else (),
        signatures=signatures,
    )


def _signatures(path: Path, head: Head, digest: str) -> tuple[tuple[CheckedSignature, ...], Alteration | None]:
    """Return the record's signatures, and what is wrong where one does not fit: who recomputes digests has no key."""
    try:
        checked = check_signatures(path, run=head.run, digest=digest)
    except RecordError as error:
        return (), Alteration(None, error.what)
    broken = next((one for one in checked if one.state is SignatureState.BROKEN), None)
    if broken is None:
        return checked, None
    return checked, Alteration(None, f"the signature by key {broken.signature.fingerprint} does not fit the content")


_IDLE_BYTES = (
    "bytes outside the content were changed since the record was sealed, as a failing medium does; "
    "the content itself still fits its digest"
)
_LOG_MISSING = (
    "no -wal file lies beside this record, which was never closed: unless another program took it in, "
    "the last samples were left behind when the file was copied"
)


def _check_version(connection: sqlite3.Connection, path: Path) -> Alteration | None:
    """Return what is wrong with the file's own marks; a file without the tables of a record is none of ours.

    The marks lie outside the content and its digest. Were they taken for the whole answer, a change of one of them
    would hide a change of the content.
    """
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version > SCHEMA_VERSION:
        raise RecordError(
            f"it has schema version {version}, this program knows up to {SCHEMA_VERSION}",
            where=str(path),
            mend="Use a newer verifyrig.",
        )
    if application == APPLICATION_ID and version >= 1:
        return None
    names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not {"sample", "seal", *SMALL_TABLES} <= names:
        raise sqlite3.DatabaseError("its mark says that it is no record")
    return Alteration(None, "the file's mark as a record was altered")


def _check_structure(connection: sqlite3.Connection) -> None:
    answer = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if answer != "ok":
        raise sqlite3.DatabaseError(answer)


def _check_kinds(connection: sqlite3.Connection, head: Head) -> None:
    """Raise `sqlite3.DatabaseError` where the record fits its digests, but holds what this program never writes."""
    if head.misfit:
        raise sqlite3.DatabaseError(head.misfit)
    check_rows(connection)
