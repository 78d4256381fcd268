"""What makes two readings contradict each other, at the edges, on courses without noise."""

from __future__ import annotations

import numpy as np
import pytest

from verifyrig.analysis.contradictions import _level, _power_w, _still_warms
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import FloatArray, StageSpan, Trace

STAGE = StageSpan(name="load", kind=StageKind.LOAD, start_s=0.0, end_s=1e6, ended=StageEnd.TIME)


def trace_of(values: FloatArray, *, period_s: float = 1.0, resolution: float | None = None) -> Trace:
    t = np.arange(0.0, len(values) * period_s, period_s)
    columns = {"die_temp_c": np.asarray(values, dtype=np.float64), "package_power_w": np.arange(float(len(values)))}
    facts = {"channels": {"die_temp_c": {"resolution": resolution, "expanded_uncertainty": 0.4}}}
    none: tuple[()] = ()
    return Trace(
        run_id="r", facts=facts, profile=None, stages=(STAGE,), t_s=t, utc_s=t + 1.9e9, columns=columns, events=none
    )


def ramp(k_per_s: float, n: int = 301) -> FloatArray:
    return np.asarray(20.0 + k_per_s * np.arange(n), dtype=np.float64)


def warms(trace: Trace, gap_k: float) -> bool:
    return _still_warms(trace, STAGE, "die_temp_c", gap_k)


@pytest.mark.parametrize(("gap_k", "still"), [(35.99, True), (36.005, False)])
def test_what_would_close_the_gap_within_an_hour_still_warms(gap_k: float, still: bool) -> None:
    assert warms(trace_of(ramp(0.01)), gap_k) is still  # 0.01 K/s for 3 600 s are 36 K


def test_only_the_last_five_minutes_show_whether_it_still_warms() -> None:
    stopped = np.concatenate([ramp(0.05, 600), np.full(301, 50.0)])
    assert not warms(trace_of(stopped), 1.0)
    begun = np.concatenate([np.full(600, 20.0), ramp(0.01)])
    assert warms(trace_of(begun), 35.9)


@pytest.mark.parametrize(("n", "told"), [(30, False), (31, True)])
def test_half_a_minute_of_readings_is_the_least_to_tell_a_trend(n: int, told: bool) -> None:
    assert warms(trace_of(ramp(0.1, n)), 1.0) is told


@pytest.mark.parametrize(("rose_k", "still"), [(0.45, False), (0.55, True)])
def test_less_than_half_a_step_of_the_sensor_is_no_rise(rose_k: float, still: bool) -> None:
    assert warms(trace_of(ramp(rose_k / 300.0), resolution=1.0), 0.1) is still


def test_what_falls_does_not_warm() -> None:
    assert not warms(trace_of(ramp(-0.01)), 1.0)


@pytest.mark.parametrize(("n", "told"), [(4, False), (5, True)])
def test_a_level_is_told_by_five_readings_at_least(n: int, told: bool) -> None:
    assert (_level(trace_of(np.full(n, 50.0)), STAGE, "die_temp_c") is not None) is told


def test_a_level_is_the_mean_of_the_last_minute_and_as_sure_as_its_readings() -> None:
    values = np.concatenate([np.full(100, 20.0), 50.0 + (-1.0) ** np.arange(61)])
    found = _level(trace_of(values), STAGE, "die_temp_c")
    assert found is not None and found.value_c == pytest.approx(50.0 + 1 / 61)
    # 61 readings ± 1 about their mean: JCGM 100:2008, 4.2.3.
    u = float(np.std(values[-61:], ddof=1)) / 61**0.5
    assert any(line.standard_uncertainty == pytest.approx(u) for line in found.budget)


def test_the_power_is_the_mean_of_the_last_minute_and_unknown_where_it_was_not_read() -> None:
    assert _power_w(trace_of(np.full(200, 50.0)), STAGE, "package_power_w") == pytest.approx(169.0)
    assert _power_w(trace_of(np.full(200, 50.0)), STAGE, "gpu_power_w") is None
    assert _level(trace_of(np.full(200, np.nan)), STAGE, "die_temp_c") is None
