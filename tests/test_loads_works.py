"""The works find what is wrong and nothing else; their results agree with published answers and other libraries."""

from __future__ import annotations

import hashlib
import tomllib
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from tests.bit_flip import BitFlip, finds_a_flip
from verifyrig.loads.works import Meddle, Work, bits
from verifyrig.loads.works import digest as digest_work
from verifyrig.loads.works.digest import Digest
from verifyrig.loads.works.linear_algebra import linear_algebra
from verifyrig.loads.works.products import ExactProduct, Product, ProductShape, scaled_residual
from verifyrig.loads.works.solves import BlockedSolve, Solve, solve_residual
from verifyrig.loads.works.transform import Transform, parseval_defect

Array = npt.NDArray[Any]
BUDGET_S = 0.014
SMALL = ProductShape(rows=48, depth=64, columns=(32, 16))
# How many blocks may pass until a changed operand is looked at again.
PATIENCE_BLOCKS = 220


WORKS: dict[str, Callable[[Meddle], Work]] = {
    "double product": lambda meddle: Product(shape=SMALL, meddle=meddle),
    "product from memory": lambda meddle: Product(shape=SMALL, sets=2, meddle=meddle),
    "single product": lambda meddle: Product(shape=SMALL, dtype="float32", meddle=meddle),
    "exact product": lambda meddle: ExactProduct(meddle=meddle),
    "double solve": lambda meddle: Solve(size=96, meddle=meddle),
    "single solve": lambda meddle: Solve(size=96, dtype="float32", meddle=meddle),
    "blocked solve": lambda meddle: BlockedSolve(size=256, panel=64, meddle=meddle),
    "transform": lambda meddle: Transform(length=2**12, meddle=meddle),
    "digest": lambda meddle: Digest(message_bytes=2**14, piece_bytes=2**11, meddle=meddle),
}


@pytest.mark.parametrize("name", WORKS)
@pytest.mark.parametrize("what", ["operand", "result"])
def test_every_flipped_bit_is_found(name: str, what: str) -> None:
    flip = BitFlip(np.random.default_rng(5), what)
    work = WORKS[name](flip)
    missed = [n for n in range(34) if not finds_a_flip(work, flip, budget_s=BUDGET_S, patience=PATIENCE_BLOCKS)]
    assert missed == []


@pytest.mark.parametrize("name", WORKS)
def test_clean_work_raises_no_alarm(name: str) -> None:
    work = WORKS[name](lambda _name, _array: None)
    results = [work.block(BUDGET_S) for _ in range(60)]
    assert [fault for result in results for fault in result.faults] == []
    assert sum(result.checks for result in results) > 0
    assert sum(result.work for result in results) > 0


def test_the_whole_work_reaches_every_part() -> None:
    flips = []

    def note(name: str, array: Array) -> None:
        flips.append((name, array.dtype.str, array.shape))

    work = linear_algebra(meddle=note)
    for _ in range(80):
        assert work.block(BUDGET_S).faults == ()
    kinds = {dtype for _, dtype, _ in flips}
    assert {"<f8", "<f4"} <= kinds
    work.close()


def test_an_operand_is_restored_after_its_fault() -> None:
    flip = BitFlip(np.random.default_rng(1), "operand")
    work = Product(shape=SMALL, meddle=flip)
    assert finds_a_flip(work, flip, budget_s=BUDGET_S, patience=PATIENCE_BLOCKS)
    assert [fault for _ in range(40) for fault in work.block(BUDGET_S).faults] == []


def test_a_fault_says_which_value_and_which_bits() -> None:
    def flip(name: str, array: Array) -> None:
        if name == "result":
            array[7, 3] = -array[7, 3]

    (detail,) = Product(shape=SMALL, meddle=flip).block(BUDGET_S).faults
    assert "double product 48×64×32" in detail
    assert "1 of 1536 values differ, first at (7, 3), bits 0x8000000000000000" in detail


