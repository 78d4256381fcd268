"""Is a record whole, sealed, unaltered: everything in it is checked against the digests that it carries.

`integrity_of` is what every reader asks; `check_record` gives `inspect` the details.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np

from verifyrig.core.contract import CauseObject
from verifyrig.core.errors import RecordError
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import Outcome
from verifyrig.core.trace import FloatArray, Trace
from verifyrig.record.outcome_of import SystemState
from verifyrig.record.reader import Head, check_rows, head_of, read_trace, trace_of
from verifyrig.record.sample_rows import sample_rows
from verifyrig.record.schema import (
    APPLICATION_ID,
    SCHEMA_VERSION,
    SMALL_TABLES,
    DamagedRecord,
    opened,
    sample_channels,
    schema_sql,
    wal_path,
    was_closed,
)
from verifyrig.record.seal import (
    BLOCK_ROWS,
    FILE_PART,
    RECORD_PART,
    SAMPLE_PART,
    SampleChain,
    SealRow,
    TableSeal,
    record_digest,
)
from verifyrig.record.signature import CheckedSignature, SignatureState, check_signatures
from verifyrig.record.stamp import Stamp, read_stamp

_MARK_BYTES = 8
_SAME_AGAIN_ROWS = 3  # so many marks must fit after a shift before a row is called missing or inserted


class Alteration(NamedTuple):
    """The first thing that is not as it was written: row of its table, from 1, or None; and what, in words."""

    row: int | None
    what: str


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


class _Found(NamedTuple):
    altered: Alteration | None
    digest: str


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
            found = _check_content(connection, path, head.sealed)
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


def _check_content(connection: sqlite3.Connection, path: Path, sealed: bool) -> _Found:
    channels = sample_channels(connection)
    schema = {row[0]: row[1] for row in connection.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL")}
    stored, odd = _stored_seal(connection)
    chain = SampleChain(channels)
    altered = [odd, _schema_alteration(schema, channels), _sample_alteration(connection, path, chain, stored)]
    tables = [_read_table(connection, name) for name in SMALL_TABLES]
    altered += [_table_alteration(connection, table, stored) for table in tables]
    digest = record_digest(list(schema.values()), chain.digest(), chain.rows, tables)
    altered += [_seal_alteration(stored, {SAMPLE_PART, RECORD_PART, FILE_PART, *SMALL_TABLES})]
    altered += [_record_alteration(stored.get((RECORD_PART, 0)), digest, chain.rows)]
    if not sealed and was_closed(path):
        altered.append(Alteration(None, "the seal was taken off: the file was closed in order, but carries none"))
    return _Found(next((found for found in altered if found is not None), None), digest)


Seal = dict[tuple[str, int], SealRow]


def _stored_seal(connection: sqlite3.Connection) -> tuple[Seal, Alteration | None]:
    """Return the digests as stored, and the first row that is none: no program of ours writes such a row."""
    columns = ", ".join(SealRow._fields)
    rows = [SealRow(*row) for row in connection.execute(f"SELECT {columns} FROM seal ORDER BY rowid")]
    sound = {(row.part, row.block): row for row in rows if _is_digest(row)}
    number = next((n for n, row in enumerate(rows, start=1) if not _is_digest(row)), None)
    odd = None if number is None else Alteration(None, f"seal: row {number} holds something else than a digest")
    return sound, odd


def _is_digest(row: SealRow) -> bool:
    texts = isinstance(row.part, str) and isinstance(row.digest, str)
    numbers = all(isinstance(n, int) for n in (row.block, row.first_row, row.last_row))
    return texts and numbers and isinstance(row.marks, bytes) and not len(row.marks) % _MARK_BYTES


def _schema_alteration(schema: Mapping[str, str], channels: Sequence[str]) -> Alteration | None:
    expected = set(schema_sql(channels))
    odd = [name for name, sql in schema.items() if sql not in expected]
    if odd:
        return Alteration(None, f"schema: {odd[0]} was added or altered")
    return None if len(schema) == len(expected) else Alteration(None, "schema: a table is missing")


# ---- samples ------------------------------------------------------------------------------------------------------


def _sample_alteration(
    connection: sqlite3.Connection, path: Path, chain: SampleChain, stored: Seal
) -> Alteration | None:
    """Take all samples into the chain; return the first that differs."""
    found: Alteration | None = None
    block: list[SealRow] = []
    for ids, values in _whole_blocks(connection, path):
        block = list(chain.extend(values))
        if found is None:
            found = _block_alteration(block, stored, ids)
    if found is None and _last_block(stored, SAMPLE_PART) >= -(-chain.rows // BLOCK_ROWS):
        return Alteration(chain.rows + 1, f"sample {chain.rows + 1} is missing")
    return found


def _whole_blocks(connection: sqlite3.Connection, path: Path) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Yield ids and samples in pieces that end where a block ends, so that each block is seen once, when it is full."""
    columns = len(sample_channels(connection)) + 2
    kept_ids, kept = np.empty(0), np.empty((0, columns))
    for rows in sample_rows(connection, path, columns):
        ids, values = np.concatenate([kept_ids, rows.ids]), np.concatenate([kept, rows.values])
        full = len(values) - len(values) % BLOCK_ROWS
        if full:
            yield ids[:full], values[:full]
        kept_ids, kept = ids[full:], values[full:]
    if len(kept):
        yield kept_ids, kept


