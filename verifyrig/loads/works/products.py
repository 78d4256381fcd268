"""Matrix products with known results: compared bit by bit, in double and single precision, from cache and memory.

The same product of the same operands gives the same bits every time: one thread, one shape, one library. The known
result is established once, by the rule of scaled residuals against a product taken in another order; integer
products, which floating point does without rounding, are established by integer arithmetic, another unit of the core.

Source: residual scaled as in the LINPACK rules (Dongarra, Luszczek, Petitet 2003), threshold 16.
"""

from __future__ import annotations

import time
from itertools import count
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from verifyrig.loads.wire import BLOCK_S
from verifyrig.loads.works import BlockResult, Meddle, Work, untouched
from verifyrig.loads.works.bits import difference, digest

Array = npt.NDArray[Any]

RESIDUAL_THRESHOLD = 16.0


class ProductShape(NamedTuple):
    """Rows of the left operand, its columns, and the widths of the right one to choose from, widest first."""

    rows: int
    depth: int
    columns: tuple[int, ...]


# Chosen by measurement: wide enough for the full rate, short enough for a block. Slower cores take fewer columns.
SHAPE = ProductShape(rows=576, depth=512, columns=(1536, 1280, 1024, 768, 512, 384, 256, 128, 64, 32))
LARGE_PAGE_BYTES = 2**21
# From this size on numpy asks the system for large pages.
NUMPY_ASKS_FROM_BYTES = 2**22
OPERAND_CHECK_EVERY = 8


def on_large_pages(shape: tuple[int, ...], dtype: npt.DTypeLike) -> Array:
    """Return an array without contents that lies on large pages where the system grants them.

    A product that looks up fewer addresses comes closer to what the core can do (2 % measured).
    """
    wanted = int(np.prod(shape)) * np.dtype(dtype).itemsize
    memory = np.empty(max(wanted + LARGE_PAGE_BYTES, NUMPY_ASKS_FROM_BYTES), np.uint8)
    first = -memory.ctypes.data % LARGE_PAGE_BYTES
    return memory[first : first + wanted].view(dtype).reshape(shape)


def scaled_residual(a: Array, b: Array, c: Array) -> float:
    """Return the largest deviation of C r from A (B r), scaled by eps, size and norms; right results stay below 16.

    Args:
        a, b, c: Shapes (m, k), (k, n), (m, n), one floating type.

    Source: Freivalds' check with the scaling of the LINPACK rules; eps is half the spacing at 1.
    """
    signs = np.where(np.arange(b.shape[1]) % 3 == 0, -1.0, 1.0).astype(a.dtype)
    eps = float(np.finfo(a.dtype).eps) / 2
    norm = float(np.abs(a).sum(axis=1).max()) * float(np.abs(b).sum(axis=1).max())
    deviation = float(np.abs(c @ signs - a @ (b @ signs)).max())
    return float(deviation / (eps * norm * max(*a.shape, b.shape[1])))


