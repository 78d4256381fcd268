"""How long a step of power has stood: what must move by now, and what need not. Pure."""

from __future__ import annotations

from dataclasses import dataclass

STEP_SHARE = 0.5
_REST_SHARE = 0.25
_LOADED_BEFORE_S = 30.0
# Below such a change of package power the step is too small to ask for a reaction.
_LEAST_STEP_W = 8.0


@dataclass(slots=True, kw_only=True)
class StepWatch:
    """Follows the load's share and the package power; says for how long a power step has stood.

    Attributes:
        loaded_s: Time since the share went from rest to half or more and stayed there, s; 0 otherwise.
        resting_s: Time since it went back to rest after at least half a minute of load, s; 0 otherwise.
    """

    loaded_s: float = 0.0
    resting_s: float = 0.0
    _share: float = 0.0
    _edge_s: float = 0.0
    _loaded_since_s: float | None = None
    _resting_since_s: float | None = None
    _edge_power_w: float | None = None
    _power_w: float | None = None

    def update(self, t_s: float, share: float, power_w: float | None) -> None:
        """Take the share that the load was told, and the last package power, W, None where not known."""
        if share >= STEP_SHARE:
            if self._share < STEP_SHARE:
                self._loaded_since_s = t_s if self._share <= _REST_SHARE else None
                self._edge_power_w, self._edge_s = self._power_w, t_s
                self._resting_since_s = None
        elif self._share >= STEP_SHARE:
            long_enough = t_s - self._edge_s >= _LOADED_BEFORE_S
            self._resting_since_s = t_s if long_enough and share <= _REST_SHARE else None
            self._edge_power_w, self._edge_s = self._power_w, t_s
            self._loaded_since_s = None
        self._share, self._power_w = share, power_w
        moved = self._power_moved(power_w)
        self.loaded_s = t_s - self._loaded_since_s if self._loaded_since_s is not None and moved else 0.0
        self.resting_s = t_s - self._resting_since_s if self._resting_since_s is not None and moved else 0.0

    def _power_moved(self, power_w: float | None) -> bool:
        if power_w is None or self._edge_power_w is None:
            return True
        return abs(power_w - self._edge_power_w) >= _LEAST_STEP_W
