"""March tests: their definitions, what the sweep finds in a memory with injected faults, and in this machine's."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from mock_hw.physics.faulty_memory import (
    Decoder,
    FaultyMemory,
    Idempotent,
    MemoryCell,
    NoTransition,
    StuckAt,
    coupling_faults,
    decoder_faults,
    single_cell_faults,
)
from tests.benchmarks.march_coverage import coverage, found, load_plan
from verifyrig.loads.works.march import MARCH_C_MINUS, MATS_PLUS, own_address, parse_march, stripes
from verifyrig.loads.works.memory_sweep import Buffer, MemorySweep, describe
from verifyrig.loads.works.sweep import Mismatch, SweepPlace, sweep

SOLID = stripes(1)[0]
BITS = {"words": 6, "bits": 1, "block": 1}


def cells(words: int, bits: int = 1) -> list[MemoryCell]:
    return [MemoryCell(word, bit) for word in range(words) for bit in range(bits)]


def test_definitions_are_those_of_the_literature() -> None:
    # van de Goor (1991): MATS+ has 5 operations a cell, March C− has 10; from memory.
    for march, per_cell in ((MATS_PLUS, 5), (MARCH_C_MINUS, 10)):
        assert sum(len(element.operations) for element in march.elements) == per_cell
    assert [element.down for element in MARCH_C_MINUS.elements] == [False, False, False, True, True, False]
    with pytest.raises(ValueError, match="no march element"):
        parse_march("wrong", "up(r2)")


def test_march_c_minus_finds_all_classes_in_single_bits() -> None:
    # van de Goor: March C− covers AF, SAF, TF and unlinked CFin, CFid, CFst completely.
    plan = [(MARCH_C_MINUS, SOLID, None)]
    table = coverage(plan, **BITS, limit=1000)
    assert {name: row["share"] for name, row in table.items()} == dict.fromkeys(table, 1.0)
    assert {name.partition(",")[0] for name in table} == {"SAF", "TF", "AF", "CFin", "CFid", "CFst"}


def test_mats_plus_finds_stuck_cells_and_decoders_but_not_falling_transitions() -> None:
    # van de Goor: MATS+ covers AF and SAF; the last write of 0 is never read, so a cell that cannot fall is missed.
    plan = [(MATS_PLUS, SOLID, None)]
    faults = [*single_cell_faults("SAF", cells(6)), *decoder_faults(6)]
    assert all(found(fault, plan, **BITS) for fault in faults)
    assert found(NoTransition(MemoryCell(2, 0), 1), plan, **BITS)
    assert not found(NoTransition(MemoryCell(2, 0), 0), plan, **BITS)


def test_a_memory_without_a_fault_raises_no_alarm() -> None:
    assert not found(None, load_plan(4), words=8, bits=8, block=4)


def test_one_background_misses_a_coupling_within_a_word_that_stripes_find() -> None:
    # Both cells always change together; only a background that gives them different values tells them apart.
    fault = Idempotent(MemoryCell(1, 0), MemoryCell(1, 1), to=1, value=1)
    size = {"words": 4, "bits": 8, "block": 1}
    assert not found(fault, [(MARCH_C_MINUS, stripes(8)[0], None)], **size)
    assert found(fault, [(MARCH_C_MINUS, background, None) for background in stripes(8)], **size)


def test_stripes_give_any_two_bits_all_combinations() -> None:
    values = [background.value for background in stripes(64)]
    assert values[0] == 0
    for one, other in itertools.combinations(range(64), 2):
        seen = {(v >> one & 1, v >> other & 1) for value in values if value is not None for v in (value, ~value)}
        assert seen == {(0, 0), (0, 1), (1, 0), (1, 1)}


def test_own_addresses_differ_from_word_to_word() -> None:
    words = own_address().words(1000, 101_000)
    assert np.unique(words).size == words.size
    assert np.array_equal(own_address().words(5000, 5010), words[4000:4010])


def test_splits_find_couplings_within_a_block_that_whole_blocks_miss() -> None:
    pairs = [(MemoryCell(a, 0), MemoryCell(b, 0)) for a, b in itertools.permutations(range(4), 2)]
    faults = [fault for model in ("CFin", "CFid", "CFst") for fault in coupling_faults(model, pairs)]
    size = {"words": 8, "bits": 8, "block": 4}
    whole = [(MARCH_C_MINUS, background, None) for background in stripes(8)]
    assert sum(found(fault, whole, **size) for fault in faults) < len(faults)
    assert all(found(fault, load_plan(4), **size) for fault in faults)


def test_own_addresses_find_a_decoder_fault_within_a_block() -> None:
    fault = Decoder(1, (2,))
    size = {"words": 8, "bits": 8, "block": 4}
    assert not found(fault, [(MARCH_C_MINUS, background, None) for background in stripes(8)], **size)
    assert found(fault, [(MATS_PLUS, own_address(8), None)], **size)


@pytest.mark.parametrize("split", [None, 0, 1, 2])
def test_the_places_of_a_block_are_all_its_words_once(split: int | None) -> None:
    block = np.arange(8)
    halves = (0,) if split is None else (0, 1)
    places = [SweepPlace(0, 8, split, half).of(block).ravel().tolist() for half in halves]
    assert sorted(itertools.chain(*places)) == list(range(8))
    if split is not None:
        assert all((number >> split & 1) == half for half, place in enumerate(places) for number in place)


@pytest.mark.parametrize("split", [None, 1])
def test_address_and_bit_of_a_mismatch_are_told(split: int | None) -> None:
    memory = FaultyMemory(16, 8, StuckAt(MemoryCell(11, 5), 1))
    steps = list(sweep(memory, MARCH_C_MINUS, stripes(8)[0], 4, split=split))
    mismatches = {mismatch for step in steps for mismatch in step.mismatches}
    assert mismatches == {Mismatch(word=11, expected=0, got=32)}


def test_a_mismatch_in_words() -> None:
    text = describe(Mismatch(word=3, expected=0, got=0x21), physical=0x7018)
    assert "byte 0x18" in text
    assert "physical 0x7018" in text
    assert "bit 0, 5" in text


def test_what_went_wrong_between_two_tests_is_not_overwritten_unseen() -> None:
    memory = FaultyMemory(8, 8)
    before = stripes(8)[0]
    for _ in sweep(memory, MARCH_C_MINUS, before, 4):
        pass
    memory.contents[5] ^= 4
    steps = list(sweep(memory, MATS_PLUS, own_address(8), 4, before=before))
    assert [m for step in steps for m in step.mismatches] == [Mismatch(word=5, expected=0, got=4)]


def test_the_sweep_runs_clean_over_real_memory_and_finds_each_flipped_bit() -> None:
    dice = np.random.default_rng(7)
    armed = False

    def flip(name: str, array: npt.NDArray[Any]) -> None:
        nonlocal armed
        if armed:
            armed = False
            array[dice.integers(array.size)] ^= np.uint64(1 << int(dice.integers(64)))

    work = MemorySweep(size_bytes=2**18, meddle=flip, block_words=2**11)
    for _ in range(60):
        assert work.block(0.001).faults == ()
    for _ in range(300):
        armed = True
        faults: tuple[str, ...] = ()
        for _ in range(2000):
            faults = work.block(0.0002).faults
            if faults:
                break
        assert len(faults) == 1
        assert "of the buffer" in faults[0]
    work.close()


def test_a_buffer_that_cannot_be_had_is_refused() -> None:
    from verifyrig.core.errors import LoadError

    with pytest.raises(LoadError, match="cannot be had"):
        Buffer(2**62)
