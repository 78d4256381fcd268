"""What repeat runs of one machine differ by is no change: each condition by itself, on a course in closed form."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from tests.test_analysis_metrics import impedance, ladder_trace
from verifyrig.analysis import Comparison, MetricDifference, compare, metrics_of
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import StageSpan, Trace

IDLE_S, COOLDOWN_S = 100.0, 60.0
IDLE_W, LOAD_W, AMBIENT_C = 15.0, 115.0, 22.0


def run(
    *,
    load_s: float = 600.0,
    phase_s: float = 0.0,
    warm_k: float = 0.0,
    ambient_k: float = 0.0,
    power: float = 1.0,
    path: float = 1.0,
    seed: int = 1,
    typed: float | None = None,
    ambient: bool = True,
) -> Trace:
    """A run of the ladder of JESD51-1 in closed form.

    `warm_k` is what its slowest mode still holds of earlier use, K; `phase_s` where between two loads' changes the
    samples lie; `path` multiplies all K/W.
    """
    trace = ladder_trace()
    end_s = IDLE_S + load_s + COOLDOWN_S
    t_s = np.arange(phase_s, end_s, 1.0)
    step_w = power * (LOAD_W - IDLE_W)
    rise_k = IDLE_W * 0.3 + step_w * (impedance(t_s - IDLE_S) - impedance(t_s - IDLE_S - load_s))
    die_c = AMBIENT_C + ambient_k + path * rise_k + warm_k * np.exp(-t_s / 180.0)
    die_c += 0.2 * np.random.default_rng(seed).standard_normal(len(t_s))
    on = (t_s >= IDLE_S) & (t_s < IDLE_S + load_s)
    columns = {"die_temp_c": die_c, "package_power_w": np.where(on, IDLE_W + step_w, IDLE_W), "load_share": on * 1.0}
    if ambient and typed is None:
        columns["ambient_temp_c"] = np.full(len(t_s), AMBIENT_C + ambient_k)
    facts = dict(trace.facts)
    if typed is not None:
        facts["ambient"] = {"value_c": AMBIENT_C + ambient_k, "u95_k": typed, "source": "typed"}
    ends = (("idle", 0.0, IDLE_S), ("load", IDLE_S, IDLE_S + load_s), ("cooldown", IDLE_S + load_s, end_s))
    stages = tuple(
        StageSpan(
            name=name,
            kind=StageKind(name),
            start_s=start_s,
            end_s=float(np.nextafter(stop_s, 0.0)),
            ended=StageEnd.TIME,
        )
        for name, start_s, stop_s in ends
    )
    return replace(
        trace,
        run_id=f"run-{seed}",
        facts=facts,
        stages=stages,
        t_s=t_s,
        utc_s=t_s + 1.7e9 + 86400.0 * seed,
        columns=columns,
        events=(),
    )


def compared(before: dict[str, Any], after: dict[str, Any]) -> Comparison:
    """Two runs of `run` held against each other, once for all who ask for it."""
    return _compared(tuple(sorted(before.items())), tuple(sorted(after.items())))


@cache
def _compared(before: tuple[tuple[str, Any], ...], after: tuple[tuple[str, Any], ...]) -> Comparison:
    return compare(run(seed=1, **dict(before)), run(seed=2, **dict(after)))


def differs(figure: str, before: dict[str, Any], after: dict[str, Any], stage: str = "load") -> MetricDifference:
    """How a figure of the die differs between two runs of `run`."""
    return compared(before, after).metrics[f"{stage}.die_temp_c.{figure}"]


def said(before: dict[str, Any], after: dict[str, Any]) -> list[str]:
    found = compared(before, after).stages["load"]
    assert found.comparable
    return [why.code for why in found.why]


def true_rate(path: float = 1.0) -> float:
    """Closed form: the steepest 10 s are the first."""
    return float(path * (LOAD_W - IDLE_W) * impedance(10.0) / 10.0)


@pytest.mark.parametrize("phase_s", [0.0, 0.3, 0.6, 0.95])
def test_the_rate_is_that_of_the_step_wherever_the_samples_lie(phase_s: float) -> None:
    """The ladder does 12 K within the first two seconds: a rise counted from the next sample on misses most of them."""
    rate = metrics_of(run(phase_s=phase_s))["load.die_temp_c.rate"]
    assert isinstance(rate.value, float) and rate.u95 is not None
    assert rate.value == pytest.approx(true_rate(), abs=rate.u95)
    # Two such rates still tell a tenth apart (JCGM 100:2008, 5.1.2).
    assert rate.u95 * 2**0.5 < 0.1 * true_rate()


def test_a_stage_that_was_said_to_begin_a_little_late_keeps_its_rate() -> None:
    """As in a log of another program, where the first readings of the load already count as idle."""
    trace = run()
    stages = tuple(
        replace(stage, start_s=stage.start_s + 2.0) if stage.name == "load" else stage for stage in trace.stages
    )
    rate = metrics_of(replace(trace, stages=stages))["load.die_temp_c.rate"]
    assert isinstance(rate.value, float) and rate.value == pytest.approx(true_rate(), rel=0.05)


def test_other_moments_of_sampling_are_no_change_of_the_rate_and_a_tenth_of_the_path_is() -> None:
    assert differs("rate", {"phase_s": 0.05}, {"phase_s": 0.95}).significant is False
    worse = differs("rate", {"phase_s": 0.05}, {"phase_s": 0.95, "path": 1.1})
    assert worse.significant and worse.difference == pytest.approx(0.1 * true_rate(), rel=0.4)


def test_peaks_of_stages_of_other_length_are_compared_over_the_length_of_the_shorter() -> None:
    found = differs("peak", {"load_s": 200.0}, {"load_s": 900.0})
    at_200_s = AMBIENT_C + IDLE_W * 0.3 + (LOAD_W - IDLE_W) * float(impedance(200.0))
    assert found.after == pytest.approx(at_200_s, abs=0.8) and found.significant is False
    assert differs("peak", {"load_s": 200.0}, {"load_s": 900.0, "path": 1.1}).significant
    assert "compared-over-common-length" in said({"load_s": 200.0}, {"load_s": 900.0})
    assert "compared-over-common-length" not in said({"load_s": 600.0}, {"load_s": 601.0})


@pytest.mark.parametrize("figure", ["peak", "rate"])
def test_a_machine_that_was_still_warm_is_not_changed(figure: str) -> None:
    assert differs(figure, {"load_s": 240.0}, {"load_s": 240.0, "warm_k": 12.0}).significant is False


def test_what_a_machine_was_before_the_run_is_no_change_of_its_idle_peak() -> None:
    assert differs("peak", {}, {"warm_k": 12.0}, stage="idle").significant is False
    assert differs("peak", {"load_s": 200.0}, {"load_s": 900.0}, stage="cooldown").significant is False


@pytest.mark.parametrize("figure", ["peak", "settled"])
@pytest.mark.parametrize("typed", [None, 0.3])
def test_an_ambient_two_kelvin_warmer_is_corrected_for_and_said(figure: str, typed: float | None) -> None:
    before, after = {"typed": typed}, {"typed": typed, "ambient_k": 2.0}
    found = differs(figure, before, after)
    assert found.difference == pytest.approx(0.0, abs=0.5) and found.significant is False
    assert "rooms-corrected-to-before" in said(before, after)
    worse = differs(figure, before, {**after, "path": 1.1})
    assert worse.significant and worse.difference == pytest.approx(3.0, abs=0.7)


def test_the_ambient_itself_is_not_corrected_away() -> None:
    found = compared({}, {"ambient_k": 2.0}).metrics["load.ambient_temp_c.settled"]
    assert found.difference == pytest.approx(2.0, abs=0.01) and found.significant


@pytest.mark.parametrize("figure", ["peak", "settled"])
def test_where_nobody_measured_the_ambient_two_kelvin_are_no_change_and_six_are(figure: str) -> None:
    silent = {"ambient": False}
    assert differs(figure, silent, {"ambient": False, "ambient_k": 2.0}).significant is False
    assert differs(figure, silent, {"ambient": False, "ambient_k": 6.0}).significant


@pytest.mark.parametrize("figure", ["peak", "rate"])
def test_a_little_more_power_is_no_change_of_the_machine(figure: str) -> None:
    assert differs(figure, {}, {"power": 1.04}).significant is False


def test_a_fan_that_follows_a_hotter_die_is_no_other_fan() -> None:
    """A regulated fan behind a path that got worse by a tenth: the same curve, steep where the one before settled."""

    def with_fan(trace: Trace, curve: float = 1.0) -> Trace:
        rpm = curve * np.interp(trace.columns["die_temp_c"], (30.0, 54.0, 60.0), (600.0, 900.0, 1800.0))
        return replace(trace, columns={**trace.columns, "cpu_fan_speed_rpm": rpm})

    before = with_fan(run(seed=1))
    assert compare(before, with_fan(run(seed=2, path=1.1))).stages["load"].comparable
    found = compare(before, with_fan(run(seed=2, path=1.1), 1.15)).stages["load"]
    assert [why.code for why in found.forbidden_by] == ["fan-differs"]


def test_a_stage_shorter_than_the_window_has_no_rate_and_harms_nothing_else() -> None:
    found = compare(run(seed=1, load_s=8.0), run(seed=2, load_s=8.0)).metrics
    assert found["load.die_temp_c.rate"].difference is None
    assert found["load.die_temp_c.peak"].significant is False
