"""The post-mortem: heat, power, crash, hang, program or person; from the last moments and what the system says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from tests.endings import EXPECTED, ends
from verifyrig.bench.folder import Bench
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.reason import reason
from verifyrig.core.trace import Event, FloatArray, StageSpan, Trace
from verifyrig.runs.interruptions import pattern_of
from verifyrig.runs.last_moments import last_moments
from verifyrig.runs.post_mortem import EndedBy, PostMortem, as_json, explain_end
from verifyrig.system.history.entries import LogEntry

LOAD_S = 60.0


def trace_of(
    columns: Mapping[str, FloatArray],
    *,
    kind: str = "power-off",
    limit_c: float | None = 100.0,
    load_at_s: float | None = LOAD_S,
    period_s: float = 1.0,
) -> Trace:
    n = len(next(iter(columns.values())))
    t_s = np.arange(n, dtype=np.float64) * period_s
    return Trace(
        run_id="r",
        facts={
            "outcome": "interrupted",
            "cause": {"class": kind, "why": ["made up"]},
            "period_s": period_s,
            "channels": {"die_temp_c": {"limit": limit_c, "resolution": 1.0, "refresh_s": 1.0}},
        },
        profile=None,
        stages=(
            StageSpan(name="load", kind=StageKind.LOAD, start_s=0.0, end_s=float(t_s[-1]), ended=StageEnd.INTERRUPTED),
        ),
        t_s=t_s,
        utc_s=1.7e9 + t_s,
        columns=dict(columns),
        events=() if load_at_s is None else (Event(t_s=load_at_s, kind="load", detail={"share": 1.0}),),
    )


def ramp(from_c: float, to_c: float, seconds: int = 120) -> FloatArray:
    return np.linspace(from_c, to_c, seconds + 1)


def verdict_of(trace: Trace, *entries: LogEntry, restarted_utc_s: float | None = None) -> PostMortem:
    found = explain_end(trace, entries, restarted_utc_s)
    assert found is not None and str(found.conclusion)
    return found


def test_where_no_log_is_left_neither_a_step_of_the_load_nor_a_quick_start_parts_a_crash_from_lost_power() -> None:
    """A system that runs from memory: a panic leaves what a pulled plug leaves, and a person starts it again."""
    trace = trace_of({"die_temp_c": ramp(40.0, 50.0)}, load_at_s=118.0)
    told = verdict_of(trace, restarted_utc_s=1.7e9 + 120 + 20)
    assert told.verdict is not EndedBy.UNCLEAR
    kept = [reason("restarted"), reason("no-log-left")]
    facts = {
        "cause": {"class": "power-off", "why": list(map(str, kept))},
        "cause_reasons": [why.as_json() for why in kept],
    }
    silent = verdict_of(replace(trace, facts={**trace.facts, **facts}), restarted_utc_s=1.7e9 + 120 + 20)
    assert silent.verdict is EndedBy.UNCLEAR


def test_the_temperature_at_the_cut_is_extrapolated_with_a_range() -> None:
    """Rising by 1 K/s, read 1 s apart from a sensor that refreshes each second: the cut lies 0 to 2 s later."""
    die = last_moments(trace_of({"die_temp_c": ramp(30.0, 90.0, 60)})).die
    assert die is not None
    assert die.last_c == 90.0 and die.slope_k_per_s == pytest.approx(1.0)
    assert die.estimate_c == pytest.approx(91.0)
    # Half a step of the sensor below and above; at the latest one period and one refresh after the last reading.
    assert die.low_c == pytest.approx(89.5) and die.high_c == pytest.approx(92.5)
    assert not die.capped


def test_a_reading_at_the_limit_is_at_or_above() -> None:
    """Sensors on the die do not report above their limit (data sheets of 12th-generation desktop processors)."""
    found = verdict_of(trace_of({"die_temp_c": np.minimum(ramp(60.0, 130.0), 100.0)}))
    assert found.moments.die is not None and found.moments.die.capped
    assert found.verdict is EndedBy.HEAT and any("at or above" in str(reason) for reason in found.reasons)


def test_cool_at_a_step_of_the_load_with_a_sagging_rail_speaks_for_the_power() -> None:
    rail = np.full(63, 12.0)
    rail[61:] = 11.2
    found = verdict_of(trace_of({"die_temp_c": ramp(35.0, 52.0, 62), "rail_12v_v": rail}))
    assert found.verdict is EndedBy.POWER
    assert any("11.20 V" in str(reason) for reason in found.reasons) and any(
        "2.0 s before" in str(r) for r in found.reasons
    )


@pytest.mark.parametrize("last_c", [40.0, 55.0, 64.0])
@pytest.mark.parametrize("throttle", [0.0, 50.0])
def test_heat_is_never_blamed_below_70_degrees(last_c: float, throttle: float) -> None:
    columns = {"die_temp_c": ramp(last_c, last_c), "throttle_count": ramp(0.0, throttle)}
    found = verdict_of(trace_of(columns, limit_c=None))
    assert found.verdict is not EndedBy.HEAT and found.shares[EndedBy.HEAT] == 0.0


def test_what_the_system_says_outweighs_the_record() -> None:
    cool = trace_of({"die_temp_c": ramp(35.0, 50.0)})
    heat = LogEntry(utc_s=None, id="reset-reason", code="bits=0")
    assert verdict_of(cool, heat).verdict is EndedBy.HEAT
    crash = LogEntry(utc_s=None, id="kernel-power-41", code="bugcheck=159 button=0")
    assert verdict_of(trace_of({"die_temp_c": ramp(60.0, 92.0)}), crash).verdict is EndedBy.SOFTWARE
    button = LogEntry(utc_s=None, id="kernel-power-41", code="bugcheck=0 button=1")
    assert verdict_of(cool, button).verdict is EndedBy.OPERATOR


def test_wrong_results_before_the_end_speak_for_a_crash() -> None:
    errors = np.zeros(121)
    errors[80:] = 3
    found = verdict_of(trace_of({"die_temp_c": ramp(35.0, 60.0), "compute_errors": errors}))
    assert found.verdict is EndedBy.SOFTWARE and any("3 wrong results" in str(reason) for reason in found.reasons)


@pytest.mark.parametrize(
    ("kind", "reason"),
    [
        ("operator", EndedBy.OPERATOR),
        ("terminated", EndedBy.OPERATOR),
        ("killed", EndedBy.SOFTWARE),
        ("hang", EndedBy.HANG),
        ("suspend", EndedBy.SLEEP),
    ],
)
def test_an_end_that_is_known_is_not_weighed(kind: str, reason: EndedBy) -> None:
    found = verdict_of(trace_of({"die_temp_c": ramp(60.0, 99.0)}, kind=kind))
    assert found.verdict is reason and found.shares == {} and found.reasons == ("made up",)


def test_a_run_that_ended_in_order_has_no_post_mortem() -> None:
    trace = trace_of({"die_temp_c": ramp(30.0, 40.0)})
    for facts in ({"outcome": "completed"}, {"outcome": "tripped"}, {"outcome": "running"}, {}):
        assert explain_end(replace(trace, facts=facts)) is None


def test_without_any_reading_nothing_is_claimed() -> None:
    empty = trace_of({"die_temp_c": np.full(60, np.nan)}, load_at_s=None)
    assert verdict_of(empty).verdict is EndedBy.UNCLEAR
    nothing = trace_of({"die_temp_c": np.array([0.0])})
    nothing = replace(nothing, t_s=np.empty(0), utc_s=np.empty(0), columns={}, events=())
    found = verdict_of(nothing)
    assert found.moments.notes and as_json(found)["die_at_cut_c"] is None


def test_it_says_when_the_system_was_up_again() -> None:
    found = verdict_of(trace_of({"die_temp_c": ramp(60.0, 99.0)}), restarted_utc_s=1.7e9 + 120 + 300)
    assert found.restart_s == 300 and any("5 min" in str(reason) for reason in found.reasons)
    earlier = verdict_of(trace_of({"die_temp_c": ramp(60.0, 99.0)}), restarted_utc_s=1.7e9)
    assert earlier.restart_s is None


def interruption(die_c: float, power_w: float) -> PostMortem:
    return verdict_of(trace_of({"die_temp_c": np.full(121, die_c), "package_power_w": np.full(121, power_w)}))


# Two interruptions and what the trade makes of them: equal °C: heat; equal watts at other °C: power. Common practice.
@pytest.mark.parametrize(
    ("ends_at", "reason"),
    [
        ([(91.0, 120.0), (92.5, 80.0)], EndedBy.HEAT),
        ([(60.0, 120.0), (75.0, 121.0), (68.0, 119.0)], EndedBy.POWER),
        ([(60.0, 120.0), (61.0, 121.0)], EndedBy.UNCLEAR),
        ([(60.0, 80.0), (80.0, 120.0)], EndedBy.UNCLEAR),
    ],
)
def test_several_interruptions_are_compared(ends_at: list[tuple[float, float]], reason: EndedBy) -> None:
    pattern = pattern_of([interruption(*one) for one in ends_at])
    assert pattern is not None and pattern.speaks_for is reason and pattern.n == len(ends_at)
    assert "°C" in str(pattern.conclusion) and " W" in str(pattern.conclusion)


def test_one_interruption_makes_no_pattern() -> None:
    assert pattern_of([interruption(60.0, 100.0)]) is None


@pytest.mark.parametrize(
    ("case", "seeds"), [("supply-sags", 2), ("coolant-stopped", 1), ("killed", 1), ("operator", 1)]
)
def test_simulated_machines_are_found_to_have_died_of_what_they_did(case: str, seeds: int, tmp_path: Path) -> None:
    """A few of what the benchmark post-mortem does with hundreds."""
    for trace, found in islice(ends(case, Bench(root=tmp_path)), seeds):
        assert found.verdict is EXPECTED[case][0], (trace.facts["simulated_case"], found)


def test_a_crash_that_left_nothing_behind_is_not_laid_at_the_power() -> None:
    # Cool, under a load that had long been on, no rail read, no log: a panic looks the same as a pulled plug. To find
    # the power by leaving out heat alone would send somebody to exchange a sound supply.
    found = explain_end(trace_of({"die_temp_c": ramp(45.0, 52.0)}), (), None)
    assert found is not None and found.verdict is EndedBy.UNCLEAR
