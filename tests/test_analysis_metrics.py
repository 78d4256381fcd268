"""Metrics of traces whose answer is known in closed form."""

from __future__ import annotations

import math
from collections import OrderedDict
from dataclasses import replace

import numpy as np
import pytest

from verifyrig.analysis import Metric, judge_thresholds, metrics_of
from verifyrig.core.errors import ExitCode
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import LoadPlan, Profile, Settle, Stage, StageKind, Threshold, WorkName
from verifyrig.core.trace import Event, FloatArray, StageSpan, Trace
from verifyrig.metrology.verdict import Verdict
from verifyrig.runs.summary import exit_code_of, sentences_of, summary_of

IDLE_S, LOAD_S, COOL_S = 200.0, 2400.0, 900.0
IDLE_W, LOAD_W = 15.0, 115.0
AMBIENT_C = 22.0
# A Foster ladder: Z(t) = sum R_i (1 - exp(-t / tau_i)), the closed form of JESD51-1's transient impedance.
FOSTER = ((0.12, 0.8), (0.06, 25.0), (0.12, 180.0))


def impedance(t_s: FloatArray | float) -> FloatArray:
    t = np.clip(np.asarray(t_s, dtype=np.float64), 0.0, None)
    return sum((r * (1 - np.exp(-t / tau)) for r, tau in FOSTER), start=np.zeros_like(t))


def ladder_trace(noise_k: float = 0.0, seed: int = 1, ended: str = "settled", **changed: object) -> Trace:
    end_s = IDLE_S + LOAD_S + COOL_S
    t = np.arange(0.0, end_s + 0.5, 1.0)
    total = sum(r for r, _ in FOSTER)
    step = LOAD_W - IDLE_W
    temp = AMBIENT_C + IDLE_W * total + step * (impedance(t - IDLE_S) - impedance(t - IDLE_S - LOAD_S))
    temp = temp + noise_k * np.random.default_rng(seed).standard_normal(len(t))
    on = (t >= IDLE_S) & (t < IDLE_S + LOAD_S)
    columns = {
        "die_temp_c": temp,
        "ambient_temp_c": np.full_like(t, AMBIENT_C),
        "package_power_w": np.where(on, LOAD_W, IDLE_W),
        "cpu_fan_speed_rpm": np.full_like(t, 900.0),  # the closed form holds for a path that stays the same
        "compute_errors": np.zeros_like(t),
        "load_share": on.astype(float),
    }
    columns.update({k: v for k, v in changed.items() if isinstance(v, np.ndarray)})
    settle = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=400.0)
    load = LoadPlan(work=WorkName.LINEAR_ALGEBRA)
    profile = Profile(
        name="ladder", title="", text="", recipe="r1",
        stages=(
            Stage(name="idle", kind=StageKind.IDLE, max_duration_s=IDLE_S),
            Stage(name="load", kind=StageKind.LOAD, max_duration_s=LOAD_S, settle=settle, load=load),
            Stage(name="cooldown", kind=StageKind.COOLDOWN, max_duration_s=COOL_S),
        ),
        thresholds=(Threshold(metric="load.thermal_resistance", maximum=0.45),),
    )  # fmt: skip
    return Trace(
        run_id="20260101-000000-abcd",
        facts={"purpose": "verification", "outcome": "completed", "simulated": True},
        profile=profile,
        stages=(
            StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=IDLE_S, ended=StageEnd.TIME),
            StageSpan(name="load", kind=StageKind.LOAD, start_s=IDLE_S, end_s=IDLE_S + LOAD_S, ended=StageEnd(ended)),
            StageSpan(
                name="cooldown", kind=StageKind.COOLDOWN, start_s=IDLE_S + LOAD_S, end_s=end_s, ended=StageEnd.TIME
            ),
        ),
        t_s=t,
        utc_s=t + 1.7e9,
        columns=columns,
        events=(
            Event(t_s=IDLE_S, kind="load", detail={"share": 1.0}),
            Event(t_s=IDLE_S + LOAD_S, kind="load", detail={"share": 0.0}),
        ),
    )


def test_the_resistance_is_the_ladders_sum() -> None:
    found = metrics_of(ladder_trace(noise_k=0.3))["load.thermal_resistance"]
    assert found.value == pytest.approx(0.30, abs=0.005)
    assert found.u95 is not None and 0.005 < found.u95 < 0.03


@pytest.mark.parametrize("window_s", [5, 60, 600])
@pytest.mark.parametrize("stage", ["load", "cooldown"])
def test_the_impedance_is_the_closed_form_from_step_and_cooldown(stage: str, window_s: int) -> None:
    found = metrics_of(ladder_trace(noise_k=0.2))[f"{stage}.thermal_impedance_{window_s}s"]
    # Half of the 10 % that a fingerprint is allowed; the lumps are not this ladder.
    assert found.value == pytest.approx(float(impedance(float(window_s))), rel=0.05)


@pytest.mark.parametrize("noise_k", [0.0, 0.5])
def test_the_noise_of_the_readings_widens_the_impedance_by_the_fit_alone(noise_k: float) -> None:
    found = metrics_of(ladder_trace(noise_k=noise_k))["load.thermal_impedance_600s"]
    fit, gain = (
        math.hypot(*(line.contribution for line in found.budget if line.name.startswith(start)))
        for start in ("fit", "gain")
    )
    assert isinstance(found.value, float) and found.u95 is not None
    # The power reading's bound of 5 %, at infinite dof, convolved with the fit: between 95 % of the bound alone
    # (JCGM 100:2008, 4.3.7) and the root of the sum of squares, twice.
    assert 0.95 * math.sqrt(3) * gain < found.u95 < 1.96 * math.hypot(fit, gain)
    assert fit < 0.025 * 0.30 and gain == pytest.approx(0.05 * found.value / math.sqrt(3))


