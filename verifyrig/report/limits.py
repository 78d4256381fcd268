"""The lines that a temperature is judged by: trip limit, accepted limit, gate."""

from __future__ import annotations

from typing import NamedTuple

from verifyrig.analysis.ambient import ambient_of_run
from verifyrig.core.channels import is_channel, is_temperature, of_role
from verifyrig.core.profile import TripLimit
from verifyrig.report.inputs import RunInput
from verifyrig.report.names import metric_parts
from verifyrig.report.timeline import closed_gate, highest


class Limit(NamedTuple):
    """One line: what it is (`trip`, `accepted`, `gate`) and where, °C."""

    kind: str
    value_c: float


def trip_maximum_c(run: RunInput, channel: str) -> float | None:
    """Return the temperature that ended the load in this run, °C: the profile's or the machine's, the lower."""
    profile = run.trace.profile
    found = [one for one in profile.trip_limits if channel in of_role(one.channel, (channel,))] if profile else []
    values = [
        value
        for limit in found
        for value in (limit.maximum, _machine_maximum(run, limit, channel))
        if value is not None
    ]
    return min(values, default=None)


def nearest_to_trip(run: RunInput) -> tuple[str, float] | None:
    """Return the temperature that came nearest to its trip limit in this run, and the kelvin left; None without any."""
    names = [name for name in run.trace.columns if is_channel(name) and is_temperature(name)]
    left = [
        (name, limit_c - peak[1])
        for name in names
        if (limit_c := trip_maximum_c(run, name)) is not None and (peak := highest(run.trace, name)) is not None
    ]
    return min(left, key=lambda one: one[1], default=None)


def _machine_maximum(run: RunInput, limit: TripLimit, channel: str) -> float | None:
    own = run.trace.recorded.limit_of(channel)
    if limit.below_machine_limit_k is None or own is None:
        return None
    return own - limit.below_machine_limit_k


def gate_maximum_c(run: RunInput, channel: str) -> float | None:
    """Return the temperature above which no load was let start, °C, of the gate that closed; None if none did."""
    stage = closed_gate(run.trace)
    plan = run.trace.profile.stage(stage.name) if stage is not None and run.trace.profile is not None else None
    if plan is None or plan.gate is None or plan.gate.channel != channel:
        return None
    ambient = ambient_of_run(run.trace)
    by_rise = None if plan.gate.max_rise_k is None or ambient is None else ambient.value_c + plan.gate.max_rise_k
    return min((value for value in (plan.gate.max_c, by_rise) if value is not None), default=None)


def accepted_maxima_c(run: RunInput, channel: str) -> list[float]:
    """Return the accepted limits on the channel's highest or settled temperature, °C, without repeats."""
    names = (f"{channel}.settled", f"{channel}.peak")
    maxima = (limit.maximum for limit in run.limits if metric_parts(limit.metric)[1] in names)
    return sorted({maximum for maximum in maxima if maximum is not None})


def lines_of(before: RunInput | None, after: RunInput | None, channel: str) -> list[Limit]:
    """Return the limit lines of a picture of one channel: each value once, the trip limit first."""
    runs = [run for run in (after, before) if run is not None]
    found = [Limit("trip", value) for run in runs if (value := trip_maximum_c(run, channel)) is not None]
    found += [Limit("accepted", value) for run in runs[:1] for value in accepted_maxima_c(run, channel)]
    if before is not None and (gate_c := gate_maximum_c(before, channel)) is not None:
        found.append(Limit("gate", gate_c))
    return list(dict.fromkeys(found))
