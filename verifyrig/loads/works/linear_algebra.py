"""Dense linear algebra: the hottest arithmetic that a processor has, every result of it checked."""

from __future__ import annotations

from verifyrig.loads.works import Meddle, Work, untouched
from verifyrig.loads.works.products import ExactProduct, Product
from verifyrig.loads.works.rotation import Rotation
from verifyrig.loads.works.solves import BlockedSolve, Solve

# Pairs of operands of 6 MB each: more than most last-level caches hold for one core.
MEMORY_SETS = 6


def linear_algebra(*, seed: int = 0, meddle: Meddle = untouched) -> Work:
    """Return the work `linear-algebra`: mostly double products, with solves and single precision between."""
    return Rotation(
        [
            (Product(seed=seed, meddle=meddle), 0.60),
            (Product(sets=MEMORY_SETS, seed=seed + 1, meddle=meddle), 0.14),
            (Product(dtype="float32", seed=seed + 2, meddle=meddle), 0.10),
            (ExactProduct(seed=seed + 3, meddle=meddle), 0.02),
            (Solve(seed=seed + 4, meddle=meddle), 0.06),
            (Solve(dtype="float32", seed=seed + 5, meddle=meddle), 0.02),
            (BlockedSolve(seed=seed + 6, meddle=meddle), 0.06),
        ]
    )
