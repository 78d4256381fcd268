"""Metrics of one temperature channel in one stage: settled, peak, rise, rate, time constants."""

from __future__ import annotations

import numpy as np

from verifyrig.analysis.budget import ROOM_CORRECTION, expanded, room_accuracy, sensor_lines
from verifyrig.analysis.load_edges import Room, last_edge_s
from verifyrig.analysis.results import Metric, not_measured
from verifyrig.analysis.settled import Settled
from verifyrig.analysis.signals import noise_k, sensor_facts, stage_columns, steepest_rate
from verifyrig.trace import StageSpan, Trace
from verifyrig.uncertainty import Component

__all__ = ["CORRECTION_RANGE_K", "temperature_metrics"]

# Beyond this, fans on a curve and leakage make a correction for the room a guess (common practice, no source).
CORRECTION_RANGE_K = 10.0


def temperature_metrics(
    trace: Trace, stage: StageSpan, channel: str, settled: Settled | str, room: Room | None
) -> dict[str, Metric]:
    """Return the metrics of a temperature channel, by their names without the stage."""
    t_s, values = stage_columns(trace, stage, channel)
    if len(values) == 0:
        reason = "no reading in this stage"
        units = {"settled": "°C", "peak": "°C", "rise": "K", "rate": "K/s", "time_constant": "s"}
        return {f"{channel}.{name}": not_measured(unit, reason) for name, unit in units.items()}
    facts = sensor_facts(trace, channel)
    noise = noise_k(values)
    peak_lines = sensor_lines(facts, noise)
    rate = steepest_rate(t_s, values)
    found = {
        "settled": _settled(settled, trace, channel),
        "peak": Metric(value=float(np.max(values)), unit="°C", u95=expanded(peak_lines), budget=peak_lines),
        "rise": _rise(settled, trace, channel, room),
        **_at_reference(settled, trace, channel, room),
        "rate": not_measured("K/s", "the readings span less than 10 s")
        if rate is None
        else Metric(value=rate, unit="K/s", u95=2 * max(noise, (facts.resolution or 0.0) / 3.46) * 1.41 / 10),
        "time_constant": _time_constant(trace, stage, channel, settled),
    }
    return {f"{channel}.{name}": metric for name, metric in found.items()}


def _settled(settled: Settled | str, trace: Trace, channel: str) -> Metric:
    if isinstance(settled, str):
        return not_measured("°C", settled)
    lines = sensor_lines(sensor_facts(trace, channel), settled.u_k)
    return Metric(
        value=settled.value_c, unit="°C", u95=expanded(lines), note=settled.note, budget=lines, settled=settled.known
    )


def _rise(settled: Settled | str, trace: Trace, channel: str, room: Room | None) -> Metric:
    if isinstance(settled, str):
        return not_measured("K", settled)
    if room is None:
        return not_measured("K", "the room was not measured")
    lines = (*sensor_lines(sensor_facts(trace, channel), settled.u_k), room_accuracy(room.u95_k))
    rise_k = settled.value_c - room.value_c
    if rise_k < -expanded(lines):
        return not_measured("K", f"the room reads {room.value_c:.1f} °C, above the part: one of the two is wrong")
    return Metric(value=rise_k, unit="K", u95=expanded(lines), note=settled.note, budget=lines, settled=settled.known)


def _at_reference(settled: Settled | str, trace: Trace, channel: str, room: Room | None) -> dict[str, Metric]:
    """Return where the die would settle in the profile's reference room, refused where the room was too far from it."""
    if trace.profile is None or channel not in ("die_temp_c", "gpu_temp_c"):
        return {}
    reference_c = trace.profile.reference_ambient_c
    rise = _rise(settled, trace, channel, room)
    if not isinstance(rise.value, float) or room is None:
        return {"settled_at_reference": not_measured("°C", rise.note)}
    shift_k = reference_c - room.value_c
    if abs(shift_k) > CORRECTION_RANGE_K:
        reason = f"the room was {abs(shift_k):.0f} K away from the reference, too far to correct for"
        return {"settled_at_reference": not_measured("°C", reason)}
    lines = (*rise.budget, Component(name=ROOM_CORRECTION, standard_uncertainty=0.1 * abs(shift_k)))
    metric = Metric(
        value=rise.value + reference_c,
        unit="°C",
        u95=expanded(lines),
        note=f"in a room of {reference_c:g} °C",
        budget=lines,
        settled=rise.settled,
    )
    return {"settled_at_reference": metric}


def _time_constant(trace: Trace, stage: StageSpan, channel: str, settled: Settled | str) -> Metric:
    """Time to 63.2 % of the way from the edge to the settled value."""
    if isinstance(settled, str):
        return not_measured("s", settled)
    edge_s = last_edge_s(trace, stage)
    t_s, values = stage_columns(trace, stage, channel)
    after = t_s >= edge_s
    if np.count_nonzero(after) < 5:
        return not_measured("s", "too few readings after the load changed")
    t, v = t_s[after], values[after]
    way_k = settled.value_c - float(v[0])
    if abs(way_k) < 5 * max(noise_k(values), 0.2):
        return not_measured("s", "the temperature hardly moved")
    share = np.maximum.accumulate((v - v[0]) / way_k)
    at = int(np.searchsorted(share, 1 - np.exp(-1)))
    if at >= len(t):
        return not_measured("s", "the stage ended before 63 % of the way")
    tau_s = float(t[at] - edge_s)
    step_s = float(np.median(np.diff(t)))
    u95 = 2 * np.hypot(step_s, tau_s * 2 * settled.u_k / abs(way_k))
    return Metric(value=tau_s, unit="s", u95=float(u95), settled=settled.known)
