"""Which row was altered, inserted or is missing, by the marks of its block: a few bytes of each row's digest."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from verifyrig.record.seal import SealRow

MARK_BYTES = 8
_SAME_AGAIN_ROWS = 3  # so many marks must fit after a shift before a row is called missing or inserted

# The digests of a record as stored, by part and block.
Seal = dict[tuple[str, int], SealRow]


class Alteration(NamedTuple):
    """The first thing that is not as it was written: row of its table, from 1, or None; and what, in words."""

    row: int | None
    what: str


def marks_in(data: bytes) -> list[bytes]:
    """Return the marks of a block's rows, one a row."""
    return [data[i : i + MARK_BYTES] for i in range(0, len(data), MARK_BYTES)]


def last_block(stored: Seal, part: str) -> int:
    """Return the number of the last block that is stored of a part, -1 for none."""
    return max((block for name, block in stored if name == part), default=-1)


def differing_row(stored: Seal, now: SealRow, marks: Sequence[bytes], what: str) -> Alteration:
    """Name what differs in a block whose seal row is another than the stored one."""
    if not stored:
        return Alteration(None, "seal: all digests were taken out")
    before = stored.get((now.part, now.block))
    if before is None and now.block < last_block(stored, now.part):
        return Alteration(None, f"seal: the digest of {what} {now.first_row} to {now.last_row} is missing")
    if before is not None and before.digest == now.digest:
        return Alteration(None, f"seal: the marks of {what} {now.first_row} to {now.last_row} were altered")
    named = _locate(_storedmarks_in(stored, now.part, now.block), marks, what, now.first_row)
    some = f"{what} {now.first_row} to {now.last_row}, or its digest, was altered"
    return named or Alteration(now.first_row, some)


def _storedmarks_in(stored: Seal, part: str, block: int) -> list[bytes]:
    rows = (stored.get((part, number)) for number in (block, block + 1))
    return [mark for row in rows if row is not None for mark in marks_in(row.marks)]


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
