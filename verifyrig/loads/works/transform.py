"""Fourier transforms there and back: wide strides through the cache, judged by Parseval's identity and by bits.

Sources: Parseval's identity for the unnormalised transform, sum |x|^2 = (1/N) sum |X|^2; growth of rounding errors
with log2 N (Higham, Accuracy and Stability of Numerical Algorithms, 2nd ed., chapter 24). The factor 8 is ours.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from verifyrig.loads.works import BlockResult, Meddle, Work, untouched
from verifyrig.loads.works.bits import difference, digest

Array = npt.NDArray[Any]

LENGTH = 2**15


def tolerance(length: int) -> float:
    """Return the largest relative error that rounding may leave in a transform of that length."""
    return 8 * math.log2(length) * float(np.finfo(np.float64).eps)


def parseval_defect(signal: Array, spectrum: Array) -> float:
    """Return the relative difference between the energies of a signal and of its unnormalised transform."""
    energy = float(np.vdot(signal, signal).real)
    return abs(float(np.vdot(spectrum, spectrum).real) / signal.size - energy) / energy


def round_trip_error(signal: Array, back: Array) -> float:
    """Return the relative error of a signal that went there and back, in the 2-norm."""
    return float(np.linalg.norm(back - signal) / np.linalg.norm(signal))


class Transform(Work):
    """One complex signal, transformed there and back."""

    def __init__(self, *, length: int = LENGTH, seed: int = 0, meddle: Meddle = untouched) -> None:
        self._length = length
        self._tolerance = tolerance(length)
        self._seed = seed
        self._meddle = meddle
        self._signal = self._made()
        self._spectrum = np.fft.fft(self._signal)
        self._back = np.fft.ifft(self._spectrum)
        self._sum = digest(self._signal)
        self._known = digest(self._spectrum), digest(self._back)
        self.block_s = 0.003

    @np.errstate(all="ignore")  # a changed operand may overflow: that is a fault to find, not a warning
    def block(self, budget_s: float) -> BlockResult:
        """Transform once there and once back."""
        self._meddle("operand", self._signal)
        spectrum = np.fft.fft(self._signal)
        self._meddle("result", spectrum)
        back = np.fft.ifft(spectrum)
        self._meddle("buffer", back)
        faults = tuple(self._faults(spectrum, back))
        return BlockResult(10e-9 * self._length * math.log2(self._length), 2, faults)

    def close(self) -> None:
        """Nothing to release."""

    def _made(self) -> Array:
        rng = np.random.default_rng(self._seed)
        return rng.standard_normal(self._length) + 1j * rng.standard_normal(self._length)

    def _faults(self, spectrum: Array, back: Array) -> Iterator[str]:
        name = f"transform N = {self._length}"
        if digest(self._signal) != self._sum:
            changed, self._signal = self._signal, self._made()
            yield f"signal of the {name} changed in memory: {difference(changed, self._signal)}"
            return
        defect, error = parseval_defect(self._signal, spectrum), round_trip_error(self._signal, back)
        if not defect < self._tolerance:
            yield f"{name}: energies differ by {defect:.3g} of themselves, limit {self._tolerance:.3g}"
        elif digest(spectrum) != self._known[0]:
            yield f"{name}: {difference(spectrum, self._spectrum)}"
        elif not error < self._tolerance:
            yield f"{name}: there and back differs by {error:.3g} of itself, limit {self._tolerance:.3g}"
        elif digest(back) != self._known[1]:
            yield f"{name}, there and back: {difference(back, self._back)}"
