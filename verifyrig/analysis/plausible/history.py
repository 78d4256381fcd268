"""What a run has shown of one heated temperature so far."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from verifyrig.analysis.card_power import in_processor_terms
from verifyrig.analysis.samples import Samples, prepare
from verifyrig.core.heat_sources import CARD, DIE, HeatSource
from verifyrig.core.trace import FloatArray

__all__ = ["History"]

# What happened longer ago says nothing more of the state that the machine is in.
_LONGEST_S = 1800.0


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """Samples of one heated temperature, oldest first; every array has shape (n,), with NaN for no reading.

    Attributes:
        t_s: Times, s.
        temp_c: Readings, °C.
        share: Share of the part's full load that was commanded, 0 to 1.
        power_w: Measured power of the part, W.
        fan_rpm: Speed of the fan that cools it, rpm.
        ambient_c: Room or inlet, °C.
        part: What is heated.
        resolution_k, refresh_s: Step and refresh interval of the sensor, None where they are not known.
        power_limit_w: The part's own power limit, W, where it is known.
    """

    t_s: FloatArray
    temp_c: FloatArray
    share: FloatArray
    power_w: FloatArray
    fan_rpm: FloatArray
    ambient_c: FloatArray
    part: HeatSource = DIE
    resolution_k: float | None = None
    refresh_s: float | None = None
    power_limit_w: float | None = None

    @property
    def shows_power(self) -> bool:
        """Whether the part's power was read at all."""
        return bool(np.isfinite(self.power_w).any())

    def samples(self) -> Samples | None:
        """Return the samples cleaned for the model, a card's power in a processor's terms; None where too few."""
        if not len(self.t_s):
            return None
        late = self.t_s >= self.t_s[-1] - _LONGEST_S
        power_w = in_processor_terms(self.power_w, self.power_limit_w) if self.part is CARD else self.power_w
        return prepare(
            self.t_s[late],
            self.temp_c[late],
            _or_none(power_w[late]),
            _or_none(self.fan_rpm[late]),
            _or_none(self.ambient_c[late]),
            self.share[late],
            None,
            self.part,
        )


def _or_none(column: FloatArray) -> FloatArray | None:
    return column if np.isfinite(column).any() else None
