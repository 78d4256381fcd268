"""One flipped bit in an operand, a result or a buffer of a work: what its checks must find."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from verifyrig.loads.works import Work


class BitFlip:
    """Hook of a work: flips one bit, drawn at random, of the next array that bears the name, once each time armed."""

    def __init__(self, rng: np.random.Generator, name: str) -> None:
        self._rng = rng
        self._name = name
        self.armed = False

    def __call__(self, name: str, array: npt.NDArray[Any]) -> None:
        if not self.armed or name != self._name:
            return
        self.armed = False
        # A view of the operand may have gaps (some columns of a wider matrix): index the element, then its byte.
        place = tuple(int(self._rng.integers(extent)) for extent in array.shape)
        element = np.array([array[place]])
        element.view(np.uint8)[self._rng.integers(element.itemsize)] ^= np.uint8(1 << self._rng.integers(8))
        array[place] = element[0]


def finds_a_flip(work: Work, flip: BitFlip, *, budget_s: float, patience: int) -> bool:
    """Return whether the work tells a fault within `patience` blocks after the next flip."""
    flip.armed = True
    found = any(work.block(budget_s).faults for _ in range(patience))
    if flip.armed:
        raise ValueError("the work never came by the array that was to be flipped")
    return found
