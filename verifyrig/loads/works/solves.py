"""Systems of linear equations: factored and solved, judged by the scaled residual of the LINPACK rules.

Source: LINPACK rules as in Dongarra, Luszczek, Petitet (2003): ||A x - b|| / (eps (||A|| ||x|| + ||b||) n) < 16, in
the maximum norm, eps half the spacing at 1.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from verifyrig.loads.works import BlockResult, Meddle, Work, untouched
from verifyrig.loads.works.bits import difference, digest
from verifyrig.loads.works.products import RESIDUAL_THRESHOLD

Array = npt.NDArray[Any]

# Columns eliminated at once, and rows (or half as many columns) updated in one step.
PANEL = 128
STRIP = 384


def solve_residual(a: Array, x: Array, b: Array) -> float:
    """Return the scaled residual of a solution.

    Args:
        a, x, b: Shapes (n, n), (n,), (n,), one floating type.
    """
    return _scaled(float(np.abs(a @ x - b).max()), norm(a), float(np.abs(b).max()), x)


def norm(a: Array) -> float:
    """Return the largest sum of absolute values in a row, the norm that belongs to the maximum norm."""
    return float(np.abs(a).sum(axis=1).max())


def _scaled(deviation: float, norm_a: float, norm_b: float, x: Array) -> float:
    eps = float(np.finfo(x.dtype).eps) / 2
    return deviation / (eps * (norm_a * float(np.abs(x).max()) + norm_b) * len(x))


def solved(a: Array, b: Array) -> Array:
    """Return the solution of a x = b, NaN where the matrix is singular: a changed operand can be that."""
    try:
        return np.linalg.solve(a, b)
    except np.linalg.LinAlgError:
        return np.full_like(b, np.nan)


class Solve(Work):
    """Systems that fit into cache, solved by the library's factorisation with pivoting."""

    def __init__(self, *, dtype: str = "float64", size: int = 384, seed: int = 0, meddle: Meddle = untouched) -> None:
        self._dtype = np.dtype(dtype)
        self._size = size
        self._seed = seed
        self._meddle = meddle
        self._a, self._b = self._operands()
        self._sums = digest(self._a), digest(self._b)
        self._known = np.linalg.solve(self._a, self._b)
        self.block_s = 0.004

    @np.errstate(all="ignore")  # a changed operand may overflow: that is a fault to find, not a warning
    def block(self, budget_s: float) -> BlockResult:
        """Solve once; judge by residual and by the bits of the known solution."""
        self._meddle("operand", self._a)
        x = solved(self._a, self._b)
        self._meddle("result", x)
        return BlockResult(2e-9 / 3 * self._size**3, 1, tuple(self._faults(x)))

    def close(self) -> None:
        """Nothing to release."""

    def _operands(self) -> tuple[Array, Array]:
        rng = np.random.default_rng(self._seed)
        kind = self._dtype.type
        return rng.standard_normal((self._size, self._size), dtype=kind), rng.standard_normal(self._size, dtype=kind)

    def _faults(self, x: Array) -> Iterator[str]:
        name = f"{'double' if self._dtype.itemsize == 8 else 'single'} solve n = {self._size}"
        if (digest(self._a), digest(self._b)) != self._sums:
            self._a, self._b = self._operands()
            yield f"operand of the {name} changed in memory"
            return
        residual = solve_residual(self._a, x, self._b)
        if not residual < RESIDUAL_THRESHOLD:
            yield f"{name}: scaled residual {residual:.3g}, limit {RESIDUAL_THRESHOLD:g}"
        elif digest(x) != digest(self._known):
            yield f"{name}: {difference(x, self._known)}"


