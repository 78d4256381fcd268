"""Dips of a load as a forecast takes them: their heat is missing, and what is read in them does not count.

A machine whose reading stands is asked about once a minute, for two seconds and more without load. Whoever takes the
load for unbroken there finds the machine some tenths of a kelvin colder than it becomes under a load that is.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from verifyrig.core.trace import BoolArray, FloatArray, Trace

__all__ = ["ThroughDips", "dipped", "through_dips"]


class ThroughDips(NamedTuple):
    """Samples with their dips.

    Attributes:
        temp_c: Readings, °C, NaN within dips, shape (n,).
        share: Share of the load as it goes on after each dip, 0 to 1, shape (n,).
        until: How many samples there are up to the last one that counts: a dip still under way says nothing.
    """

    temp_c: FloatArray
    share: FloatArray
    until: int


def through_dips(temp_c: FloatArray, share: FloatArray, in_dip: BoolArray) -> ThroughDips:
    """Return readings and share of samples some of which show a dip, all of shape (n,)."""
    counting = np.flatnonzero(~in_dip)
    if not len(counting):
        return ThroughDips(np.full(len(temp_c), np.nan), share, 0)
    last = np.maximum.accumulate(np.where(in_dip, counting[0], np.arange(len(in_dip))))
    return ThroughDips(np.where(in_dip, np.nan, temp_c), share[last], int(counting[-1]) + 1)


def dipped(trace: Trace) -> BoolArray:
    """Return which samples of a run show a dip or the moments after one, shape (n,)."""
    found = np.zeros(len(trace.t_s), dtype=np.bool_)
    for from_s, until_s in trace.dips():
        found |= (trace.t_s > from_s) & (trace.t_s <= until_s)
    return found
