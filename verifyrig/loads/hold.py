"""Steers the duty so that a measured power or temperature comes to its target and stays there.

A proportional-integral controller in its incremental form: it begins at the share that is on (bumpless), and a share
at its end stop cannot wind up. Its strength is set by what the machine shows: watts for a whole share of duty, from the
first reading and then from how the readings follow the duty.

Source: textbook practice (Åström and Hägglund, PID Controllers, 1995; from memory); the numbers are ours, chosen on
simulated hardware.
"""

from __future__ import annotations

import math
from typing import Literal

from verifyrig.core.reason import Reason, reason

Kind = Literal["power", "temperature"]

# Power follows the duty at once, but its reading is up to two samples old: integral action alone, well below the
# 0.6 of the error per second at which a loop with two samples of delay begins to swing.
POWER_PER_S = 0.25
# Temperature follows over seconds to minutes.
TEMP_SHARE_PER_K = 0.02
TEMP_INTEGRAL_S = 25.0
LONGEST_STEP_S = 2.0
WINDOW_S = 3.0
# How far the duty must have moved between two windows to learn from them.
MEASURABLE_MOVE = 0.05
LIMITED_AFTER_S = 10.0
LIMITED_ERROR = 0.03
# Noise lifts the share a little off its end stop now and then.
NEAR_STOP = 0.05
SMALLEST_SHARE = 0.02


class HoldController:
    """Takes a reading a sample, gives the duty share.

    Attributes:
        share: Duty share now, 0 to 1.
    """

    def __init__(self, target: float, *, kind: Kind, initial_share: float = 0.5) -> None:
        """Take the target (W or °C), and the share to begin with."""
        if not target > 0:
            raise ValueError(f"a target of {target} cannot be held")
        self.share = min(max(initial_share, SMALLEST_SHARE), 1.0)
        self._target = target
        self._kind = kind
        self._gain = _GainEstimate(self.share)
        self._last: tuple[float, float] | None = None
        self._limited_since_s: float | None = None
        self._error = 0.0
        self._now_s = self._read_s = -math.inf

    @property
    def limited(self) -> Reason | None:
        """Why the target cannot be reached; None while it can, or while that is not known yet."""
        if self._now_s - self._read_s >= LIMITED_AFTER_S:
            return reason(f"hold-no-{self._kind}", share=self.share)
        if self._limited_since_s is None or self._now_s - self._limited_since_s < LIMITED_AFTER_S:
            return None
        where = "not-reached" if self.share >= 0.5 else "above"
        return reason(f"hold-{self._kind}-{where}", target=self._target)

    def update(self, t_s: float, measured: float | None) -> float:
        """Take the reading of this sample (None or NaN where there is none: the share stays), return the new share.

        Args:
            t_s: Time, s, on any clock that does not go back.
            measured: Power, W, or temperature, °C.
        """
        before_s, self._now_s = self._now_s, t_s
        if math.isinf(self._read_s):
            self._read_s = t_s
        if measured is None or not math.isfinite(measured):
            return self.share
        self._read_s = t_s
        error = self._target - measured
        last, self._last = self._last, (t_s, error)
        if last is None:
            self._gain.begin(measured)
            self._error = error
            return self.share
        dt_s = min(t_s - max(last[0], before_s), LONGEST_STEP_S)
        step = self._power_step(t_s, dt_s, measured, error) if self._kind == "power" else self._temp_step(dt_s, error)
        self._error = error
        self.share = min(max(self.share + step, 0.0), 1.0)
        self._note_limit(t_s, error)
        return self.share

    def _power_step(self, t_s: float, dt_s: float, measured: float, error: float) -> float:
        watts_per_share = self._gain.update(t_s, dt_s, self.share, measured)
        return POWER_PER_S * dt_s * error / watts_per_share

    def _temp_step(self, dt_s: float, error: float) -> float:
        return TEMP_SHARE_PER_K * (error - self._error + dt_s / TEMP_INTEGRAL_S * error)

    def _note_limit(self, t_s: float, error: float) -> None:
        stuck = (self.share >= 1 - NEAR_STOP and error > 0) or (self.share <= NEAR_STOP and error < 0)
        if not stuck or abs(error) < LIMITED_ERROR * self._target:
            self._limited_since_s = None
        elif self._limited_since_s is None:
            self._limited_since_s = t_s


class _GainEstimate:
    """Watts for a whole share of duty. The first reading gives an upper bound: all of it came from the duty."""

    def __init__(self, share: float) -> None:
        self._share = share
        self._bound = math.nan
        self._gain = math.nan
        self._window = _Window()
        self._before: tuple[float, float] | None = None

    def begin(self, measured_w: float) -> None:
        self._bound = max(measured_w, 1.0) / self._share
        self._gain = self._bound

    def update(self, t_s: float, dt_s: float, share: float, measured_w: float) -> float:
        self._window.add(dt_s, share, measured_w)
        if self._window.length_s >= WINDOW_S:
            self._learn(self._window.means())
            self._window = _Window()
        return self._gain

    def _learn(self, means: tuple[float, float]) -> None:
        if self._before is not None and abs(means[0] - self._before[0]) > MEASURABLE_MOVE:
            seen = (means[1] - self._before[1]) / (means[0] - self._before[0])
            self._gain = min(max(seen, 0.5 * self._bound), 2 * self._bound)
            self._before = means
        elif self._before is None:
            self._before = means


class _Window:
    def __init__(self) -> None:
        self.length_s = self._share_s = self._energy_j = 0.0

    def add(self, dt_s: float, share: float, power_w: float) -> None:
        self.length_s += dt_s
        self._share_s += share * dt_s
        self._energy_j += power_w * dt_s

    def means(self) -> tuple[float, float]:
        return self._share_s / self.length_s, self._energy_j / self.length_s
