"""The order to switch off a load that only a person can end: it stands until they say so or the power falls. Pure."""

from __future__ import annotations

import statistics
from collections import deque
from collections.abc import Mapping

from verifyrig.core.channels import base_name
from verifyrig.core.interfaces import Reading

ORDER = "Switch the load on the machine off now, then press L."
# Powers that show the machine's load, whoever runs it.
_POWERS = ("wall_power_w", "package_power_w", "gpu_power_w")
_KEPT = 10
# Seen to fall: so many fresh readings in a row within a quarter of the way from idle to load. A processor that has
# slowed itself down at its limit draws less too, but not so little.
_FALLEN_SHARE = 0.25
_FALLEN_TIMES = 3
# A load that moved no power by so much, W, is not seen to fall.
_LEAST_STEP_W = 5.0
# So long after a person has said that it is off, the power must have fallen (common practice, no source).
BELIEVED_S = 10.0


class _Power:
    """One power: what it was while idle, under the load, and since the order."""

    def __init__(self) -> None:
        self._idle: deque[float] = deque(maxlen=_KEPT)
        self._load: deque[float] = deque(maxlen=_KEPT)
        self._since: deque[float] = deque(maxlen=_FALLEN_TIMES)

    def take(self, value: float, *, on: bool, ordered: bool) -> None:
        """Take one reading that can be believed."""
        (self._since if ordered else self._load if on else self._idle).append(value)

    def forget_order(self) -> None:
        """The next order is another one."""
        self._since.clear()

    def fallen(self) -> bool | None:
        """Return whether it fell back to idle; None where it does not show the load, or was not read often enough."""
        if not self._idle or not self._load or len(self._since) < _FALLEN_TIMES:
            return None
        idle, load = statistics.median(self._idle), statistics.median(self._load)
        if load - idle < _LEAST_STEP_W:
            return None
        return max(self._since) < idle + _FALLEN_SHARE * (load - idle)


class SwitchOffOrder:
    """Follows a load that a person runs, and whether it is still to be switched off.

    Attributes:
        share: The share of the load that is taken to be on, as it was marked, 0 to 1.
        since_s: When the order was given, s since the run began; None while there is none.
        doubted: Whether a person said that it is off, and the power does not show it.
    """

    def __init__(self) -> None:
        self._powers: dict[str, _Power] = {}
        self._said_s: float | None = None
        self._said_share = 0.0
        self.share = 0.0
        self.since_s: float | None = None
        self.doubted = False

    @property
    def stands(self) -> bool:
        """Whether the load is to be switched off now."""
        return self.since_s is not None

    @property
    def text(self) -> str:
        """What the screen says, empty while no order stands."""
        if not self.stands:
            return ""
        return f"The power has not fallen: is the load really off? {ORDER}" if self.doubted else ORDER

    def give(self, t_s: float, share: float) -> None:
        """Order it off; `share` is what was marked as on, 0 where nobody marked anything."""
        if self.since_s is None:
            self.since_s, self.share = t_s, share
            self._said_s = None

    def said_off(self, t_s: float) -> None:
        """A person says that it is off."""
        self._said_s, self._said_share = t_s, self.share
        self._lift()

    def sample(self, t_s: float, readings: Mapping[str, Reading], marked_share: float) -> bool:
        """Take one sample; return whether the power has just shown that the load is off."""
        for channel, reading in readings.items():
            if base_name(channel) in _POWERS and reading.ok and reading.value is not None:
                watched = self._powers.setdefault(channel, _Power())
                watched.take(reading.value, on=marked_share > 0, ordered=self.stands or self._said_s is not None)
        fallen = [power.fallen() for power in self._powers.values()]
        if self.stands:
            if True in fallen and False not in fallen:
                self._lift()
                return True
            return False
        if self._said_s is not None and t_s - self._said_s >= BELIEVED_S:
            said_s, self._said_s = self._said_s, None
            if False in fallen:
                self.doubted = True
                self.since_s, self.share = said_s, self._said_share
            else:
                self._forget()
        return False

    def _lift(self) -> None:
        self.since_s, self.share, self.doubted = None, 0.0, False
        if self._said_s is None:
            self._forget()

    def _forget(self) -> None:
        for power in self._powers.values():
            power.forget_order()
