"""Forecasts of climbs on real cards, against where each settled: the rows of the table in `docs/climb.md`.

`python -m tests.real_climbs RECORD ...` asks the forecaster as the run did, every five seconds of a stage with what was
known until then, and prints what it said 30 and 60 s after full share was reached and 40 s into the cooldown.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from verifyrig.analysis import Metric, StageForecaster
from verifyrig.analysis.ambient import ambient_columns
from verifyrig.analysis.card_power import in_processor_terms
from verifyrig.analysis.metrics import metrics_of
from verifyrig.analysis.signals import sensor_facts
from verifyrig.analysis.through_dips import dipped, through_dips
from verifyrig.core.channels import base_name, number_of, numbered
from verifyrig.core.heat_sources import CARD, DIE, part_of
from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.trace import FloatArray, StageSpan, Trace
from verifyrig.record import read_trace

EVERY_S = 5.0
FULL = 0.999

Said = tuple[float, float] | None


def rows_of(trace: Trace, channel: str, stage: StageSpan) -> FloatArray:
    """Return what `StageForecaster.forecast` takes of a part's temperature, shape (n, 6)."""
    part = part_of(channel) or DIE
    power, fan = (numbered(name, number_of(channel)) for name in (part.power, part.fan))
    power_w = _usable(trace, power)
    if part is CARD:
        power_w = in_processor_terms(power_w, trace.recorded.limit_of(power))
    ambient = ambient_columns(trace, stage, slice(None))
    ambient_c = np.broadcast_to(np.nan if ambient is None else ambient, trace.t_s.shape)
    share = trace.columns["load_share"]
    dips = through_dips(trace.usable(channel), share, dipped(trace))
    rows = np.column_stack((trace.t_s, dips.temp_c, power_w, _usable(trace, fan), ambient_c, dips.share))
    return rows[: dips.until]


def _usable(trace: Trace, channel: str) -> FloatArray:
    return trace.usable(channel) if trace.has(channel) else np.full(len(trace.t_s), np.nan)


def said_at(
    trace: Trace, channel: str, stage: StageSpan, asked_s: tuple[float, ...]
) -> list[tuple[float, float] | None]:
    """Return forecast and u95, °C and K, as they stood at these times of the run, s; None before there was one."""
    rows = rows_of(trace, channel, stage)
    settle = next((s.settle for s in trace.profile.stages if s.name == stage.name), None) if trace.profile else None
    facts = sensor_facts(trace, channel)
    info = ChannelInfo(
        channel=channel,
        label="",
        device=facts.device,
        source="",
        quantity="temperature",
        unit="°C",
        limit=facts.limit,
        resolution=facts.resolution,
        refresh_s=facts.refresh_s,
    )
    forecaster = StageForecaster(settle, info)
    began = int(np.searchsorted(rows[:, 0], stage.start_s))
    due = np.unique(np.concatenate([np.arange(stage.start_s + 10.0, max(asked_s), EVERY_S), asked_s]))
    said: dict[float, Said] = {}
    for t_s in due:
        found = forecaster.forecast(rows[rows[:, 0] <= t_s], began)
        said[float(t_s)] = None if found is None else (found.settles_at_c, found.u95_k)
    return [said[t_s] for t_s in asked_s]


def row(record: Path, role: str = CARD.temp) -> list[str]:
    """Return one row: idle, s to full share, forecasts, settled; cooldown's forecast and end."""
    trace = read_trace(record)
    channel = next(name for name in trace.columns if base_name(name) == role)
    load, cooldown = trace.stage("load"), trace.stage("cooldown")
    assert load is not None and cooldown is not None
    share = trace.columns["load_share"][trace.within(load)]
    full_s = float(trace.t_s[trace.within(load)][int(np.argmax(share >= FULL))])
    figures = metrics_of(trace)
    idle_c = float(np.nanmedian(trace.usable(channel)[trace.t_s < load.start_s]))
    cells = [record.name, f"{idle_c:.1f} °C", f"{full_s - load.start_s:.1f} s"]
    cells += [_cell(said) for said in said_at(trace, channel, load, (full_s + 30.0, full_s + 60.0))]
    cells.append(_figure(figures, f"load.{channel}.settled"))
    cells += [_cell(said) for said in said_at(trace, channel, cooldown, (cooldown.start_s + 40.0,))]
    cells.append(_figure(figures, f"cooldown.{channel}.settled"))
    return [*cells, trace.recorded.outcome or "", *(str(why) for why in trace.why_stopped)]


def _cell(said: Said) -> str:
    return "-" if said is None else f"{said[0]:.1f} ± {said[1]:.1f}"


def _figure(figures: Mapping[str, Metric], name: str) -> str:
    value = figures.get(name)
    return "-" if value is None else f"{value.value:.1f} ± {value.u95:.1f}"


if __name__ == "__main__":
    for path in sys.argv[1:]:
        print(" | ".join(row(Path(path))))