def test_residual_of_a_solution_agrees_with_a_worked_example() -> None:
    # By hand: A = diag(2, 4), b = (2, 4), x = (1 + 2^-50, 1): ||A x - b|| = 2 * 2^-50; ||A|| = 4, ||x|| = 1 + 2^-50,
    # ||b|| = 4, n = 2, eps = 2^-53: 2^-49 / (2^-53 * 8 * 2) = 1 up to 2^-50.
    a = np.diag([2.0, 4.0])
    x = np.array([1 + 2.0**-50, 1.0])
    assert solve_residual(a, x, np.array([2.0, 4.0])) == pytest.approx(1.0, rel=1e-12)


def test_residual_passes_good_solutions_and_fails_spoilt_ones() -> None:
    # Threshold 16: LINPACK rules, as published benchmark listings print it.
    rng = np.random.default_rng(0)
    a, b = rng.standard_normal((200, 200)), rng.standard_normal(200)
    x = np.linalg.solve(a, b)
    assert solve_residual(a, x, b) < 16
    spoilt = x.copy()
    spoilt[17] *= 1 + 1e-9
    assert solve_residual(a, spoilt, b) > 16


def test_residual_of_a_product_passes_the_right_and_fails_a_wrong_element() -> None:
    rng = np.random.default_rng(0)
    a, b = rng.standard_normal((64, 96)), rng.standard_normal((96, 80))
    c = a @ b
    assert scaled_residual(a, b, c) < 16
    c[3, 4] += 1e-6
    assert scaled_residual(a, b, c) > 16


def test_blocked_solution_agrees_with_the_library() -> None:
    import scipy.linalg

    work = BlockedSolve(size=512, seed=3)
    while work.block(BUDGET_S).checks == 0:
        pass
    expected = scipy.linalg.solve(work._system[:, :-1], work._system[:, -1])
    assert np.allclose(work._x, expected, rtol=1e-12)


def test_parseval_holds_for_known_transforms() -> None:
    # A unit impulse has a spectrum of ones; a constant 1 of length N has N at index 0 alone.
    impulse = np.zeros(64, complex)
    impulse[5] = 1
    assert parseval_defect(impulse, np.fft.fft(impulse)) < 1e-15
    constant = np.zeros(64, complex)
    constant[0] = 64
    assert parseval_defect(np.ones(64, complex), constant) == 0.0
    assert parseval_defect(np.ones(64, complex), constant * 1.001) == pytest.approx(0.002001, rel=1e-6)


def test_transform_agrees_with_another_library() -> None:
    import scipy.fft

    signal = np.random.default_rng(2).standard_normal(4096) + 0j
    assert np.allclose(np.fft.fft(signal), scipy.fft.fft(signal), rtol=1e-12)


def test_published_digests() -> None:
    answers = tomllib.loads((Path(__file__).parent / "data/compute_answers.toml").read_text())
    for vector in answers["sha256"]:
        message = vector["text"].encode() * vector.get("repeat", 1)
        assert hashlib.sha256(message).hexdigest() == vector["digest"]
    assert answers["sha256"][-1]["digest"] == digest_work.MILLION_A_SHA256
    assert zlib.crc32(answers["crc32"]["text"].encode()) == answers["crc32"]["check"] == digest_work.CHECK_CRC32


def test_a_wrong_published_digest_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(digest_work, "CHECK_CRC32", 0xCBF43927)
    assert "CRC-32" in "".join(Digest().block(BUDGET_S).faults)


@pytest.mark.parametrize("dtype", ["float64", "float32", "complex128", "uint64"])
def test_digest_sees_every_bit_and_difference_names_it(dtype: str) -> None:
    array = (np.random.default_rng(0).standard_normal((6, 4)) * 100).astype(dtype)
    before = bits.digest(array)
    for bit in range(8 * array.nbytes):
        changed = array.copy()
        changed.view(np.uint8).reshape(-1)[bit // 8] ^= np.uint8(1 << bit % 8)
        assert bits.digest(changed) != before
        row, column = divmod(bit // 8 // array.itemsize, 4)
        assert f"1 of 24 values differ, first at ({row}, {column})" in bits.difference(changed, array)
    assert bits.difference(array, array) == ""
