"""Works: what a worker does with its core. Each checks every result of its own.

A work takes a `meddle` hook, used by tests alone: it is called with the name and the array of what was just
produced (`operand`, `result`, `buffer`), before the check, and may flip a bit there.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from verifyrig.core.reason import Reason

Meddle = Callable[[str, npt.NDArray[Any]], None]
FloatArray = npt.NDArray[np.float64]


class BlockResult(NamedTuple):
    """What one block did.

    Attributes:
        work: Units of work; which unit is the work's own affair.
        checks: Results checked.
        faults: One detail for each wrong result.
    """

    work: float = 0.0
    checks: int = 0
    faults: tuple[str, ...] = ()


class Work(Protocol):
    """Something that heats a core and knows whether its results are right.

    Attributes:
        block_s: About how long its shortest block takes, s.
        notes: What it could not do as it should.
    """

    block_s: float
    notes: tuple[Reason, ...] = ()

    def block(self, budget_s: float) -> BlockResult:
        """Work for about `budget_s`, at most 20 ms; check; return what was done."""
        ...

    def close(self) -> None:
        """Release memory and files."""
        ...


def untouched(_name: str, _array: npt.NDArray[Any]) -> None:
    """Do nothing: the hook outside of tests."""
