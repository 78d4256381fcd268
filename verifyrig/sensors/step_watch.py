"""How long a step of power has stood: what must move by now, and what need not. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

STEP_SHARE = 0.5
_IDLE_SHARE = 0.25
_LOADED_BEFORE_S = 30.0
# The share of the processor that a load of half share on all of it keeps busy, less some slack.
_BUSY_SHARE = 0.4
# Below such a change of package power the step is too small to ask for a reaction.
_LEAST_STEP_W = 8.0
# After a shorter idle time (a dip, the gap between quick pulses) the machine is still warm: nothing has to move anew.
_SHORT_IDLE_S = 15.0


@dataclass(slots=True, kw_only=True)
class StepWatch:
    """Follows the load's share and the package power; says for how long a power step has stood.

    Attributes:
        loaded_s: Time since the share went from idle to half or more and stayed there, s; 0 otherwise.
        idle_s: Time since it went back to idle after at least half a minute of load, s; 0 otherwise.
        step_w: By how much the package power changed with that step, W; None where it is not known.
        busy_share: Share of processor time in use, 0 to 1; None where it is not known.
    """

    loaded_s: float = 0.0
    idle_s: float = 0.0
    step_w: float | None = None
    busy_share: float | None = None
    _share: float = 0.0
    _step_s: float = -math.inf
    _loaded_since_s: float | None = None
    _idle_since_s: float | None = None
    _step_power_w: float | None = None
    _power_w: float | None = None

    def update(self, t_s: float, share: float, power_w: float | None, busy_share: float | None = None) -> None:
        """Take the commanded share, and what the machine showed last, None where not known.

        Args:
            t_s: Time, s.
            share: The commanded share, 0 to 1.
            power_w: Package power, W.
            busy_share: Share of processor time in use, 0 to 1: a load of the graphics card leaves it low.
        """
        if share >= STEP_SHARE:
            if self._share < STEP_SHARE:
                was_idle = self._share <= _IDLE_SHARE and t_s - self._step_s >= _SHORT_IDLE_S
                self._loaded_since_s = t_s if was_idle else None
                self._step_power_w, self._step_s = self._power_w, t_s
                self._idle_since_s = None
        elif self._share >= STEP_SHARE:
            long_enough = t_s - self._step_s >= _LOADED_BEFORE_S
            self._idle_since_s = t_s if long_enough and share <= _IDLE_SHARE else None
            self._step_power_w, self._step_s = self._power_w, t_s
            self._loaded_since_s = None
        self._share, self._power_w, self.busy_share = share, power_w, busy_share
        before_w = self._step_power_w
        self.step_w = None if power_w is None or before_w is None else abs(power_w - before_w)
        moved = self.step_w is None or self.step_w >= _LEAST_STEP_W
        busy = busy_share is None or busy_share >= _BUSY_SHARE
        self.loaded_s = t_s - self._loaded_since_s if self._loaded_since_s is not None and moved and busy else 0.0
        self.idle_s = t_s - self._idle_since_s if self._idle_since_s is not None and moved else 0.0
