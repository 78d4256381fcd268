"""The graphics load: its programs as text, and its products on a software renderer where one is installed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from verifyrig.core.errors import LoadError
from verifyrig.loads.gpu.card import Card, choose_card
from verifyrig.loads.gpu.kernels import Tiling, check_program, product_program

SMALL = 128


def card(index: int, name: str, *, software: bool = False) -> Card:
    return Card(index=index, name=name, backend="Vulkan", software=software)


def test_a_real_card_is_preferred_to_a_software_renderer() -> None:
    assert choose_card([card(0, "soft", software=True), card(1, "Example Card")], "").index == 1


@pytest.mark.parametrize(
    ("cards", "wanted", "what"),
    [
        ([], "", "no graphics processor"),
        ([card(0, "soft", software=True)], "", "only a software renderer"),
        ([card(0, "Example Card"), card(1, "Example Card")], "example", "2 cards fit"),
        ([card(0, "Example Card")], "other", "no card fits"),
    ],
)
def test_a_choice_that_does_not_fit_is_said_in_a_sentence(cards: list[Card], wanted: str, what: str) -> None:
    with pytest.raises(LoadError, match=what):
        choose_card(cards, wanted)


def test_two_cards_of_one_name_are_told_apart_by_their_number() -> None:
    assert choose_card([card(0, "Example Card"), card(1, "Example Card")], "1").index == 1


def test_an_order_that_no_tile_fits_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="does not fit"):
        product_program(100, Tiling())


@pytest.mark.parametrize("tiling", [Tiling(), Tiling(threads_x=16, threads_y=16), Tiling(half=True), Tiling(rows=1)])
def test_a_tile_fits_the_memory_that_every_device_shares(tiling: Tiling) -> None:
    # WebGPU's guaranteed limits: 16 384 bytes shared, 256 threads in a work group.
    shared_bytes = tiling.depth * (tiling.tile_rows + tiling.tile_columns) * (2 if tiling.half else 4)
    assert shared_bytes <= 16_384
    assert tiling.threads_x * tiling.threads_y <= 256


def test_every_word_of_a_row_has_an_odd_weight_of_its_own_in_the_check() -> None:
    # An odd weight is a unit modulo 2^32, so that no change of a single word leaves the sum as it was.
    assert "(2u * i + 1u)" in check_program(64)


@pytest.fixture(scope="module")
def renderer() -> str:
    """Return the name of a software renderer; such a device runs the very programs, only slowly."""
    pytest.importorskip("wgpu", reason="the package wgpu (extra gpu) is not installed")
    from verifyrig.loads.gpu.card import list_cards

    soft = [c.name for c in list_cards() if c.software]
    if not soft:
        pytest.skip("no software renderer for Vulkan is installed (Debian: mesa-vulkan-drivers)")
    return soft[0]


@pytest.fixture(scope="module")
def work(renderer: str) -> Any:
    from verifyrig.loads.gpu.product import GpuProduct

    product = GpuProduct(card=renderer, order=SMALL)
    yield product
    product.close()


def test_sound_products_have_no_faults(work: Any) -> None:
    result = work.block(0.001)
    assert result.faults == () and result.checks >= 1 and result.work > 0


def test_a_product_agrees_with_numpy(work: Any) -> None:
    left = np.frombuffer(work._read(work._left), np.float32).reshape(work.order, -1).T
    right = np.frombuffer(work._read(work._right), np.float32).reshape(work.order, -1)
    found = np.frombuffer(work._read(work._result), np.float32).reshape(work.order, -1)
    # Rounding of a sum of n terms of about 1/sqrt(n): a few times the precision of 2^-24.
    assert np.abs(found - left.astype(np.float64) @ right).max() < 1e-5


@pytest.mark.parametrize("bit", [0, 11, 22, 31])
def test_one_flipped_bit_of_an_operand_is_found(work: Any, bit: int) -> None:
    place = 4 * (SMALL * 5 + 7)
    sound = np.frombuffer(work._device.queue.read_buffer(work._left, place, 4), np.uint32)
    # The lowest bit of one factor may be lost in rounding; in a row of 128 products it is not lost in all.
    work._device.queue.write_buffer(work._left, place, sound ^ np.uint32(1 << bit))
    try:
        assert work.block(0.001).faults
    finally:
        work._device.queue.write_buffer(work._left, place, sound)
    assert work.block(0.001).faults == ()


def test_a_backend_that_computes_the_known_answer_wrongly_is_refused(renderer: str) -> None:
    from verifyrig.loads.gpu.product import GpuProduct

    def spoil(words: Any) -> Any:
        words[1000] ^= np.uint32(1 << 30)
        return words

    with pytest.raises(LoadError, match="known product wrongly"):
        GpuProduct(card=renderer, order=SMALL, meddle=spoil)


def test_the_work_runs_in_a_worker_of_its_own(renderer: str) -> None:
    import time

    from verifyrig.core.interfaces import LoadDemand
    from verifyrig.loads.worker_load import WorkerLoad

    load = WorkerLoad(card=renderer)
    try:
        load.start(LoadDemand(work="gpu-linear-algebra"))
        load.set_share(1.0)
        end = time.monotonic() + 30
        while load.status().work_done == 0 and time.monotonic() < end:
            load.beat()
            time.sleep(0.1)
        status = load.status()
        assert status.work_done > 0 and status.compute_errors == 0 and status.workers_wanted == 1
    finally:
        load.close()


def test_a_card_that_is_not_there_refuses_the_load_before_the_run() -> None:
    pytest.importorskip("wgpu", reason="the package wgpu (extra gpu) is not installed")
    from verifyrig.core.interfaces import LoadDemand
    from verifyrig.loads.worker_load import WorkerLoad

    load = WorkerLoad(card="no such card")
    with pytest.raises(LoadError, match=r"no card fits|no graphics processor"):
        load.start(LoadDemand(work="gpu-linear-algebra"))