def test_a_threshold_well_above_the_figure_passes_and_exits_0() -> None:
    summary = summary_of(ladder_trace(noise_k=0.2), "x.sqlite")
    assert summary["verdict"] == "pass" and exit_code_of(summary) is ExitCode.DONE
    assert any("die to room" in line for line in sentences_of(summary))
    silent = {
        "rule": "no-reading",
        "channel": "plate_temp_c",
        "value": None,
        "limit": 2.0,
        "stage": "load",
        "t_s": 11.5,
    }
    said = sentences_of({**summary, "outcome": "tripped", "trip": silent})[1]  # type: ignore[typeddict-item]
    assert said == "A trip limit ended the load. plate_temp_c gave no reading to be believed for 2.0 s, at 11.5 s."


@pytest.mark.parametrize("ended", ["tripped", "stopped", "interrupted", "gate"])
def test_a_stage_that_ended_early_never_passes(ended: str) -> None:
    trace = ladder_trace(ended=ended)
    results = judge_thresholds(trace, metrics_of(trace))
    assert summary_of(trace, "x.sqlite")["verdict"] == Verdict.NOT_MEASURED and results[0].why


def test_a_partly_missing_stage_never_passes() -> None:
    whole = ladder_trace()
    temp = whole.columns["die_temp_c"].copy()
    temp[500:900] = np.nan
    trace = ladder_trace(die_temp_c=temp)
    results = judge_thresholds(trace, metrics_of(trace))
    assert results[0].verdict is Verdict.NOT_MEASURED and [why.code for why in results[0].why] == ["partly-missing"]


def test_the_ladders_time_constants_are_told_apart() -> None:
    found = metrics_of(ladder_trace(noise_k=0.05))["load.die_temp_c.time_constants"]
    assert isinstance(found.value, tuple)
    # A reading a second says little of the first mode, 0.8 s; a fifth is what the scatter of 0.05 K leaves of the rest.
    assert found.value[-2:] == pytest.approx((25.0, 180.0), rel=0.2)


def test_a_count_that_starts_anew_gives_no_negative_errors() -> None:
    counts = np.zeros_like(ladder_trace().t_s)
    counts[50:210] = 7.0  # an earlier load counted seven
    counts[400:] = 2.0
    assert metrics_of(ladder_trace(compute_errors=counts))["load.compute_errors"].value == 2.0


def test_without_power_the_shape_alone_is_told_and_what_it_cannot_tell() -> None:
    found = metrics_of(ladder_trace(noise_k=0.1, package_power_w=np.full_like(ladder_trace().t_s, np.nan)))
    assert found["load.thermal_impedance_5s"].value is None
    share = found["load.rise_share_5s"]
    assert share.value == pytest.approx(float(impedance(5.0) / impedance(600.0)), abs=0.05)
    assert "cannot tell" in share.note


def test_a_dip_right_before_the_load_ends_takes_away_what_it_hides_and_no_more() -> None:
    end_s = IDLE_S + LOAD_S
    dip = Event(t_s=end_s - 1, kind="dip", detail={"until_s": end_s, "left_out_until_s": end_s + 9, "asked": []})
    trace = ladder_trace()
    metrics = metrics_of(replace(trace, events=(*trace.events, dip)))
    hidden = metrics["cooldown.thermal_impedance_5s"]
    assert hidden.value is None and "power right around the change" in hidden.note
    shown = metrics["cooldown.thermal_impedance_600s"]
    assert shown.value == pytest.approx(float(impedance(600.0)), rel=0.1)


def test_figures_are_computed_once_and_anew_where_anything_of_the_run_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Trace] = []

    def computed(trace: Trace) -> dict[str, Metric]:
        asked.append(trace)
        return {"load.compute_errors": Metric(value=float(len(asked)), unit="1", u95=0.0)}

    monkeypatch.setattr("verifyrig.analysis.metrics.compute_metrics", computed)
    monkeypatch.setattr("verifyrig.analysis.metrics._kept", OrderedDict())
    trace = ladder_trace(seed=99)
    metrics_of(trace).clear()  # nobody's table is another's
    same = replace(trace, columns={name: values.copy() for name, values in trace.columns.items()})
    assert metrics_of(same) == metrics_of(trace) != {} and asked == [trace]
    hotter = {**trace.columns, "die_temp_c": trace.columns["die_temp_c"].copy()}
    hotter["die_temp_c"][-1] += 0.25
    others = (
        replace(trace, columns=hotter),
        replace(trace, columns={name: values for name, values in trace.columns.items() if name != "ambient_temp_c"}),
        replace(trace, facts={**trace.facts, "ambient": {"value_c": 22.0, "u95_k": 0.5, "source": "typed"}}),
        replace(trace, events=(Event(t_s=300.0, kind="dip", detail={"left_out_until_s": 305.0}),)),
        replace(trace, stages=trace.stages[:2]),
        replace(trace, profile=None),
        replace(trace, t_s=trace.t_s + 1.0),
    )
    assert [metrics_of(other)["load.compute_errors"].value for other in others] == [2, 3, 4, 5, 6, 7, 8]
