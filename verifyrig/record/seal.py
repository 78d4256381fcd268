"""Digests of a record: a chain over the samples, one digest a block of every other table, one of the whole.

The samples form one stream of bytes: a head that names the columns, then each row as little-endian doubles
(no reading: the quiet NaN 7FF8000000000000). The chain after row n is SHA-256 (FIPS 180-4) of the stream up to
row n, so it depends on every row before, and any prefix of a record can be checked against it. Beside each row
stands a mark of 8 bytes. The marks only show *where* a record differs; that it does not differ is shown by SHA-256
alone.

The other tables are cut into blocks of `BLOCK_ROWS` rows, each row as a JSON list. Digests are written in the same
transaction as the rows, so an interrupted record carries them too. What only a closed record has are the rows
`record`, the digest of everything, and `file`, a digest of the file's bytes (`record/stamp.py`): content is judged by
the first, the second also notices a byte that means nothing, which hints at a failing stick.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from verifyrig.core.trace import FloatArray

BLOCK_ROWS = 256
SAMPLE_PART = "sample"
RECORD_PART = "record"
FILE_PART = "file"
_U64 = np.uint64


class SealRow(NamedTuple):
    """One row of the table `seal`; rows are counted from 1, both ends included."""

    part: str
    block: int
    first_row: int
    last_row: int
    digest: str
    marks: bytes


def canonical(rows: FloatArray) -> FloatArray:
    """Return the rows, shape (n, columns), as they come back from the file: one kind of NaN, no negative zero."""
    plain = np.ascontiguousarray(rows, dtype="<f8") + 0.0
    plain[np.isnan(plain)] = np.nan
    return plain


def row_marks(rows: FloatArray) -> npt.NDArray[np.uint64]:
    """Return a mark for each canonical row, shape (n,): equal rows have equal marks.

    A sum over the columns of mixed 64-bit words (the mixing is that of the generator splitmix64, from memory).
    """
    words = rows.view("<u8").copy()
    words ^= words >> _U64(30)
    words *= _odd_constants(rows.shape[1])
    words ^= words >> _U64(27)
    words *= _U64(0x94D049BB133111EB)
    words ^= words >> _U64(31)
    return np.asarray(words.sum(axis=1, dtype=np.uint64))


def _odd_constants(n: int) -> npt.NDArray[np.uint64]:
    steps = np.arange(1, n + 1, dtype=np.uint64)
    return (steps * _U64(0x9E3779B97F4A7C15)) | _U64(1)


class SampleChain:
    """The chain over the samples, and the marks of the block that is being filled."""

    def __init__(self, channels: Sequence[str]) -> None:
        head = "\n".join(("verifyrig samples 1", "t_s", "utc_s", *channels)) + "\n"
        self._hash = hashlib.sha256(head.encode())
        self._marks: list[bytes] = []
        self.rows = 0

    def digest(self) -> str:
        """Return the chain after the last row."""
        return self._hash.copy().hexdigest()

    def extend(self, rows: FloatArray) -> Iterator[SealRow]:
        """Take further rows, shape (n, 2 + channels); yield the seal rows that change by it."""
        plain = canonical(rows)
        marks = row_marks(plain).astype("<u8")
        done = 0
        while done < len(plain):
            space = BLOCK_ROWS - self.rows % BLOCK_ROWS
            if space == BLOCK_ROWS:
                self._marks.clear()
            part = plain[done : done + space]
            self._hash.update(part.tobytes())
            self._marks.append(marks[done : done + space].tobytes())
            self.rows += len(part)
            done += len(part)
            yield self._seal_row()

    def _seal_row(self) -> SealRow:
        block = (self.rows - 1) // BLOCK_ROWS
        return SealRow(SAMPLE_PART, block, block * BLOCK_ROWS + 1, self.rows, self.digest(), b"".join(self._marks))


def text_of(row: Iterable[Any]) -> bytes:
    """Return one row of a small table in canonical form: a JSON list, floats in Python's shortest form."""
    values = [value + 0.0 if isinstance(value, float) and math.isfinite(value) else value for value in row]
    return json.dumps(values, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "surrogatepass")


class TableSeal:
    """The rows of one small table, with the blocks that changed since they were last sealed."""

    def __init__(self, part: str) -> None:
        self.part = part
        self.rows: list[bytes] = []
        self._changed: set[int] = set()

    def append(self, row: Iterable[Any]) -> int:
        """Add a row; return its index from 0."""
        self.rows.append(text_of(row))
        self._changed.add((len(self.rows) - 1) // BLOCK_ROWS)
        return len(self.rows) - 1

    def replace(self, index: int, row: Iterable[Any]) -> None:
        """Put another row in the place of one."""
        self.rows[index] = text_of(row)
        self._changed.add(index // BLOCK_ROWS)

    def take_changed(self) -> list[SealRow]:
        """Return the seal rows of the blocks that changed, and count them as written."""
        changed = [self.seal_row(block) for block in sorted(self._changed)]
        self._changed.clear()
        return changed

    def blocks(self) -> int:
        """Return the number of blocks."""
        return -(-len(self.rows) // BLOCK_ROWS)

    def seal_row(self, block: int) -> SealRow:
        """Return the seal row of a block, counted from 0."""
        first = block * BLOCK_ROWS
        rows = self.rows[first : first + BLOCK_ROWS]
        marks = b"".join(hashlib.sha256(row).digest()[:8] for row in rows)
        digest = hashlib.sha256(b"\n".join(rows)).hexdigest()
        return SealRow(self.part, block, first + 1, first + len(rows), digest, marks)

    def digest(self) -> str:
        """Return the digest of the table: SHA-256 over those of its blocks."""
        return hashlib.sha256("".join(self.seal_row(b).digest for b in range(self.blocks())).encode()).hexdigest()


def record_digest(schema: Sequence[str], sample_digest: str, sample_rows: int, tables: Sequence[TableSeal]) -> str:
    """Return the digest of a whole record, the one that a report prints.

    Args:
        schema: The statements that made the tables, as the file keeps them, in any order.
        sample_digest: The chain after the last sample.
        tables: The other tables, in the order of `SMALL_TABLES`.
    """
    lines = ["verifyrig record 1", *sorted(schema), f"sample {sample_rows} {sample_digest}"]
    lines += [f"{table.part} {len(table.rows)} {table.digest()}" for table in tables]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()
