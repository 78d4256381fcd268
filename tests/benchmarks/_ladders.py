"""Heat paths that no lumps of the model match: Foster ladders of six masses, and the record of a load on one.

Z(t) = sum R_i (1 - exp(-t / tau_i)) is the closed form of transient impedance (JESD51-1). The six time constants lie
anywhere from 0.4 to 350 s; the sensor shows whole degrees and is fresh every 1 to 2.5 s.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from verifyrig.core.trace import Event, FloatArray

_MASSES, _FASTEST_S, _SLOWEST_S = 6, 0.4, 350.0
_SHARES_K_PER_W = np.array([0.12, 0.05, 0.03, 0.04, 0.07, 0.09])
_FAN_RPM, _GAIN_BOUND = 1000.0, 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """A path, K/W and s, shape (6,), and the machine around it: watts, ambient, °C, and the power reading's gain."""

    k_per_w: FloatArray
    tau_s: FloatArray
    idle_w: float
    full_w: float
    ambient_c: float
    power_gain: float

    def impedance(self, t_s: float) -> float:
        """Return the rise for each watt so long after a step, K/W."""
        return float(np.sum(self.k_per_w * -np.expm1(-t_s / self.tau_s)))


def ladder(seed: int) -> Ladder:
    """Draw a ladder."""
    dice = np.random.default_rng(seed)
    edges = np.linspace(np.log(_FASTEST_S), np.log(_SLOWEST_S), _MASSES + 1)
    tau_s = np.exp(dice.uniform(edges[:-1], edges[1:]))
    k_per_w = _SHARES_K_PER_W * np.exp(dice.normal(0.0, 0.7, _MASSES))
    return Ladder(
        k_per_w=k_per_w * dice.uniform(0.22, 0.42) / k_per_w.sum(),
        tau_s=tau_s,
        idle_w=dice.uniform(10.0, 20.0),
        full_w=dice.uniform(70.0, 140.0),
        ambient_c=dice.uniform(20.0, 30.0),
        power_gain=1.0 + dice.uniform(-_GAIN_BOUND, _GAIN_BOUND),
    )


def record_of(path: Ladder, seed: int, shares: Sequence[float]) -> tuple[FloatArray, tuple[Event, ...]]:
    """Return die, °C, power, W, fan, rpm, and ambient, °C, each second, shape (n, 4), and the load's events.

    Args:
        shares: Of each second.
    """
    dice = np.random.default_rng(seed)
    refresh_s, fresh_at_s, shown_c = dice.uniform(1.0, 2.5), 0.0, 0.0
    stored_k, commanded = path.k_per_w * path.idle_w, 0.0
    rows, events = [], []
    for second, share in enumerate(shares):
        if share != commanded:
            events.append(Event(t_s=float(second), kind="load", detail={"share": share}))
            commanded = share
        die_c = path.ambient_c + float(stored_k.sum())
        watts = (path.idle_w + (path.full_w - path.idle_w) * share) * (1.0 + 0.004 * (die_c - 50.0))
        ends_k = path.k_per_w * watts
        stored_k = ends_k + (stored_k - ends_k) * np.exp(-1.0 / path.tau_s)
        if second >= fresh_at_s:
            shown_c = round(path.ambient_c + float(stored_k.sum()) + dice.normal(0.0, 0.3))
            fresh_at_s += refresh_s
        read_w = watts * path.power_gain * (1.0 + dice.normal(0.0, 0.005))
        rows.append((shown_c, read_w, _FAN_RPM + dice.normal(0.0, 5.0), path.ambient_c + dice.normal(0.0, 0.05)))
    return np.array(rows), tuple(events)