class BlockedSolve(Work):
    """A system that does not fit into cache, eliminated panel by panel so that no step is long.

    The matrix is dominated by its diagonal, which makes elimination without pivoting stable (Golub and Van Loan,
    Matrix Computations, section 4.1; from memory). Panel k gives U_k = D_k^-1 [A_k,later | b_k]; what is below loses
    L_k U_k; the solution comes from behind.
    """

    def __init__(self, *, size: int = 1536, panel: int = PANEL, seed: int = 0, meddle: Meddle = untouched) -> None:
        """Prepare a system of `size` equations, a whole number of panels."""
        if size % panel:
            raise ValueError(f"{size} equations are no whole number of panels of {panel}")
        self._size = size
        self._panel = panel
        self._seed = seed
        self._meddle = meddle
        self._system = self._made()
        self._sum = digest(self._system)
        self._norms = norm(self._system[:, :-1]), float(np.abs(self._system[:, -1]).max())
        # Filled here, so that the memory is there before the first timed step.
        self._reduced = self._system.copy()
        self._update = np.zeros(STRIP * (size + 1))
        self._x = np.empty(size)
        self._known: int | None = None
        self._steps = self._solve_for_ever()
        self.block_s = 0.006

    @np.errstate(all="ignore")  # a changed operand may overflow: that is a fault to find, not a warning
    def block(self, budget_s: float) -> BlockResult:
        """Do one step of the elimination; the last step of each solve checks it."""
        return next(self._steps)

    def close(self) -> None:
        """Nothing to release."""

    def _made(self) -> Array:
        """Return the matrix with the right-hand side as one more column."""
        system = np.random.default_rng(self._seed).uniform(-1.0, 1.0, (self._size, self._size + 1))
        system[np.arange(self._size), np.arange(self._size)] += self._size
        return system

    def _solve_for_ever(self) -> Iterator[BlockResult]:
        while True:
            self._meddle("operand", self._system)
            yield from self._copy()
            for panel in range(0, self._size, self._panel):
                yield from self._eliminate(panel)
            self._substitute()
            self._meddle("result", self._x)
            yield BlockResult()
            yield from self._judge()

    def _copy(self) -> Iterator[BlockResult]:
        for top in range(0, self._size, STRIP):
            self._reduced[top : top + STRIP] = self._system[top : top + STRIP]
            yield BlockResult()

    def _eliminate(self, panel: int) -> Iterator[BlockResult]:
        w, after = self._reduced, panel + self._panel
        for left in range(after, self._size + 1, 2 * STRIP):
            columns = slice(left, left + 2 * STRIP)
            w[panel:after, columns] = solved(w[panel:after, panel:after], w[panel:after, columns])
            yield BlockResult(2e-9 * self._panel**2 * (min(columns.stop, self._size) - left))
        for top in range(after, self._size, STRIP):
            rows = slice(top, top + STRIP)
            height = min(rows.stop, self._size) - top
            update = self._update[: height * (self._size + 1 - after)].reshape(height, -1)
            w[rows, after:] -= np.matmul(w[rows, panel:after], w[panel:after, after:], out=update)
            yield BlockResult(2e-9 * height * self._panel * (self._size - after))

    def _substitute(self) -> None:
        w, x = self._reduced, self._x
        for panel in range(self._size - self._panel, -1, -self._panel):
            after = panel + self._panel
            x[panel:after] = w[panel:after, -1] - w[panel:after, after:-1] @ x[after:]

    def _judge(self) -> Iterator[BlockResult]:
        """Look strip by strip whether the operand is what it was and the solution solves it; then say what is wrong."""
        total, deviation = 0, 0.0
        for top in range(0, self._size, STRIP):
            strip = self._system[top : top + STRIP]
            total += digest(strip)
            deviation = float(np.maximum(deviation, np.abs(strip[:, :-1] @ self._x - strip[:, -1]).max()))
            yield BlockResult()
        intact = (total - self._sum) % 2**64 == 0
        yield BlockResult(0.0, 1, tuple(self._faults(_scaled(deviation, *self._norms, self._x), intact)))

    def _faults(self, residual: float, intact: bool) -> Iterator[str]:
        name = f"blocked solve n = {self._size}"
        if not intact:
            self._system = self._made()
            yield f"operand of the {name} changed in memory"
            return
        if not residual < RESIDUAL_THRESHOLD:
            yield f"{name}: scaled residual {residual:.3g}, limit {RESIDUAL_THRESHOLD:g}"
            return
        if self._known is None:
            self._known = digest(self._x)
        if digest(self._x) != self._known:
            yield f"{name}: the solution differs in its last bits from the one before"
