"""Nothing counts as settled because time has passed: bodies that are slower than the profile allows for.

Closed forms and simple physics, each said beside it; no part of the program makes them.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from verifyrig.analysis import judge_thresholds, metrics_of
from verifyrig.analysis.settled import Settled, settled_value
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import LoadPlan, Profile, Settle, Stage, StageKind, Threshold, WorkName
from verifyrig.core.trace import Event, FloatArray, StageSpan, Trace
from verifyrig.metrology.verdict import Verdict

AMBIENT_C = 22.0
IDLE_S = 120.0


def mug(until_s: float, ambient_c: float = 23.0, start_c: float = 98.0) -> tuple[FloatArray, FloatArray]:
    """Times and temperatures of a simulated mug of 0.3 kg of water without a lid: a physical model, no measurement.

    Heat leaves by convection and radiation of the wall (h = 10 W/(m² K), 0.03 m²) and by evaporation from 0.005 m²
    in still air, which follows the vapour pressure (Magnus formula) and the analogy of heat and mass (Lewis number 1,
    16.5 K/kPa times h at the surface, 15 W/(m² K)). Handbook values from memory.
    """
    t = np.arange(0.0, until_s + 1.0)
    temp = np.empty_like(t)
    temp[0] = start_c
    for k in range(1, len(t)):
        now = temp[k - 1]
        dry_w = 0.03 * 10.0 * (now - ambient_c) + 0.005 * 15.0 * (now - ambient_c)
        vapour_w = 0.005 * 15.0 * 16.5 * (vapour_kpa(now) - 0.5 * vapour_kpa(ambient_c))
        temp[k] = now - (dry_w + vapour_w) / (0.3 * 4190.0 + 0.35 * 800.0)
    return t, temp


def vapour_kpa(temp_c: float) -> float:
    """Pressure of saturated vapour over water by the Magnus formula, kPa (from memory)."""
    return 0.6112 * math.exp(17.62 * temp_c / (243.12 + temp_c))


def one_stage(
    channel: str, kind: StageKind, t: FloatArray, temp: FloatArray, noise_k: float, **more: FloatArray
) -> Trace:
    noise = noise_k * np.random.default_rng(4).standard_normal(len(t))
    name = kind.value
    return Trace(
        run_id="20310101-000000-abcd",
        facts={"purpose": "check", "outcome": "completed", "simulated": True},
        profile=None,
        stages=(StageSpan(name=name, kind=kind, start_s=0.0, end_s=float(t[-1]), ended=StageEnd.TIME),),
        t_s=t,
        utc_s=t + 1.9e9,
        columns={channel: np.round(temp + noise, 1), **more},
    )


def settled_in(trace: Trace, channel: str) -> Settled:
    found = settled_value(trace, trace.stages[-1], channel)
    assert isinstance(found, Settled)
    return found


@pytest.mark.parametrize("until_s", [1200.0, 2400.0, 3600.0])
@pytest.mark.parametrize("channel", ["die_temp_c", "coolant_temp_c"])
def test_a_mug_of_water_that_still_cools_has_not_settled(channel: str, until_s: float) -> None:
    t, temp = mug(until_s)
    end_c = mug(12 * 3600.0)[1][-1]
    found = settled_in(one_stage(channel, StageKind.COOLDOWN, t, temp, 0.05), channel)
    assert not found.known
    assert abs(found.value_c - end_c) <= 2 * found.u_k


def test_a_mug_that_stood_over_night_has_settled() -> None:
    t, temp = mug(10 * 3600.0)
    kept = slice(None, None, 10)
    found = settled_in(one_stage("coolant_temp_c", StageKind.COOLDOWN, t[kept], temp[kept], 0.05), "coolant_temp_c")
    assert found.known and found.value_c == pytest.approx(mug(12 * 3600.0)[1][-1], abs=0.3)


def slow_machine(until_s: float, tau_s: float = 3000.0, end_c: float = 90.0) -> Trace:
    """A machine of one time constant, T = room + rise (1 - exp(-t / tau)), with power and room on record."""
    t = np.arange(0.0, IDLE_S + until_s + 1.0)
    on = t >= IDLE_S
    since = np.clip(t - IDLE_S, 0.0, None)
    temp = AMBIENT_C + 8.0 + (end_c - AMBIENT_C - 8.0) * -np.expm1(-since / tau_s)
    trace = one_stage(
        "die_temp_c", StageKind.LOAD, t, temp, 0.05,
        package_power_w=np.where(on, 100.0, 12.0), ambient_temp_c=np.full_like(t, AMBIENT_C),
        load_share=on.astype(float),
    )  # fmt: skip
    settle = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=400.0)
    stages = (
        Stage(name="idle", kind=StageKind.IDLE, max_duration_s=IDLE_S),
        Stage(
            name="load",
            kind=StageKind.LOAD,
            max_duration_s=9000.0,
            settle=settle,
            load=LoadPlan(work=WorkName.LINEAR_ALGEBRA),
        ),
    )
    limit = Threshold(metric="load.die_temp_c.settled", maximum=65.0)
    return replace(
        trace,
        profile=Profile(name="p", title="", text="", recipe="r", stages=stages, thresholds=(limit,)),
        stages=(
            StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=IDLE_S, ended=StageEnd.TIME),
            StageSpan(name="load", kind=StageKind.LOAD, start_s=IDLE_S, end_s=float(t[-1]), ended=StageEnd.TIME),
        ),
        events=(Event(t_s=IDLE_S, kind="load", detail={"share": 1.0}),),
    )


@pytest.mark.parametrize("until_s", [1900.0, 2010.0, 2500.0, 3500.0])
def test_a_machine_of_3000_s_on_its_way_to_90_degrees_passes_no_limit_of_65(until_s: float) -> None:
    trace = slow_machine(until_s)
    metrics = metrics_of(trace)
    results = judge_thresholds(trace, metrics)
    assert results[0].verdict in (Verdict.NOT_MEASURED, Verdict.FAIL, Verdict.CONDITIONAL_FAIL)
    assert metrics["load.die_temp_c.settled"].settled is not True


@pytest.mark.parametrize("until_s", [2010.0, 3500.0])
def test_where_a_slow_machine_ends_lies_inside_what_is_stated(until_s: float) -> None:
    found = settled_in(slow_machine(until_s), "die_temp_c")
    assert abs(found.value_c - 90.0) <= 2 * found.u_k


def test_the_slow_machine_has_settled_after_six_of_its_time_constants() -> None:
    found = settled_in(slow_machine(18000.0), "die_temp_c")
    assert found.known and abs(found.value_c - 90.0) <= 2 * found.u_k < 1.0
