"""How long a load may be on whose temperature nobody sees."""

from __future__ import annotations

import math

from verifyrig.core.profile import LoadPattern, Profile, Stage
from verifyrig.plan.guarding import on_time_s


class BlindTime:
    """What a profile allows for the whole run, and what remains of it."""

    def __init__(self, profile: Profile) -> None:
        self._allowed_s = profile.blind_load_s or 0.0
        self._used_s = 0.0

    def on_s(self, stage: Stage) -> float:
        """Return how long a stage's load may be on, s: what earlier stages left, in whole pulses."""
        remaining_s = max(0.0, self._allowed_s - self._used_s)
        pulse_s = stage.load.on_s if stage.load is not None and stage.load.pattern == LoadPattern.PULSES else None
        whole_s = remaining_s if pulse_s is None else math.floor(remaining_s / pulse_s + 1e-9) * pulse_s
        return min(whole_s, on_time_s(stage))

    def stage_s(self, stage: Stage) -> float:
        """Return how long a stage may last with such a load, s."""
        plan, on_s = stage.load, self.on_s(stage)
        if plan is not None and plan.pattern == LoadPattern.PULSES and plan.on_s is not None and plan.off_s is not None:
            return round(on_s / plan.on_s) * (plan.on_s + plan.off_s)
        return on_s

    def use(self, stage: Stage) -> None:
        """Take off what a stage has used."""
        self._used_s += self.on_s(stage)
