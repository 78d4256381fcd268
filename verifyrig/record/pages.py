"""Reads a table of numbers straight from the pages of a closed SQLite file, some ten times as fast as row by row.

Built on SQLite's "Database File Format" (sections 1.5 "B-tree Pages", 1.6 "Schema Layer", 2.1 "Record Format"), which
its makers keep stable. Only what a closed record looks like is understood here: no reserved bytes, no overflow pages,
nothing but NULL, integers and reals, one byte for each type. For everything else `NotPlainError` sends the caller
back to SQL, which is also what decides whether a file is damaged.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import as_strided

from verifyrig.core.trace import FloatArray

Bytes = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int64]

_INTERIOR, _LEAF = 5, 13
_LEAF_HEAD, _INTERIOR_HEAD = 8, 12
_PAGES_AT_ONCE = 512
_PAD = 16  # values are read as 8 bytes wherever they begin, also at the very end of the last page
_REAL, _NULL, _ONE = 7, 0, 9
# Serial types 0 to 9: NULL, integers of 1, 2, 3, 4, 6, 8 bytes, a real, and the constants 0 and 1.
_SIZES = np.array([0, 1, 2, 3, 4, 6, 8, 8, 0, 0], dtype=np.int64)
_LARGEST_TYPE = 9


class NotPlainError(Exception):
    """The file is laid out in a way that is not read here."""


class TableRows(NamedTuple):
    """Some rows of the table in their order: row ids, shape (n,), and values, shape (n, columns), NaN for NULL."""

    ids: Ints
    values: FloatArray


def read_rows(path: Path, root_page: int, columns: int) -> Iterator[TableRows]:
    """Yield the rows of the table whose tree begins at `root_page`, in order, some ten thousand at a time.

    Raises:
        NotPlainError: The layout is another than described above.
    """
    pages = _open_pages(path)
    leaves = _leaves(pages, root_page)
    for begin in range(0, len(leaves), _PAGES_AT_ONCE):
        yield _rows_of(pages, leaves[begin : begin + _PAGES_AT_ONCE], columns)


def _open_pages(path: Path) -> Bytes:
    """Return the file as an array of pages, shape (pages, page size), mapped and not loaded."""
    data: Bytes = np.asarray(np.memmap(path, dtype=np.uint8, mode="r"))
    size = int(data[16]) << 8 | int(data[17])
    size = 65536 if size == 1 else size
    if data[20] != 0 or size < 512 or len(data) % size:
        raise NotPlainError("reserved bytes or an odd length")
    return data.reshape(-1, size)


def _leaves(pages: Bytes, root_page: int) -> list[int]:
    """Return the indexes of the leaf pages below a page, in the order of the table."""
    found: list[int] = []
    left = [root_page - 1]
    while left:
        index = left.pop()
        if not 0 < index < len(pages) or len(found) + len(left) > len(pages):
            raise NotPlainError("a page outside the file, or a ring of pages")
        kind = pages[index, 0]
        if kind == _LEAF:
            found.append(index)
        elif kind == _INTERIOR:
            left.extend(reversed(_children(pages[index])))
        else:
            raise NotPlainError("a page of another kind")
    return found


def _children(page: Bytes) -> list[int]:
    raw = page.tobytes()
    cells = int.from_bytes(raw[3:5], "big")
    places = [int.from_bytes(raw[_INTERIOR_HEAD + 2 * i : _INTERIOR_HEAD + 2 * i + 2], "big") for i in range(cells)]
    children = [int.from_bytes(raw[place : place + 4], "big") - 1 for place in places]
    return [*children, int.from_bytes(raw[8:12], "big") - 1]


def _rows_of(pages: Bytes, leaves: list[int], columns: int) -> TableRows:
    size = pages.shape[1]
    data = np.zeros(len(leaves) * size + _PAD, dtype=np.uint8)
    data[: len(leaves) * size].reshape(-1, size)[:] = pages[leaves]
    cells = _cells(data, len(leaves), size)
    payload, at = _varint(data, cells)
    ids, at = _varint(data, at)
    heads = at
    if np.any(payload > size - 35) or np.any(data[heads] != columns + 1) or columns + 1 > 127:
        raise NotPlainError("overflow pages, or a row of another length")
    if np.any(heads + payload > (cells // size + 1) * size):
        raise NotPlainError("a row that leaves its page")
    return TableRows(ids, _values(data, heads, payload, columns))


def _cells(data: Bytes, pages: int, size: int) -> Ints:
    """Return where each cell of the leaves begins, in order."""
    starts = np.arange(pages, dtype=np.int64) * size
    counts = data[starts + 3].astype(np.int64) << 8 | data[starts + 4]
    if np.any(counts * 2 + _LEAF_HEAD > size):
        raise NotPlainError("more cells than fit on a page")
    first = np.cumsum(counts) - counts
    number = np.arange(int(counts.sum()), dtype=np.int64) - np.repeat(first, counts)
    page = np.repeat(starts, counts)
    pointer = page + _LEAF_HEAD + 2 * number
    offset = data[pointer].astype(np.int64) << 8 | data[pointer + 1]
    if np.any(offset > size - 4):
        raise NotPlainError("a cell outside its page")
    places: Ints = page + offset
    return places


def _varint(data: Bytes, at: Ints) -> tuple[Ints, Ints]:
    """Return the variable-length integers that begin at `at`, and where each ends; at most 8 bytes are understood."""
    value = np.zeros(len(at), dtype=np.int64)
    at = at.copy()
    going = np.arange(len(at))
    for _ in range(8):
        if np.any(at[going] >= len(data) - _PAD):
            break
        byte = data[at[going]].astype(np.int64)
        value[going] = value[going] << 7 | (byte & 0x7F)
        at[going] += 1
        going = going[byte >= 0x80]
        if not len(going):
            return value, at
    raise NotPlainError("an integer of nine bytes")


def _values(data: Bytes, heads: Ints, payload: Ints, columns: int) -> FloatArray:
    windows = as_strided(data, shape=(len(data) - columns, columns), strides=(1, 1), writeable=False)
    types = windows[np.minimum(heads + 1, len(windows) - 1)]
    if types.size and types.max() > _LARGEST_TYPE:
        raise NotPlainError("a text or a blob")
    sizes = _SIZES[types]
    ends = np.cumsum(sizes, axis=1)
    if np.any(columns + 1 + ends[:, -1] != payload):
        raise NotPlainError("a row that is longer or shorter than its types say")
    starts = ends - sizes
    starts += (heads + columns + 1)[:, None]
    words = as_strided(data[:8].view(">i8"), shape=(len(data) - 7,), strides=(1,), writeable=False)
    raw = words[starts].astype(np.int64)
    values: FloatArray = raw.view(np.float64)
    others = np.flatnonzero(types.ravel() != _REAL)
    if len(others):
        flat, kinds = values.reshape(-1), types.ravel()[others]
        flat[others] = _integers(raw.reshape(-1)[others], kinds)
    return values


def _integers(raw: Ints, kinds: Bytes) -> FloatArray:
    """Return what stands for types other than a real: integers, the constants 0 and 1, NaN for NULL."""
    bits = 64 - 8 * _SIZES[kinds]
    numbers: FloatArray = (raw >> np.minimum(bits, 63)).astype(np.float64)
    numbers[bits == 64] = 0.0
    numbers[kinds == _ONE] = 1.0
    numbers[kinds == _NULL] = np.nan
    return numbers