class Product(Work):
    """Products of dense operands, each result compared with the known one."""

    def __init__(
        self,
        *,
        dtype: str = "float64",
        sets: int = 1,
        shape: ProductShape = SHAPE,
        seed: int = 0,
        meddle: Meddle = untouched,
    ) -> None:
        """Prepare operands and known results.

        Args:
            dtype: `float64` or `float32`.
            sets: Pairs of operands: one stays in cache, many come from memory.
            shape: Rows, depth, and the widths to choose from, widest first, in double precision.
            seed: Of the operands.
            meddle: Hook of tests.
        """
        self._shape = shape
        self._dtype = np.dtype(dtype)
        self._sets = sets
        self._seed = seed
        self._meddle = meddle
        self._per_column = 8 // self._dtype.itemsize
        self._operands = [self._laid_out(self._operand(i)) for i in range(2 * sets)]
        self._operand_digests = [digest(operand) for operand in self._operands]
        self._blocks = count()
        self._standing: list[str] = []
        self._seconds = self._fitting_columns()
        # One place for all results: each is compared before the next is made.
        place = on_large_pages((self._shape.rows * max(self._seconds),), self._dtype)
        self._results = {n: place[: self._shape.rows * n].reshape(self._shape.rows, n) for n in self._seconds}
        self._known = {(i, columns): self._establish(i, columns) for i in range(sets) for columns in self._results}
        self.block_s = min(self._seconds.values())

    @np.errstate(all="ignore")  # a changed operand may overflow: that is a fault to find, not a warning
    def block(self, budget_s: float) -> BlockResult:
        """Do the widest product that fits the budget, and compare it."""
        number = next(self._blocks)
        chosen, columns = number % self._sets, self._columns(budget_s)
        a, b, c = self._arrays(chosen, columns)
        self._meddle("operand", a)
        np.matmul(a, b, out=c)
        self._meddle("result", c)
        faults = [*self._standing]
        self._standing = []
        if digest(c) != self._known[chosen, columns]:
            faults.append(self._explain(chosen, columns))
        elif number % OPERAND_CHECK_EVERY == 0:
            faults += self._check_operand(number // OPERAND_CHECK_EVERY % len(self._operands))
        return BlockResult(2e-9 * self._shape.rows * self._shape.depth * columns, 1, tuple(faults))

    def close(self) -> None:
        """Release the operands."""
        self._operands = []

    @property
    def _name(self) -> str:
        return "double product" if self._dtype.itemsize == 8 else "single product"

    def _operand(self, index: int) -> Array:
        rng = np.random.default_rng([self._seed, index])
        shape = (
            (self._shape.depth, self._shape.columns[0] * self._per_column)
            if index % 2
            else (self._shape.rows, self._shape.depth)
        )
        operand: Array = rng.random(shape, dtype=self._dtype.type)
        operand -= 0.5
        return operand

    def _laid_out(self, operand: Array) -> Array:
        laid_out = on_large_pages(operand.shape, self._dtype)
        laid_out[...] = operand
        return laid_out

    def _fitting_columns(self) -> dict[int, float]:
        """Return the widths whose product takes no longer than a block on this core, and the time of each, s."""
        widths = [columns * self._per_column for columns in self._shape.columns]
        whole_s = self._time(widths[0])
        seconds = {columns: whole_s * columns / widths[0] for columns in widths}
        fitting = {columns: guess_s for columns, guess_s in seconds.items() if guess_s <= BLOCK_S}
        return fitting or {widths[-1]: seconds[widths[-1]]}

    def _arrays(self, chosen: int, columns: int) -> tuple[Array, Array, Array]:
        return self._operands[2 * chosen], self._operands[2 * chosen + 1][:, :columns], self._results[columns]

    def _time(self, columns: int) -> float:
        """Return the processor time of one product, s; what else is busy on the core does not count."""
        a, b = self._operands[0], self._operands[1][:, :columns]
        c = np.empty((self._shape.rows, columns), self._dtype)
        best_s = float("inf")
        for _ in range(3):
            began_s = time.thread_time()
            np.matmul(a, b, out=c)
            best_s = min(best_s, time.thread_time() - began_s)
        return best_s

    def _columns(self, budget_s: float) -> int:
        fitting = (columns for columns, seconds in self._seconds.items() if seconds <= budget_s)
        return next(fitting, min(self._seconds))

    def _establish(self, chosen: int, columns: int) -> int:
        a, b, c = self._arrays(chosen, columns)
        np.matmul(a, b, out=c)
        residual = scaled_residual(a, b, c)
        if not residual < RESIDUAL_THRESHOLD:
            self._standing.append(f"{self._name}: scaled residual {residual:.3g}, limit {RESIDUAL_THRESHOLD:g}")
        return digest(c)

    def _check_operand(self, index: int) -> list[str]:
        operand = self._operands[index]
        if digest(operand) == self._operand_digests[index]:
            return []
        right = self._operand(index)
        detail = difference(operand, right)
        self._operands[index][...] = right
        return [f"operand of the {self._name} changed in memory: {detail}"]

    def _explain(self, chosen: int, columns: int) -> str:
        changed = self._check_operand(2 * chosen) + self._check_operand(2 * chosen + 1)
        if changed:
            return changed[0]
        a, b, c = self._arrays(chosen, columns)
        wrong = c.copy()
        np.matmul(a, b, out=c)
        detail = difference(wrong, c) or "wrong in the same way when done again"
        return f"{self._name} {self._shape.rows}×{self._shape.depth}×{columns}: {detail}"


class ExactProduct(Work):
    """A product of integers in floating point: no rounding, and the integer unit knows the result."""

    SIZE = 192
    LARGEST = 2**20  # 192 products below 2^40 stay far below 2^53

    def __init__(self, *, seed: int = 0, meddle: Meddle = untouched) -> None:
        rng = np.random.default_rng(seed)
        left, right = (rng.integers(-self.LARGEST, self.LARGEST, (self.SIZE, self.SIZE)) for _ in range(2))
        self._a, self._b = left.astype(np.float64), right.astype(np.float64)
        self._known = (left @ right).astype(np.float64)
        self._meddle = meddle
        self._sums = digest(self._a), digest(self._b)
        self._sources = left, right
        self.block_s = 0.001

    @np.errstate(all="ignore")  # a changed operand may overflow: that is a fault to find, not a warning
    def block(self, budget_s: float) -> BlockResult:
        """Do one product and compare it with the exact one."""
        self._meddle("operand", self._a)
        c = self._a @ self._b
        self._meddle("result", c)
        intact = (digest(self._a), digest(self._b)) == self._sums
        if intact and digest(c) == digest(self._known):
            return BlockResult(2e-9 * self.SIZE**3, 1)
        if not intact:
            self._a[...], self._b[...] = self._sources
            return BlockResult(0.0, 1, ("operand of the exact product changed in memory",))
        return BlockResult(0.0, 1, (f"exact product: {difference(c, self._known)}",))

    def close(self) -> None:
        """Nothing to release."""
