"""Simulated hardware: a small memory with one injected fault, for sweeps of march tests.

Fault models: stuck-at, transition, inversion, idempotent and state coupling, address decoder (van de Goor, Testing
Semiconductor Memories, 1991; from memory). Where one write changes aggressor and victim together, the effect of the
coupling comes after the write.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from verifyrig.loads.works.march import Words
from verifyrig.loads.works.sweep import SweepPlace


class MemoryCell(NamedTuple):
    """One bit of one word."""

    word: int
    bit: int


@dataclass(frozen=True, slots=True)
class StuckAt:
    """The cell always holds `value`."""

    cell: MemoryCell
    value: int


@dataclass(frozen=True, slots=True)
class NoTransition:
    """The cell cannot change to `to`."""

    cell: MemoryCell
    to: int


@dataclass(frozen=True, slots=True)
class Inversion:
    """A change of the aggressor to `to` inverts the victim."""

    aggressor: MemoryCell
    victim: MemoryCell
    to: int


@dataclass(frozen=True, slots=True)
class Idempotent:
    """A change of the aggressor to `to` forces the victim to `value`."""

    aggressor: MemoryCell
    victim: MemoryCell
    to: int
    value: int


@dataclass(frozen=True, slots=True)
class StateForced:
    """While the aggressor holds `state`, the victim holds `value`."""

    aggressor: MemoryCell
    victim: MemoryCell
    state: int
    value: int


@dataclass(frozen=True, slots=True)
class Decoder:
    """The address reaches these words in place of its own; several read as their AND or OR, none reads as `idle`."""

    address: int
    reaches: tuple[int, ...]
    wired_or: bool = False
    idle: int = 0


Fault = StuckAt | NoTransition | Inversion | Idempotent | StateForced | Decoder | None


@dataclass(slots=True)
class FaultyMemory:
    """Words of up to 64 bits, with at most one fault; written and read word by word, upward.

    Attributes:
        size: How many words.
        bits: Width of a word.
        fault: What is wrong with it.
    """

    size: int
    bits: int
    fault: Fault = None
    contents: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.contents = [0] * self.size
        self._settle()

    @property
    def words(self) -> int:
        """How many words there are."""
        return self.size

    def read(self, place: SweepPlace) -> Words:
        """Return the words of a place, as they read."""
        values = [self._read_word(int(address)) for address in self._addresses(place).flat]
        kind = np.uint64 if self.bits > 8 else np.uint8
        return np.array(values, dtype=kind).reshape(self._addresses(place).shape)

    def write(self, place: SweepPlace, values: Words) -> None:
        """Write the words of a place, one after the other."""
        for address, value in zip(self._addresses(place).flat, values.flat, strict=True):
            for word in self._reached(int(address)):
                self._write_word(word, int(value))

    def _addresses(self, place: SweepPlace) -> Words:
        return place.of(np.arange(place.start, place.stop))

    def _reached(self, address: int) -> tuple[int, ...]:
        fault = self.fault
        return fault.reaches if isinstance(fault, Decoder) and fault.address == address else (address,)

    def _read_word(self, address: int) -> int:
        values = [self.contents[word] for word in self._reached(address)]
        if not isinstance(self.fault, Decoder) or len(values) == 1:
            return values[0]
        result = self.fault.idle * ((1 << self.bits) - 1) if not values else values[0]
        for value in values[1:]:
            result = result | value if self.fault.wired_or else result & value
        return result

    def _write_word(self, word: int, value: int) -> None:
        old = self.contents[word]
        fault = self.fault
        if isinstance(fault, NoTransition) and fault.cell.word == word:
            bit = 1 << fault.cell.bit
            if (old ^ value) & bit and bool(value & bit) == bool(fault.to):
                value ^= bit
        self.contents[word] = value
        if isinstance(fault, Inversion | Idempotent) and fault.aggressor.word == word:
            bit = 1 << fault.aggressor.bit
            if (old ^ value) & bit and bool(value & bit) == bool(fault.to):
                now = self._bit(fault.victim)
                self._set(fault.victim, 1 - now if isinstance(fault, Inversion) else fault.value)
        self._settle()

    def _settle(self) -> None:
        fault = self.fault
        if isinstance(fault, StuckAt):
            self._set(fault.cell, fault.value)
        elif isinstance(fault, StateForced) and self._bit(fault.aggressor) == fault.state:
            self._set(fault.victim, fault.value)

    def _bit(self, cell: MemoryCell) -> int:
        return self.contents[cell.word] >> cell.bit & 1

    def _set(self, cell: MemoryCell, value: int) -> None:
        bit = 1 << cell.bit
        self.contents[cell.word] = self.contents[cell.word] | bit if value else self.contents[cell.word] & ~bit


def single_cell_faults(model: str, cells: Sequence[MemoryCell]) -> Iterator[Fault]:
    """Yield every fault of the model `SAF` or `TF` over the cells."""
    for cell in cells:
        for value in (0, 1):
            yield StuckAt(cell, value) if model == "SAF" else NoTransition(cell, value)


def coupling_faults(model: str, pairs: Iterable[tuple[MemoryCell, MemoryCell]]) -> Iterator[Fault]:
    """Yield every fault of the model `CFin`, `CFid` or `CFst` for pairs of aggressor and victim."""
    for aggressor, victim in pairs:
        for to in (0, 1):
            if model == "CFin":
                yield Inversion(aggressor, victim, to)
                continue
            for value in (0, 1):
                forced = Idempotent if model == "CFid" else StateForced
                yield forced(aggressor, victim, to, value)


def decoder_faults(words: int) -> Iterator[Fault]:
    """Yield decoder faults: an address that reaches nothing, another's word, or its own and another's."""
    for address in range(words):
        yield from (Decoder(address, (), idle=idle) for idle in (0, 1))
        for other in range(words):
            if other != address:
                yield Decoder(address, (other,))
                yield from (Decoder(address, (address, other), wired_or=either) for either in (False, True))
