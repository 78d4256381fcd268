"""What each work finds of single flipped bits, and whether clean work raises alarms.

Small operands, the same code: 10 000 trials of each kind. Beside it, for products: the check by residual alone, which
is what one would write first; it cannot see the low bits, since rounding is as large as they are.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.bit_flip import BitFlip, finds_a_flip
from verifyrig.loads.works import Meddle, Work, untouched
from verifyrig.loads.works.digest import Digest
from verifyrig.loads.works.memory_sweep import MemorySweep
from verifyrig.loads.works.products import RESIDUAL_THRESHOLD, ExactProduct, Product, ProductShape, scaled_residual
from verifyrig.loads.works.solves import BlockedSolve, Solve
from verifyrig.loads.works.storage import Storage
from verifyrig.loads.works.transform import Transform

SMALL = ProductShape(rows=48, depth=64, columns=(32, 16))
BUDGET_S = 0.014
# Clean work of all together: an hour of a processor's time.
CLEAN_S = 3600.0

Make = Callable[[Meddle], Work]


def works(folder: Path) -> dict[str, tuple[Make, tuple[str, ...], int, int]]:
    """Return for each work: how it is made, which arrays it shows, blocks of patience, and one trial in how many."""
    return {
        "double product": (lambda m: Product(shape=SMALL, meddle=m), ("operand", "result"), 40, 1),
        "product from memory": (lambda m: Product(shape=SMALL, sets=3, meddle=m), ("operand", "result"), 120, 1),
        "single product": (lambda m: Product(shape=SMALL, dtype="float32", meddle=m), ("operand", "result"), 40, 1),
        "exact product": (lambda m: ExactProduct(meddle=m), ("operand", "result"), 2, 1),
        "double solve": (lambda m: Solve(size=48, meddle=m), ("operand", "result"), 2, 1),
        "single solve": (lambda m: Solve(size=48, dtype="float32", meddle=m), ("operand", "result"), 2, 1),
        "blocked solve": (lambda m: BlockedSolve(size=96, panel=32, meddle=m), ("operand", "result"), 30, 1),
        "transform": (lambda m: Transform(length=2**10, meddle=m), ("operand", "result", "buffer"), 2, 1),
        "digest": (lambda m: Digest(message_bytes=2**12, piece_bytes=2**9, meddle=m), ("operand", "result"), 80, 1),
        "march": (lambda m: MemorySweep(size_bytes=2**14, block_words=2**8, meddle=m), ("buffer",), 3000, 1),
        "storage": (lambda m: Storage(folder, most_bytes=2**20, meddle=m), ("operand", "buffer"), 17, 5),
    }


def found_share(make: Make, name: str, *, trials: int, patience: int, budget_s: float) -> dict[str, float]:
    """Return how many of the flipped bits were found."""
    flip = BitFlip(np.random.default_rng(11), name)
    work = make(flip)
    found = sum(finds_a_flip(work, flip, budget_s=budget_s, patience=patience) for _ in range(trials))
    work.close()
    return {"trials": trials, "found": found, "share": found / trials}


def clean(make: Make, for_s: float) -> dict[str, float]:
    """Return checks and false alarms of clean work for so long."""
    work = make(untouched)
    checks = alarms = 0
    end_s = time.process_time() + for_s  # a processor's time: what others use of the machine does not count
    while time.process_time() < end_s:
        result = work.block(BUDGET_S)
        checks += result.checks
        alarms += len(result.faults)
    work.close()
    return {"checks": checks, "false_alarms": alarms}


def residual_alone(trials: int) -> dict[str, float]:
    """Return the share of flipped bits of a product that its scaled residual shows."""
    rng = np.random.default_rng(11)
    a, b = rng.random((48, 64)) - 0.5, rng.random((64, 32)) - 0.5
    right = a @ b
    flip = BitFlip(rng, "result")
    found = 0
    for _ in range(trials):
        c = right.copy()
        flip.armed = True
        flip("result", c)
        with np.errstate(all="ignore"):
            found += not scaled_residual(a, b, c) < RESIDUAL_THRESHOLD
    return {"trials": trials, "found": found, "share": found / trials}


def measure(full: bool = True) -> dict[str, object]:
    """Return found shares and false alarms of every work."""
    trials = 10_000 if full else 100
    table: dict[str, dict[str, dict[str, float]]] = {}
    with tempfile.TemporaryDirectory() as folder:
        made = works(Path(folder))
        clean_s = CLEAN_S / len(made) if full else 0.5
        for work, (make, names, patience, one_in) in made.items():
            count = max(20, trials // one_in)
            # Sweeps and files are cut into short blocks, so that a flip falls anywhere between two of them.
            budget_s = 0.0 if work in ("march", "storage") else BUDGET_S
            row = {n: found_share(make, n, trials=count, patience=patience, budget_s=budget_s) for n in names}
            table[work] = {**row, "clean": clean(make, clean_s)}
    ours = table["double product"]["result"]["share"]
    alone = residual_alone(trials)
    least = min(row["share"] for rows in table.values() for name, row in rows.items() if name != "clean")
    return {
        "works": table,
        "least_share_found": least,
        "clean_s": clean_s * len(table),
        "checks": sum(rows["clean"]["checks"] for rows in table.values()),
        "false_alarms": sum(rows["clean"]["false_alarms"] for rows in table.values()),
        "residual_alone": alone,
        "ratio": ours / alone["share"],
    }
