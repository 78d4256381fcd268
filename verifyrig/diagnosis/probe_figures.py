"""Figures of probes and cores under a settled load: gaps from die to room, the coolant's flow, how evenly cores sit."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from verifyrig.core.reason import reason
from verifyrig.diagnosis.quantities import RecordFigure
from verifyrig.diagnosis.readings import LATE_S, Readings
from verifyrig.diagnosis.water import flow_l_per_min

__all__ = ["core_spread", "probe_gaps"]

Found = Iterator[tuple[str, RecordFigure]]
_SIDE_U_K = 0.7


def core_spread(readings: Readings) -> Found:
    """Yield how far the hottest core lies over the coolest: an uneven seat shows here first."""
    load = readings.long_load(10.0)
    cores = readings.like("core_temp_c")
    if load is None or len(cores) < 3:
        return
    span = (max(load.t_s + 5.0, load.until_s - 120.0), load.until_s - 0.5)
    means = np.array([readings.mean(core, *span) for core in cores])
    watts = readings.mean("package_power_w", *span)
    if np.isfinite(means).all():
        spread = float(np.ptp(means))
        yield (
            "core_spread",
            RecordFigure(value=spread / watts, u=0.5 / watts, source=reason("from-cores", count=len(cores))),
        )


def probe_gaps(readings: Readings) -> Found:
    """Yield the gaps between neighbours on the thermal path that probes show, and the coolant's flow."""
    load = readings.settled_load()
    if load is None:
        return
    end = (load.until_s - LATE_S, load.until_s - 0.5)
    watts = readings.mean("package_power_w", load.until_s - 60.0, end[1])
    ambient, _ = readings.ambient(*end)
    die, plate = readings.mean("die_temp_c", *end), readings.mean("plate_temp_c", *end)
    coolant = readings.first_mean(("coolant_temp_c", "hose_in_temp_c"), end)
    radiator, inlet = readings.mean("radiator_temp_c", *end), readings.mean("inlet_temp_c", *end)
    gaps = {
        "die_over_plate": die - plate,
        "plate_over_coolant": plate - coolant,
        "die_over_coolant": die - coolant,
        "coolant_over_room": coolant - ambient,
        "plate_over_radiator": plate - radiator,
        "radiator_over_room": radiator - ambient,
        "plate_over_room": plate - ambient,
        "inlet_over_room": inlet - ambient if readings.knows_ambient() else math.nan,
    }
    for name, gap_k in gaps.items():
        yield name, RecordFigure(value=gap_k / watts, u=_SIDE_U_K / watts, source=reason("from-probes", power_w=watts))
    yield from _flow(readings, end, watts)


def _flow(readings: Readings, span: tuple[float, float], watts: float) -> Found:
    rise_k = readings.mean("hose_out_temp_c", *span) - readings.mean("hose_in_temp_c", *span)
    if math.isfinite(rise_k) and math.isfinite(watts):
        # Below the probes' own difference the flow is only known to be "not small".
        flow = flow_l_per_min(watts, max(rise_k, 0.4))
        u = flow * min(1.0, _SIDE_U_K / max(rise_k, 0.4))
        yield "coolant_flow", RecordFigure(value=flow, u=u, source=reason("from-hoses", rise_k=rise_k, power_w=watts))
