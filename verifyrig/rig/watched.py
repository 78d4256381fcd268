"""One temperature under a load: how long it has stood, and how far this load moved it when it began.

How far a reading must move when a load is taken away is known from how far it moved when this very load began: the
thermal path is linear, so a step down mirrors the step up.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from verifyrig.core.heat_sources import CARD, DIE, of_same_part, part_of
from verifyrig.core.interfaces import ChannelInfo
from verifyrig.rig.dip import ANSWER_WITHIN_S

# Three steps, and one for what noise and rounding may take away.
_MUST_MOVE_STEPS = 4.0
# No sensor of a temperature that is guarded steps by more (common practice, no source).
_LARGEST_STEP_K = 1.0
# A processor may draw up to twice its lasting power in the first seconds of a load; where power is not read, the answer
# is taken to be no more than half of what the load's start showed.
_WITHOUT_POWER = 0.5
_BUSY = {DIE: "busy_share", CARD: "gpu_busy_share"}


@dataclass(slots=True, kw_only=True)
class _Rise:
    """How far a rise of the load by `share_step` moved a reading within ten seconds, and by how many watts."""

    began_s: float
    share_step: float
    base: float
    base_w: float | None
    moved_k: float = 0.0
    moved_w: float = 0.0

    def take(self, value: float, power_w: float | None) -> None:
        self.moved_k = max(self.moved_k, abs(value - self.base))
        if power_w is not None and self.base_w is not None:
            self.moved_w = max(self.moved_w, power_w - self.base_w)

    def mirrored_k(self, share: float, power_w: float | None) -> float:
        """Return how far the reading must fall within ten seconds when this share is taken away, K."""
        if power_w is not None and self.base_w is not None and self.moved_w > 0:
            return self.moved_k * min(1.0, (power_w - self.base_w) / self.moved_w)
        return self.moved_k * min(1.0, share / self.share_step) * _WITHOUT_POWER


class Watched:
    """One temperature: how long it has stood, and how far this load moved it when it began.

    Attributes:
        power, busy: The power that heats it and the busy share of its part; None where the machine does not show them.
    """

    def __init__(self, channel: str, infos: Mapping[str, ChannelInfo]) -> None:
        part, info = part_of(channel) or DIE, infos[channel]
        self.power = of_same_part(channel, part.power, infos)
        self.busy = of_same_part(channel, _BUSY[part], infos)
        self.value: float | None = None
        self.changed_s = 0.0
        self.stuck = ""
        self.named = False
        self._resolution_k = info.resolution or 0.0
        self._smallest_k = _LARGEST_STEP_K
        self._before: deque[float] = deque(maxlen=5)
        self._before_w: float | None = None
        self._rise: _Rise | None = None
        self._best: _Rise | None = None

    def forget(self) -> None:
        """The next load is another one: what this one showed says nothing of it."""
        self._best = None
        self.named = False

    def load_rises(self, t_s: float, share_step: float) -> None:
        """Watch the next seconds: the load rose by so much of its full share."""
        if self._before:
            base = sum(self._before) / len(self._before)
            self._rise = _Rise(began_s=t_s, share_step=share_step, base=base, base_w=self._before_w)

    def take(self, t_s: float, value: float, power_w: float | None) -> None:
        """Take one `ok` reading and the power of its part."""
        if value != self.value:
            if self.value is not None:
                self._smallest_k = min(self._smallest_k, abs(value - self.value))
            self.changed_s, self.stuck = t_s, ""
        self.value = value
        rise = self._rise
        if rise is None:
            self._before.append(value)
            self._before_w = power_w
            return
        rise.take(value, power_w)
        if self._best is None or rise.moved_k > self._best.moved_k:
            self._best = rise
        if t_s - rise.began_s >= ANSWER_WITHIN_S:
            self._rise = None
            self._before.clear()

    def must_answer(self, share: float, power_w: float | None) -> bool:
        """Return whether taking this share away must move the reading by three of its steps."""
        # Some registers of eighths of a degree show whole ones: the smallest change seen is believed first.
        step_k = max(self._resolution_k, self._smallest_k)
        return self._best is not None and self._best.mirrored_k(share, power_w) >= _MUST_MOVE_STEPS * step_k
