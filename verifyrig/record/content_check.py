"""Does the content of a record fit the digests that it carries: schema, samples, other tables, and the whole."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from verifyrig.core.trace import FloatArray
from verifyrig.record.altered_row import MARK_BYTES, Alteration, Seal, differing_row, last_block, marks_in
from verifyrig.record.sample_rows import sample_rows
from verifyrig.record.schema import SMALL_TABLES, sample_channels, schema_sql, was_closed
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


class CheckedContent(NamedTuple):
    """The first thing that differs, None where nothing does, and the digest of all that is there now."""

    altered: Alteration | None
    digest: str


def check_content(connection: sqlite3.Connection, path: Path, sealed: bool) -> CheckedContent:
    """Return what a look at everything in a record finds."""
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
    return CheckedContent(next((found for found in altered if found is not None), None), digest)


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
    return texts and numbers and isinstance(row.marks, bytes) and not len(row.marks) % MARK_BYTES


def _schema_alteration(schema: Mapping[str, str], channels: Sequence[str]) -> Alteration | None:
    expected = set(schema_sql(channels))
    odd = [name for name, sql in schema.items() if sql not in expected]
    if odd:
        return Alteration(None, f"schema: {odd[0]} was added or altered")
    return None if len(schema) == len(expected) else Alteration(None, "schema: a table is missing")


def _seal_alteration(stored: Seal, parts: set[str]) -> Alteration | None:
    odd = next((row for row in stored.values() if row.part not in parts), None)
    return None if odd is None else Alteration(None, f"seal: a row of part {odd.part!r} was added")


def _record_alteration(stored: SealRow | None, digest: str, rows: int) -> Alteration | None:
    if stored is None or stored == SealRow(RECORD_PART, 0, min(rows, 1), rows, digest, b""):
        return None
    return Alteration(None, "seal: the digest of the whole does not fit the content")


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
    if found is None and last_block(stored, SAMPLE_PART) >= -(-chain.rows // BLOCK_ROWS):
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
        marks = marks_in(row.marks) + marks_in(_next_marks(found, row.block))
        return differing_row(stored, row, marks, "sample")
    first_id = found[0].first_row
    if np.any(ids != np.arange(first_id, first_id + len(ids))):
        number = first_id + int(np.argmax(ids != np.arange(first_id, first_id + len(ids))))
        return Alteration(number, f"sample {number} has another row id")
    return None


def _next_marks(found: Sequence[SealRow], block: int) -> bytes:
    return next((row.marks for row in found if row.block == block + 1), b"")


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
            return differing_row(stored, row, marks_in(row.marks) + marks_in(following), f"{table.part} row")
    rows = len(table.rows)
    if last_block(stored, table.part) >= table.blocks():
        return Alteration(rows + 1, f"{table.part} row {rows + 1} is missing")
    last = connection.execute(f"SELECT max(rowid) FROM {table.part}").fetchone()[0] or 0
    return None if last == rows else Alteration(rows, f"a row of {table.part} has another row id")
