"""Bit-exact comparison of arrays: a digest that every single flipped bit changes, and where two arrays differ."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]


def digest(array: Array) -> int:
    """Return the sum of the array's 64-bit words modulo 2^64.

    One flipped bit changes it by a power of two, never by a multiple of 2^64: none is missed. It takes one pass at
    the speed of the cache, and no rounding is involved.

    Args:
        array: Contiguous, a multiple of 8 bytes long.
    """
    return int(np.add.reduce(array.reshape(-1).view(np.int64)))


def difference(wrong: Array, right: Array) -> str:
    """Return in words how many elements differ bit by bit, where the first is, and which of its bits; empty for none.

    Args:
        wrong, right: Of the same shape and type.
    """
    as_bits = np.dtype(f"u{wrong.dtype.itemsize}") if wrong.dtype.kind != "c" else np.dtype("u8")
    pattern = np.ascontiguousarray(wrong).reshape(-1).view(as_bits) ^ np.ascontiguousarray(right).reshape(-1).view(
        as_bits
    )
    places = np.flatnonzero(pattern)
    if not places.size:
        return ""
    per_element = pattern.size // wrong.size
    first = tuple(int(i) for i in np.unravel_index(int(places[0]) // per_element, wrong.shape))
    flipped = int(pattern[places[0]])
    elements = np.unique(places // per_element).size
    return f"{elements} of {wrong.size} values differ, first at {first}, bits 0x{flipped:x}"
