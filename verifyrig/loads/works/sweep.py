"""The sweep of a march test over a memory: that of this machine, or a small one with injected faults.

A place, here, is a block of words, so that the whole runs at the speed of the memory. Between cells of different
places the order is that of the test, and the sweep finds what the literature says. Within a place a whole read comes
before a whole write, and couplings between its cells are found only in part. So each sweep may split every block by
one bit of the word's index into two places, one after the other: over sweeps with all bits, any two words lie in
different places at least once.

A program sees virtual addresses, and caches reorder and delay: for the chips behind them, the claims on stuck cells
and failed transitions hold, those on couplings and decoders only as far as the accesses reach them in this order.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple, Protocol

import numpy as np

from verifyrig.loads.works.march import Background, Element, MarchTest, Words


class SweepPlace(NamedTuple):
    """Words that get an operation at once: `start` to before `stop`, or the half of them whose index has a bit.

    Attributes:
        split: Which bit of the index within the block splits it, or None for the whole block.
        half: Which half: the value of that bit.
    """

    start: int
    stop: int
    split: int | None = None
    half: int = 0

    def of(self, block: Words) -> Words:
        """Return a view of the place in its block of words: shape (words,), or (runs, run) where it is split."""
        if self.split is None:
            return block
        return block.reshape(-1, 2, 1 << self.split)[:, self.half, :]


class Memory(Protocol):
    """What a sweep runs over; a place is read and written as the shape that `Place.of` gives."""

    @property
    def words(self) -> int:
        """How many words there are."""
        ...

    def read(self, place: SweepPlace) -> Words:
        """Return the words of a place."""
        ...

    def write(self, place: SweepPlace, values: Words) -> None:
        """Write the words of a place."""
        ...


class Mismatch(NamedTuple):
    """A word that does not read as it was written."""

    word: int
    expected: int
    got: int


class SweepStep(NamedTuple):
    """What one element did to one place."""

    words_touched: int
    reads: int
    mismatches: list[Mismatch]


def sweep(
    memory: Memory,
    test: MarchTest,
    background: Background,
    block_words: int,
    *,
    split: int | None = None,
    before: Background | None = None,
) -> Iterator[SweepStep]:
    """Yield after each place in each element, until the whole test has gone over the whole memory.

    Args:
        memory: What to test; its contents are lost.
        test: The march test.
        background: What 0 means.
        block_words: Size of a block; 1 is the test exactly as defined.
        split: Bit of the index that splits each block into two places; the memory is then a multiple of the block.
        before: Background that the test before left behind at value 0; each place is read once more before its first
            write, so that nothing that happened since its last read is overwritten unseen.
    """
    places = list(_places(memory.words, block_words, split))
    values = Values(background, block_words)
    left = Values(before, block_words) if before is not None else None
    for element in test.elements:
        for place in reversed(places) if element.down else places:
            old = [] if left is None else _compare(memory.read(place), left.of(place)[0], place)
            step = _apply(memory, element, place, values.of(place))
            yield step._replace(mismatches=old + step.mismatches) if old else step
        left = None


def _places(words: int, block_words: int, split: int | None) -> Iterator[SweepPlace]:
    for start in range(0, words, block_words):
        stop = min(start + block_words, words)
        if split is None:
            yield SweepPlace(start, stop)
        else:
            yield from (SweepPlace(start, stop, split, half) for half in (0, 1))


class Values:
    """What the places of one sweep hold for 0 and for 1; made once where all blocks are alike."""

    def __init__(self, background: Background, block_words: int) -> None:
        self._background = background
        self._alike = self._made(0, block_words) if background.value is not None else None

    def of(self, place: SweepPlace) -> tuple[Words, Words]:
        """Return the words of a place for the values 0 and 1."""
        count = place.stop - place.start
        zero, one = self._alike or self._made(place.start, place.stop)
        return place.of(zero[:count]), place.of(one[:count])

    def _made(self, start: int, stop: int) -> tuple[Words, Words]:
        zero = self._background.words(start, stop)
        return zero, zero ^ zero.dtype.type(self._background.mask)


def _apply(memory: Memory, element: Element, place: SweepPlace, values: tuple[Words, Words]) -> SweepStep:
    mismatches: list[Mismatch] = []
    for operation in element.operations:
        right = values[operation.value]
        if operation.reads:
            wrong = _compare(memory.read(place), right, place)
            if wrong:
                memory.write(place, right)  # so that one flipped bit is reported once, not by every later read as well
                mismatches += wrong
        else:
            memory.write(place, right)
    reads = sum(operation.reads for operation in element.operations)
    return SweepStep(values[0].size * len(element.operations), reads, mismatches)


def _compare(got: Words, right: Words, place: SweepPlace) -> list[Mismatch]:
    wrong = got ^ right
    if not np.bitwise_or.reduce(wrong, axis=None):
        return []
    numbers = place.of(np.arange(place.start, place.stop))
    where = wrong != 0
    found = zip(numbers[where], right[where], got[where], strict=True)
    return [Mismatch(int(word), int(expected), int(value)) for word, expected, value in found]
