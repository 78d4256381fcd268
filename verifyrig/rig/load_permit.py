"""Whether a load above quarter-share pulses may start: answers of people, and the forecast from rest and pulses."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from verifyrig.analysis import load_start_forecast
from verifyrig.analysis.card_forecast import card_load_start
from verifyrig.core.heat_sources import heated_by
from verifyrig.core.interfaces import Reading
from verifyrig.core.pattern import peak_share
from verifyrig.core.profile import LoadPlan, Stage
from verifyrig.core.trace import FloatArray
from verifyrig.loads.external import EXTERNAL

_COLUMNS = ("die_temp_c", "package_power_w", "cpu_fan_speed_rpm")
_GPU_COLUMNS = ("gpu_temp_c", "gpu_power_w", "gpu_fan_speed_rpm")
# A hold that steers the die to a temperature overshoots by little; so much room must be left to the limit.
HOLD_ROOM_K = 5.0


class LoadPermit:
    """Collects rest and pulses, and says why a load must not start.

    Args:
        refusals: Reasons that forbid any load above quarter-share pulses from the start (unanswered questions).
        limit_c: Lowest armed limit of the die, °C; None where none is armed.
        ambient_c: Typed room temperature, °C, where no channel measures it.
        card_limit_w: Power limit of the graphics card, W, where known.
    """

    def __init__(
        self,
        *,
        refusals: Sequence[str] = (),
        limits_c: Mapping[str, float],
        ambient_c: float | None = None,
        card_limit_w: float | None = None,
    ) -> None:
        self._refusals = tuple(refusals)
        self._limits_c = limits_c
        self._ambient_c = ambient_c
        self._card_limit_w = card_limit_w
        self._rows: list[tuple[float, ...]] = []
        self._share = 0.0
        self._scale = 1.0
        self._heats: tuple[str, ...] = ()

    def load_edge(self, t_s: float, share: float) -> None:
        """Note the duty that the workers were told, 0 to 1 of what the workers can do."""
        self._share = share

    def workers(self, stage: Stage) -> None:
        """Note which part of the processor the stage's workers are."""
        self._scale = 0.25 if stage.load is not None and stage.load.workers == "quarter" else 1.0
        self._heats = heated_by(stage.load.work) if stage.load is not None else ()

    def sample(self, t_s: float, readings: Mapping[str, Reading], share: float) -> None:
        """Take one sample."""
        values = [_value(readings.get(name)) for name in (*_COLUMNS, *_GPU_COLUMNS)]
        room = _value(readings.get("ambient_temp_c"))
        room = _value(readings.get("inlet_temp_c")) if math.isnan(room) else room
        if math.isnan(room) and self._ambient_c is not None:
            room = self._ambient_c
        scaled = (share * self._scale if channel in self._heats else 0.0 for channel in ("die_temp_c", "gpu_temp_c"))
        self._rows.append((t_s, *scaled, room, *values))

    def why_not(self, stage: Stage, blind: bool) -> str | None:
        """Return why the stage's load must not start, None where it may."""
        if self._refusals:
            return "; ".join(self._refusals)
        # A load that a person runs on the machine is theirs to start; here it is only watched.
        if stage.load is None or blind or stage.load.work == EXTERNAL:
            return None
        for channel in heated_by(stage.load.work):
            why = self._refusal_of(stage, channel)
            if why is not None:
                return why
        return None

    def _refusal_of(self, stage: Stage, channel: str) -> str | None:
        assert stage.load is not None
        limit_c, hold = self._limits_c.get(channel), stage.load.hold
        if limit_c is None or peak_share(stage.load) <= 0.25:
            return None
        on_gpu = channel == "gpu_temp_c"
        target_c = (hold.gpu_temp_c if on_gpu else hold.die_temp_c) if hold is not None else None
        if target_c is not None:
            too_near = target_c + HOLD_ROOM_K > limit_c
            return f"the held {target_c:g} °C leave less than {HOLD_ROOM_K:g} K to the limit" if too_near else None
        return self._forecast_refusal(stage, limit_c, on_gpu)

    def _forecast_refusal(self, stage: Stage, limit_c: float, on_gpu: bool) -> str | None:
        assert stage.load is not None
        data = np.array(self._rows, dtype=np.float64).reshape(-1, 4 + len(_COLUMNS) + len(_GPU_COLUMNS))
        t_s, shares, room = data[:, 0], data[:, 2 if on_gpu else 1], data[:, 3]
        temp_c, power_w, fan_rpm = data[:, 7:10].T if on_gpu else data[:, 4:7].T
        if on_gpu and self._card_limit_w is not None:
            drawn = _shares_of_limit(shares, power_w, self._card_limit_w)
            start = card_load_start(t_s, temp_c, drawn, _held_share(stage.load, power_w, shares, self._card_limit_w))
        else:
            start = load_start_forecast(
                t_s,
                temp_c,
                load_share=shares,
                share=_share_to_come(stage.load, power_w, shares),
                power_w=power_w if np.isfinite(power_w).any() else None,
                ambient_c=room if np.isfinite(room).any() else None,
                fan_rpm=fan_rpm if np.isfinite(fan_rpm).any() else None,
            )
        below = start.stays_below(limit_c)
        if below is None:
            return f"it cannot be foreseen how hot it gets ({start.note}); put a stage of pulses before it"
        if below:
            return None
        return (
            f"rest and pulses foresee {start.peak_c:.0f} ± {start.u95_k:.0f} °C under it, "
            f"and the limit is {limit_c:.0f} °C"
        )


