"""Dense products, each checked: the hottest arithmetic that a processor has."""

from __future__ import annotations

import numpy as np

from verifyrig.loads.works import BlockResult, Meddle, untouched

ROWS, DEPTH, COLUMNS = 512, 1024, 192


class LinearAlgebra:
    """Products of matrices with known results, compared bit by bit through their digest."""

    def __init__(self, *, seed: int = 0, meddle: Meddle = untouched) -> None:
        rng = np.random.default_rng(seed)
        self._a = rng.standard_normal((ROWS, DEPTH))
        self._b = rng.standard_normal((DEPTH, COLUMNS))
        self._c = np.empty((ROWS, COLUMNS))
        self._bits = self._c.view(np.int64).reshape(-1)
        self._meddle = meddle
        np.matmul(self._a, self._b, out=self._c)
        self._known = int(self._bits.sum())

    def block(self, budget_s: float) -> BlockResult:
        """Do one product."""
        np.matmul(self._a, self._b, out=self._c)
        self._meddle("result", self._c)
        wrong = int(self._bits.sum()) != self._known
        return BlockResult(2e-9 * ROWS * DEPTH * COLUMNS, 1, ("product differs",) if wrong else ())

    def close(self) -> None:
        """Nothing to let go of."""
