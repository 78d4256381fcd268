"""The work `march`: march tests over a large buffer of this machine's memory, page-locked where allowed."""

from __future__ import annotations

import contextlib
import ctypes
import mmap
import os
import sys
import time
from collections.abc import Iterator
from itertools import cycle, islice, repeat
from pathlib import Path

import numpy as np

from verifyrig.core.errors import LoadError
from verifyrig.core.reason import reason
from verifyrig.loads.works import BlockResult, Meddle, Work, untouched
from verifyrig.loads.works.march import (
    MARCH_C_MINUS,
    MATS_PLUS,
    Background,
    MarchTest,
    Words,
    own_address,
    stripes,
)
from verifyrig.loads.works.sweep import Mismatch, SweepPlace, SweepStep, sweep

# Block, expected words and their difference together fit into the second-level cache of most cores.
BLOCK_WORDS = 2**14
PAGE_BYTES = mmap.PAGESIZE
# Memory is brought in by so many words at a time: 16 MiB, some milliseconds.
PIECE_WORDS = 2**21
# Words described for one block; the others are counted.
DESCRIBED_WORDS = 8


class Buffer:
    """Memory of this machine, as `march.Memory`; locked against swapping where the system allows."""

    def __init__(self, size_bytes: int) -> None:
        """Map and touch the pages; raise `LoadError` where there is not that much."""
        try:
            self._map = mmap.mmap(-1, size_bytes)
        except (OSError, ValueError, OverflowError) as error:
            raise LoadError(
                f"{size_bytes / 2**20:.0f} MiB of memory cannot be had ({error})",
                where="load, memory_share",
                mend="Choose a smaller share.",
            ) from error
        if hasattr(mmap, "MADV_HUGEPAGE"):
            with contextlib.suppress(OSError):  # a kernel without huge pages: small ones do as well
                self._map.madvise(mmap.MADV_HUGEPAGE)
        self.array: Words = np.frombuffer(self._map, dtype=np.uint64)
        self.locked = True
        # Piece by piece: in between, the threads come to run that end this process when it must end.
        for start in range(0, self.array.size, PIECE_WORDS):
            piece = self.array[start : start + PIECE_WORDS]
            self.locked = self.locked and _lock(piece)
            if not self.locked:
                piece.fill(0)  # locking brings in the pages; otherwise each one needs a first touch

    @property
    def words(self) -> int:
        """How many 64-bit words."""
        return int(self.array.size)

    def read(self, place: SweepPlace) -> Words:
        """Return a view of the words, as they lie in memory."""
        return place.of(self.array[place.start : place.stop])

    def write(self, place: SweepPlace, values: Words) -> None:
        """Write the words of a place."""
        place.of(self.array[place.start : place.stop])[...] = values

    def close(self) -> None:
        """Give the memory back."""
        self.array = np.empty(0, dtype=np.uint64)
        with contextlib.suppress(BufferError):  # a view may still be in use; the end of the process frees it
            self._map.close()

    def physical_address(self, word: int) -> int | None:
        """Return the physical address of a word where the kernel shows it (root only), else None.

        Source: kernel document "admin-guide/mm/pagemap".
        """
        address = self.array.ctypes.data + 8 * word
        try:
            with Path("/proc/self/pagemap").open("rb", buffering=0) as pagemap:
                pagemap.seek(address // PAGE_BYTES * 8)
                entry = int.from_bytes(pagemap.read(8), sys.byteorder)
        except OSError:
            return None
        frame = entry & ((1 << 55) - 1)
        return frame * PAGE_BYTES + address % PAGE_BYTES if entry >> 63 and frame else None


def _lock(piece: Words) -> bool:
    if os.name != "posix":
        return False
    address = ctypes.c_void_p(piece.ctypes.data)
    return bool(ctypes.CDLL(None, use_errno=True).mlock(address, ctypes.c_size_t(piece.nbytes)) == 0)


def plan(block_words: int) -> Iterator[tuple[MarchTest, Background, int | None]]:
    """Yield test, background and split of one sweep after the other, for ever.

    One round is MATS+ with each word's own address, then March C− with every background, each splitting the blocks by
    another bit; after rounds enough that every bit had its turn, any two words have been told apart.
    """
    bits = block_words.bit_length() - 1
    splits = cycle(range(bits)) if bits else repeat(None)
    while True:
        yield MATS_PLUS, own_address(), None
        yield from ((MARCH_C_MINUS, background, next(splits)) for background in stripes())


class MemorySweep(Work):
    """March tests over one buffer, round after round."""

    def __init__(self, *, size_bytes: int, meddle: Meddle = untouched, block_words: int = BLOCK_WORDS) -> None:
        """Take the buffer, cut to whole blocks (a power of two of words each)."""
        self._buffer = Buffer(size_bytes - size_bytes % (8 * block_words))
        self._block_words = block_words
        self._meddle = meddle
        self._steps = self._sweep_for_ever()
        self.block_s = 0.0005
        self.notes = () if self._buffer.locked else (reason("memory-not-locked"),)

    def block(self, budget_s: float) -> BlockResult:
        """Go on with the sweep for the time given."""
        end_s = time.perf_counter() + budget_s
        touched, checks = 0, 0
        faults: list[str] = []
        for step, name in self._steps:
            touched += step.words_touched
            checks += step.reads
            faults += self._described(step.mismatches, name)
            if faults or time.perf_counter() >= end_s:
                break
        return BlockResult(8e-9 * touched, checks, tuple(faults))

    def close(self) -> None:
        """Give the memory back."""
        self._steps = iter(())
        self._buffer.close()

    def _sweep_for_ever(self) -> Iterator[tuple[SweepStep, str]]:
        before = stripes()[0]  # fresh memory holds zeros
        for test, background, split in plan(self._block_words):
            name = f"{test.name}, {background.name}"
            for step in sweep(self._buffer, test, background, self._block_words, split=split, before=before):
                yield step, name
                self._meddle("buffer", self._buffer.array)
            before = background

    def _described(self, mismatches: list[Mismatch], name: str) -> Iterator[str]:
        for mismatch in islice(mismatches, DESCRIBED_WORDS):
            yield f"{name}: {describe(mismatch, self._buffer.physical_address(mismatch.word))}"
        for mismatch in mismatches[DESCRIBED_WORDS:]:
            yield f"{name}: byte {8 * mismatch.word:#x} of the buffer"


def describe(mismatch: Mismatch, physical: int | None) -> str:
    """Return address, bits and values of a mismatch in words."""
    flipped = mismatch.expected ^ mismatch.got
    bits = ", ".join(str(bit) for bit in range(64) if flipped >> bit & 1)
    where = f"byte {8 * mismatch.word:#x} of the buffer"
    if physical is not None:
        where += f" (physical {physical:#x})"
    return f"{where}, bit {bits}: read {mismatch.got:#018x} for {mismatch.expected:#018x}"