def _block_alteration(found: Sequence[SealRow], stored: Seal, ids: FloatArray) -> Alteration | None:
    for row in found:
        before = stored.get((SAMPLE_PART, row.block))
        if before == row:
            continue
        marks = _marks(row.marks) + _marks(_next_marks(found, row.block))
        return _name(stored, row, marks, "sample")
    first_id = found[0].first_row
    if np.any(ids != np.arange(first_id, first_id + len(ids))):
        number = first_id + int(np.argmax(ids != np.arange(first_id, first_id + len(ids))))
        return Alteration(number, f"sample {number} has another row id")
    return None


def _next_marks(found: Sequence[SealRow], block: int) -> bytes:
    return next((row.marks for row in found if row.block == block + 1), b"")


# ---- other tables -------------------------------------------------------------------------------------------------


def _read_table(connection: sqlite3.Connection, name: str) -> TableSeal:
    table = TableSeal(name)
    try:
        for row in connection.execute(f"SELECT {', '.join(SMALL_TABLES[name])} FROM {name} ORDER BY rowid"):
            table.append(row)
    except (TypeError, ValueError) as error:
        raise sqlite3.DatabaseError(f"the table {name} holds something that it never held") from error
    return table


def _table_alteration(connection: sqlite3.Connection, table: TableSeal, stored: Seal) -> Alteration | None:
    for block in range(table.blocks()):
        row = table.seal_row(block)
        if stored.get((table.part, block)) != row:
            following = table.seal_row(block + 1).marks if block + 1 < table.blocks() else b""
            return _name(stored, row, _marks(row.marks) + _marks(following), f"{table.part} row")
    rows = len(table.rows)
    if _last_block(stored, table.part) >= table.blocks():
        return Alteration(rows + 1, f"{table.part} row {rows + 1} is missing")
    last = connection.execute(f"SELECT max(rowid) FROM {table.part}").fetchone()[0] or 0
    return None if last == rows else Alteration(rows, f"a row of {table.part} has another row id")


# ---- naming the row -----------------------------------------------------------------------------------------------


def _marks(data: bytes) -> list[bytes]:
    return [data[i : i + _MARK_BYTES] for i in range(0, len(data), _MARK_BYTES)]


def _last_block(stored: Seal, part: str) -> int:
    return max((block for name, block in stored if name == part), default=-1)


def _name(stored: Seal, now: SealRow, marks: Sequence[bytes], what: str) -> Alteration:
    """Name what differs in a block whose seal row is another than the stored one."""
    if not stored:
        return Alteration(None, "seal: all digests were taken out")
    before = stored.get((now.part, now.block))
    if before is None and now.block < _last_block(stored, now.part):
        return Alteration(None, f"seal: the digest of {what} {now.first_row} to {now.last_row} is missing")
    if before is not None and before.digest == now.digest:
        return Alteration(None, f"seal: the marks of {what} {now.first_row} to {now.last_row} were altered")
    named = _locate(_stored_marks(stored, now.part, now.block), marks, what, now.first_row)
    some = f"{what} {now.first_row} to {now.last_row}, or its digest, was altered"
    return named or Alteration(now.first_row, some)


def _stored_marks(stored: Seal, part: str, block: int) -> list[bytes]:
    rows = (stored.get((part, number)) for number in (block, block + 1))
    return [mark for row in rows if row is not None for mark in _marks(row.marks)]


def _locate(before: Sequence[bytes], now: Sequence[bytes], what: str, first_row: int) -> Alteration | None:
    """Name the first row that differs, by the marks of its block and the next; None where no mark does."""
    at = next((i for i, pair in enumerate(zip(before, now, strict=False)) if pair[0] != pair[1]), None)
    if at is None:
        if len(before) == len(now):
            return None
        at = min(len(before), len(now))
    row = first_row + at
    if at >= len(now) or _same(before[at + 1 :], now[at:]):
        return Alteration(row, f"{what} {row} is missing")
    if at >= len(before) or _same(before[at:], now[at + 1 :]):
        return Alteration(row, f"{what} {row} was inserted")
    return Alteration(row, f"{what} {row} was altered")


def _same(before: Sequence[bytes], now: Sequence[bytes]) -> bool:
    n = min(len(before), len(now), _SAME_AGAIN_ROWS)
    return n > 0 and before[:n] == now[:n]


def _seal_alteration(stored: Seal, parts: set[str]) -> Alteration | None:
    odd = next((row for row in stored.values() if row.part not in parts), None)
    return None if odd is None else Alteration(None, f"seal: a row of part {odd.part!r} was added")


def _record_alteration(stored: SealRow | None, digest: str, rows: int) -> Alteration | None:
    if stored is None or stored == SealRow(RECORD_PART, 0, min(rows, 1), rows, digest, b""):
        return None
    return Alteration(None, "seal: the digest of the whole does not fit the content")
