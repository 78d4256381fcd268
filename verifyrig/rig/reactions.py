"""Whether what a load heats answers to it: a part that stays as it is has no cooler's path, or no true reading."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from verifyrig.core.channels import of_role
from verifyrig.core.heat_sources import DIE, PARTS, HeatedGroup
from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.reason import reason
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.trip import Trip

REACTION_WITHIN_S = 10.0
# A die that carries half of its power moves by 5 K and more within ten seconds (trade figures: 0-5 s window
# of 16 K and more at 105 W); 2 K is above the noise and the 1 °C step of the coarsest die sensor.
REACTION_K = 2.0
REACTION_SHARE = 0.5
# From so many readings before the step it is known where the part stood.
BEFORE_STEP = 5


class Reactions:
    """Watches each heated temperature of the machine, and judges them as the load's groups say."""

    def __init__(self, buffer: RunBuffer, infos: Mapping[str, ChannelInfo]) -> None:
        self._infos = infos
        heated = [channel for part in PARTS for channel in of_role(part.temp, infos)]
        self._reactions = {channel: _Reaction(buffer, channel) for channel in heated}
        self._heats: tuple[HeatedGroup, ...] = ()

    def step(self, t_s: float, share: float, *, steady: bool, heats: Sequence[HeatedGroup] | None) -> None:
        """Note that a load begins or ends at `t_s`; what a steady one heats must answer: each die unless said."""
        dies = HeatedGroup(of_role(DIE.temp, self._infos), every=True)
        self._heats = tuple((dies,) if heats is None else heats) if steady else ()
        heated = {channel for group in self._heats for channel in group.channels}
        for channel, reaction in self._reactions.items():
            reaction.step(t_s, share if channel in heated else 0.0)

    def check(self) -> Trip | None:
        """Return the trip of a heated temperature that does not answer, by its own reading."""
        dull = [trip for channel in self._reactions if (trip := self._check_one(channel))]
        for trip in dull:
            group = next((group for group in self._heats if trip.channel in group.channels), None)
            if group is None or group.every or not any(self._reactions[name].moved for name in group.channels):
                return trip
        return None

    def _check_one(self, channel: str) -> Trip | None:
        moved_k = self._reactions[channel].too_little_k()
        if moved_k is None:
            return None
        why = reason("trip-no-reaction", moved_k=moved_k, within_s=REACTION_WITHIN_S)
        return Trip(rule="no-reaction", channel=channel, value=moved_k, limit=REACTION_K, why=why)


class _Reaction:
    """Watches whether a heated part answers to a steady load of half share or more.

    Attributes:
        moved: Whether it has answered to the load that is on.
    """

    def __init__(self, buffer: RunBuffer, channel: str) -> None:
        self._buffer = buffer
        self._channel = channel
        self._judged = 0
        self._step_row = 0
        self._step_s: float | None = None
        self.moved = False

    def step(self, t_s: float, share: float) -> None:
        self._step_s = t_s if share >= REACTION_SHARE else None
        self._step_row = self._buffer.end
        self.moved = False

    def too_little_k(self) -> float | None:
        """Return how far it moved where that is too little and the time is up, else None."""
        if self._step_s is None or self._buffer.t_s - self._step_s < REACTION_WITHIN_S:
            return None
        before = self._buffer.last_values(self._channel, BEFORE_STEP, self._judged, self._step_row)
        highest = self._buffer.highest(self._channel, self._step_row)
        if not before or highest is None:
            return None
        moved_k = highest - float(np.mean(before))
        self.moved = moved_k >= REACTION_K
        self._step_s, self._judged = None, self._buffer.end
        return None if self.moved else moved_k
