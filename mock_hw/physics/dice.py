"""Seeded draws. Seed 0 is the typical machine: it takes the middle of every range."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from typing import TypeVar

T = TypeVar("T")


class Dice:
    """Draws for one purpose of one seed; different purposes never disturb one another."""

    def __init__(self, seed: int, purpose: str) -> None:
        self._typical = seed == 0
        self._random = random.Random(f"{seed}/{purpose}")

    def even(self, low: float, high: float) -> float:
        """Return a value spread evenly between two bounds."""
        return (low + high) / 2 if self._typical else self._random.uniform(low, high)

    def scaled(self, low: float, high: float) -> float:
        """Return a value spread evenly on a logarithmic scale between two positive bounds."""
        return math.exp(self.even(math.log(low), math.log(high)))

    def one_of(self, options: Sequence[T], *, typical: T) -> T:
        """Return one of the options; seed 0 gets the typical one."""
        return typical if self._typical else self._random.choice(options)

    def chance(self, probability: float, *, typical: bool) -> bool:
        """Return True with a probability; seed 0 gets the typical answer."""
        return typical if self._typical else self._random.random() < probability

    def sign(self) -> float:
        """Return +1 or -1; seed 0 gets +1."""
        return 1.0 if self._typical else self._random.choice((1.0, -1.0))