def _shares_of_limit(shares: FloatArray, power_w: FloatArray, limit_w: float) -> FloatArray:
    """Return the shares of a card that its power shows, 1 being the card's own limit.

    A card lets its clocks fall between short blocks, so that a quarter of its time is far less than a quarter of its
    power (seen on a data-centre card: 14 W above rest in place of 150 W). What it draws tells; the time does not.
    """
    rest = power_w[shares <= 0]
    if not np.isfinite(rest).any():
        return shares
    rest_w = float(np.nanmedian(rest))
    drawn = np.clip((np.nan_to_num(power_w, nan=rest_w) - rest_w) / (limit_w - rest_w), 0.01, 1.0)
    return np.where(shares > 0, drawn, 0.0)


def _held_share(plan: LoadPlan, power_w: FloatArray, shares: FloatArray, limit_w: float) -> float:
    """Return the share of the card's limit that the load will draw: that of its held power, else of its duty."""
    rest = power_w[shares <= 0]
    if plan.hold is None or plan.hold.gpu_power_w is None or not np.isfinite(rest).any():
        return peak_share(plan)
    rest_w = float(np.nanmedian(rest))
    return min(1.0, max(0.0, (plan.hold.gpu_power_w - rest_w) / (limit_w - rest_w)))


def _share_to_come(plan: LoadPlan, power_w: FloatArray, shares: FloatArray) -> float:
    """Return the share of the whole that the load will be: less than full where it is held at a power below that.

    The full power is foreseen from rest and pulses: it grows with the share.
    """
    hold = plan.hold
    held_w = None if hold is None else hold.power_w
    rest, pulsed = power_w[shares <= 0], power_w[shares > 0]
    if held_w is None or not np.isfinite(rest).any() or not np.isfinite(pulsed).any():
        return peak_share(plan)
    rest_w, pulse_w = float(np.nanmedian(rest)), float(np.nanmax(pulsed))
    full_w = rest_w + (pulse_w - rest_w) / float(np.max(shares))
    return min(1.0, max(0.0, (held_w - rest_w) / (full_w - rest_w))) if full_w > rest_w else peak_share(plan)


def _value(reading: Reading | None) -> float:
    return reading.value if reading is not None and reading.ok and reading.value is not None else math.nan
