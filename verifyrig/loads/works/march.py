"""March tests of memory, as the literature defines them, and the data that their 0 and 1 stand for.

A test is a list of elements; an element applies its operations (read and expect, or write) to one place after the
other, upward or downward.

Sources: van de Goor, Testing Semiconductor Memories (1991), and IEEE Design and Test 10(1), 1993: MATS+, March C−.
Backgrounds for words of several bits: stripes of 1, 2, 4 … bits (van de Goor and Tlili, DATE 1998); from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

Words = npt.NDArray[Any]


class Operation(NamedTuple):
    """Read and expect `value`, or write it: 0 is the background, 1 its opposite."""

    reads: bool
    value: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Element:
    """One march: the operations that every place gets, and whether the addresses fall."""

    operations: tuple[Operation, ...]
    down: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MarchTest:
    """A march test by name."""

    name: str
    elements: tuple[Element, ...]


def parse_march(name: str, text: str) -> MarchTest:
    """Return the test written as in the literature: `any(w0); up(r0,w1); down(r1,w0)`; `any` is taken as up."""
    elements = []
    for part in text.split(";"):
        found = re.fullmatch(r"\s*(any|up|down)\(((?:[rw][01],?)+)\)\s*", part)
        if not found:
            raise ValueError(f"{part!r} is no march element")
        operations = tuple(Operation(word[0] == "r", int(word[1])) for word in found[2].split(","))
        elements.append(Element(operations=operations, down=found[1] == "down"))
    return MarchTest(name=name, elements=tuple(elements))


MATS_PLUS = parse_march("MATS+", "any(w0); up(r0,w1); down(r1,w0)")
MARCH_C_MINUS = parse_march("March C−", "any(w0); up(r0,w1); up(r1,w0); down(r0,w1); down(r1,w0); any(r0)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Background:
    """What the value 0 of a march test means for each word.

    Attributes:
        name: How faults call it.
        value: The same for every word; None gives each word its own, made from its address.
        bits: Width of a word.
    """

    name: str
    value: int | None
    bits: int = 64

    def words(self, start: int, stop: int) -> Words:
        """Return what words `start` to `stop` hold for the value 0, shape (stop - start,)."""
        kind = np.dtype(np.uint64 if self.bits > 8 else np.uint8)
        if self.value is not None:
            return np.full(stop - start, self.value, kind)
        # An odd multiple of the address, scattered over all bits: no two words of the buffer hold the same.
        return _multiples(stop - start, self.bits) + kind.type(start * _SCATTER & self.mask)

    @property
    def mask(self) -> int:
        """All bits of a word."""
        return (1 << self.bits) - 1


_SCATTER = 0x9E3779B97F4A7C15  # odd, half of its bits set


@lru_cache(maxsize=4)
def _multiples(count: int, bits: int) -> Words:
    kind = np.dtype(np.uint64 if bits > 8 else np.uint8)
    return np.arange(count, dtype=np.uint64).astype(kind) * kind.type(_SCATTER & ((1 << bits) - 1))


def stripes(bits: int = 64) -> list[Background]:
    """Return the backgrounds that give any two bits of a word all their combinations: solid, then stripes."""
    found = [Background(name="solid", value=0, bits=bits)]
    width = 1
    while width < bits:
        value = sum(1 << bit for bit in range(bits) if bit // width % 2)
        found.append(Background(name=f"stripes of {width}", value=value, bits=bits))
        width *= 2
    return found


def own_address(bits: int = 64) -> Background:
    """Return the background that gives each word a value of its own: finds decoder faults within a block."""
    return Background(name="own address", value=None, bits=bits)
