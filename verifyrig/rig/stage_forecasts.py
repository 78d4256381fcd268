"""The forecasts of a stage while it runs: one for each channel of the kind that the stage is about."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from verifyrig.analysis import Forecast, StageForecaster
from verifyrig.analysis.card_power import in_processor_terms
from verifyrig.analysis.spectrum import load_solver
from verifyrig.analysis.through_dips import through_dips
from verifyrig.core.channels import of_role
from verifyrig.core.heat_sources import CARD, DIE, HeatSource, cores_of, of_same_part, part_of
from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.profile import Settle, Stage
from verifyrig.core.trace import FloatArray
from verifyrig.rig.run_buffer import BufferRows, RunBuffer

FIRST_FORECAST_S = 10.0
_EVERY_S = 5.0
# A forecast is worth as much later as the stage has lasted longer.
_EVERY_PART = 0.25  # of the time that is estimated until it is known
_EVERY_SHARE = 0.05
_DEFAULT_SLOWEST_S = 400.0


class StageForecasts:
    """Forecasts where each die, card or other part of one kind will settle, each by its own reading.

    Args:
        buffer: The run's samples.
        infos: Channels of this machine.
        limits_c: Limits that apply on this machine, °C, by channel.
    """

    def __init__(self, buffer: RunBuffer, infos: Mapping[str, ChannelInfo], limits_c: Mapping[str, float]) -> None:
        load_solver()
        self._buffer = buffer
        self._infos = infos
        devices = {name: info.device for name, info in infos.items() if not info.unreadable}
        self._cores = {name: cores_of(name, devices) for name in devices}
        self._limits_c = limits_c
        self._role = ""
        self._forecasters: dict[str, StageForecaster] = {}
        self._due_s: dict[str, float] = {}
        self._found: dict[str, Forecast] = {}
        self._since: dict[str, int] = {}
        self._began = 0
        self._began_s = 0.0
        self._forecasts = False

    def begin(self, stage: Stage, t_s: float) -> None:
        """Start a stage. One that forecasts nothing (pulses) is remembered: the next one starts from where it ended."""
        own = stage.settle.channel if stage.settle else stage.gate.channel if stage.gate else ""
        self._role = own or self._role
        self._forecasts = bool(own)
        self._began_s, self._began, self._found = t_s, self._buffer.end, {}
        before, self._since, self._forecasters = self._since, {}, {}
        for channel in of_role(self._role, self._infos) if self._role else ():
            if self._infos[channel].unreadable:
                continue
            settle = stage.settle or Settle(channel=channel, within_k=1.0, slowest_time_constant_s=_DEFAULT_SLOWEST_S)
            # A part that the stage before was not about has shown nothing yet that would help here.
            self._since[channel] = before.get(channel, self._began)
            self._forecasters[channel] = StageForecaster(settle, self._infos[channel], self._limits_c.get(channel))
        self._due_s = dict.fromkeys(self._forecasters, t_s + FIRST_FORECAST_S)

    def update(self, t_s: float) -> None:
        """Make the forecast that is due; no more than one at a time, so that several dies delay no sample."""
        if not self._forecasts or not self._due_s:
            return
        channel = min(self._due_s, key=lambda name: self._due_s[name])
        if t_s < self._due_s[channel]:
            return
        found = self._forecasters[channel].forecast(*self._samples(channel))
        if found is None:
            self._found.pop(channel, None)
        else:
            self._found[channel] = found
        wait_s = _EVERY_SHARE * (t_s - self._began_s)
        if found is not None and found.remaining_s:
            wait_s = min(wait_s, _EVERY_PART * found.remaining_s)
        self._due_s[channel] = t_s + max(_EVERY_S, wait_s)

    @property
    def found(self) -> Mapping[str, Forecast]:
        """The last forecast of each channel that has one."""
        return self._found

    @property
    def known(self) -> bool:
        """Whether it is known of every channel where it will settle."""
        return bool(self._found) and all(
            channel in self._found and self._found[channel].known for channel in self._forecasters
        )

    def worst(self) -> tuple[str, Forecast] | None:
        """Return the channel that will come nearest to its limit, and its forecast; None while there is none."""
        return min(self._found.items(), key=self._remaining_k, default=None)

    def _remaining_k(self, found: tuple[str, Forecast]) -> float:
        # Where no limit is armed, the hottest is the worst.
        channel, forecast = found
        return self._limits_c.get(channel, 0.0) - forecast.settles_at_c

    def _samples(self, channel: str) -> tuple[FloatArray, int, FloatArray]:
        """Return what `StageForecaster.forecast` takes of a channel: samples, the stage's first one, the fan's duty."""
        part = part_of(channel) or DIE
        rows = self._buffer.rows(self._since[channel])
        began = max(0, self._began - max(self._since[channel], self._buffer.first))
        fan_rpm, power_w = rows.column(self._fan_of(channel, part)), self._power_w(channel, part, rows)
        fan_duty = rows.column(part.fan_duty)
        dips = through_dips(rows.column(channel), rows.share, rows.left_out)
        cores = [rows.column(name) for name in self._cores[channel]]
        columns = (rows.t_s, dips.temp_c, power_w, fan_rpm, rows.ambient_c, dips.share, *cores)
        return np.column_stack(columns)[: dips.until], began, fan_duty[: dips.until]

    def _power_w(self, channel: str, part: HeatSource, rows: BufferRows) -> FloatArray:
        name = of_same_part(channel, part.power, self._infos) if part_of(channel) else part.power
        power_w = rows.column(name)
        if part is not CARD or name is None or name not in self._infos:
            return power_w
        return in_processor_terms(power_w, self._infos[name].limit)

    def _fan_of(self, channel: str, part: HeatSource) -> str | None:
        # Which of several fans cools which die is not known; a card shows its own.
        return of_same_part(channel, part.fan, self._infos) if part is CARD else part.fan
