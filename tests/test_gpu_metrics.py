"""Figures of a graphics card from traces whose answer is known in closed form."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from verifyrig.analysis import compare, metrics_of
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import LoadPattern, LoadPlan, Profile, Settle, Stage, StageKind, WorkName
from verifyrig.core.trace import Event, FloatArray, StageSpan, Trace
from verifyrig.runs.summary import sentences_of, summary_of

IDLE_S, PULSES, ON_S, OFF_S, LOAD_S, COOL_S = 120.0, 4, 5.0, 25.0, 900.0, 700.0
PULSED_S = PULSES * (ON_S + OFF_S)
AMBIENT_C = 24.0
# Foster ladders, Z(t) = sum R_i (1 - exp(-t / tau_i)), the closed form of JESD51-1's transient impedance. Sizes from
# memory: a data-centre card that sheds 700 W without a fan of its own, and a card of 300 W with fans. What is
# plausible of a card was chosen with both in view: these tests hold the forecast, they do not prove it.
LADDERS = {
    "data-centre": (700.0, 70.0, ((0.028, 0.8), (0.012, 15.0), (0.023, 70.0)), None),
    "desktop": (300.0, 20.0, ((0.06, 0.9), (0.03, 20.0), (0.06, 120.0)), 1500.0),
}


def impedance(ladder: tuple[tuple[float, float], ...], t_s: FloatArray | float) -> FloatArray:
    t = np.clip(np.asarray(t_s, dtype=np.float64), 0.0, None)
    return sum((r * (1 - np.exp(-t / tau)) for r, tau in ladder), start=np.zeros_like(t))


def steps() -> list[tuple[float, float]]:
    """When the load changes, and to what share."""
    starts = [IDLE_S + n * (ON_S + OFF_S) for n in range(PULSES)]
    pulses = [(start_s + late_s, share) for start_s in starts for late_s, share in ((0.0, 1.0), (ON_S, 0.0))]
    on_s = IDLE_S + PULSED_S
    return [*pulses, (on_s, 1.0), (on_s + LOAD_S, 0.0)]


def card_trace(card: str, *, work: str = "gpu-linear-algebra", limit_known: bool = True, **changed: Any) -> Trace:
    full_w, idle_w, ladder, fan_rpm = LADDERS[card]
    end_s = IDLE_S + PULSED_S + LOAD_S + COOL_S
    t = np.arange(0.0, end_s, 0.5)
    step_w = full_w - idle_w
    temp = AMBIENT_C + idle_w * sum(r for r, _ in ladder) + np.zeros_like(t)
    power, share, before = np.full_like(t, idle_w), np.zeros_like(t), 0.0
    for at_s, now in steps():
        temp = temp + (now - before) * step_w * impedance(ladder, t - at_s)
        power = power + (now - before) * step_w * (t >= at_s)
        share, before = np.where(t >= at_s, now, share), now
    noise = 0.2 * np.random.default_rng(5).standard_normal(len(t))
    columns = {
        "gpu_temp_c": np.round(temp + noise),  # such sensors give whole degrees
        "gpu_power_w": power,
        "load_share": share,
        "compute_errors": np.zeros_like(t),
    }
    if fan_rpm is not None:
        columns["gpu_fan_speed_rpm"] = np.full_like(t, fan_rpm)
    columns.update(changed)
    steady = LoadPlan(work=WorkName(work))
    settle = Settle(channel="gpu_temp_c", within_k=1.0, slowest_time_constant_s=300.0)
    pulses = LoadPlan(
        work=WorkName(work), pattern=LoadPattern.PULSES, on_s=ON_S, off_s=OFF_S, count=PULSES, workers="quarter"
    )
    marks = [0.0, IDLE_S, IDLE_S + PULSED_S, IDLE_S + PULSED_S + LOAD_S, end_s]
    names = ("idle", "pulses", "load", "cooldown")
    kinds = ("idle", "load", "load", "cooldown")
    profile = Profile(
        name="graphics", title="", text="", recipe="r1",
        stages=(
            Stage(name="idle", kind=StageKind.IDLE, max_duration_s=IDLE_S),
            Stage(name="pulses", kind=StageKind.LOAD, load=pulses),
            Stage(name="load", kind=StageKind.LOAD, max_duration_s=LOAD_S, settle=settle, load=steady),
            Stage(name="cooldown", kind=StageKind.COOLDOWN, max_duration_s=COOL_S),
        ),
    )  # fmt: skip
    power_facts = {"channel": "gpu_power_w"} | ({"limit": full_w} if limit_known else {})
    return Trace(
        run_id="20260101-000000-abcd",
        facts={
            "purpose": "check", "outcome": "completed", "simulated": True,
            "ambient": {"value_c": AMBIENT_C, "u95_k": 0.5, "source": "typed"},
            "channels": [{"channel": "gpu_temp_c", "resolution": 1.0}, power_facts],
        },
        profile=profile,
        stages=tuple(
            StageSpan(name=name, kind=StageKind(kind), start_s=a, end_s=b, ended=StageEnd.TIME)
            for name, kind, a, b in zip(names, kinds, marks[:-1], marks[1:], strict=True)
        ),
        t_s=t,
        utc_s=t + 1.7e9,
        columns=columns,
        events=tuple(Event(t_s=at_s, kind="load", detail={"share": now}) for at_s, now in steps()),
    )  # fmt: skip


CARDS = sorted(LADDERS)


@pytest.mark.parametrize("card", CARDS)
def test_the_cards_resistance_is_the_ladders_sum(card: str) -> None:
    found = metrics_of(card_trace(card))["load.gpu_thermal_resistance"]
    total = sum(r for r, _ in LADDERS[card][2])
    assert isinstance(found.value, float) and found.u95 is not None
    assert abs(found.value - total) <= found.u95 < 0.1 * total


@pytest.mark.parametrize("limit_known", [True, False])
@pytest.mark.parametrize("card", CARDS)
def test_the_cards_impedance_is_the_closed_form_from_step_pulses_and_cooldown(card: str, limit_known: bool) -> None:
    found = metrics_of(card_trace(card, limit_known=limit_known))
    for stage, window_s in [(s, w) for s in ("pulses", "load", "cooldown") for w in (5, 60, 600)]:
        metric, truth = found[f"{stage}.gpu_thermal_impedance_{window_s}s"], impedance(LADDERS[card][2], window_s)
        if (stage, window_s) == ("pulses", 600):
            assert metric.value is None and "pulses" in metric.note
            continue
        # 10 % is what a fingerprint is allowed from a step, 15 % from pulses and where nothing tells of the fans.
        assert metric.value == pytest.approx(float(truth), rel=0.10 if stage == "load" else 0.15)


@pytest.mark.parametrize("after_s", [30.0, 60.0])
@pytest.mark.parametrize("card", CARDS)
def test_half_a_minute_into_the_load_it_is_forecast_where_the_card_settles(card: str, after_s: float) -> None:
    full_w, _, ladder, _ = LADDERS[card]
    trace = card_trace(card).until(IDLE_S + PULSED_S + after_s)
    found = summary_of(trace, "x")["metrics"]["load.gpu_temp_c.settled"]
    end_c = AMBIENT_C + full_w * sum(r for r, _ in ladder)
    assert isinstance(found["value"], float) and found["u95"] is not None
    assert abs(found["value"] - end_c) <= found["u95"] < 20.0
    assert "not settled" in found["note"]


def test_without_the_cards_power_the_reason_stands_in_the_figures_place() -> None:
    found = metrics_of(card_trace("desktop", gpu_power_w=np.full_like(card_trace("desktop").t_s, np.nan)))
    for name in ("load.gpu_thermal_resistance", "load.gpu_thermal_impedance_60s", "pulses.gpu_thermal_impedance_5s"):
        assert found[name].value is None and "power was not readable" in found[name].note


def test_a_load_that_is_not_on_the_card_gives_no_figure_of_the_card_and_one_on_the_card_none_of_the_die() -> None:
    still = card_trace("desktop")
    die: dict[str, Any] = {
        "die_temp_c": np.full_like(still.t_s, 40.0),
        "package_power_w": np.full_like(still.t_s, 20.0),
    }
    on_die = metrics_of(card_trace("desktop", work="linear-algebra", **die))
    assert not any(name.startswith(("load.gpu_thermal", "pulses.gpu_thermal")) for name in on_die)
    on_card = metrics_of(card_trace("desktop", **die))
    assert "not on the die" in on_card["load.thermal_impedance_5s"].note
    both = metrics_of(card_trace("desktop", work="gpu-and-processor", **die))
    assert both["load.gpu_thermal_impedance_60s"].value is not None


def test_hot_spot_and_memory_stand_above_the_chip_by_what_they_read_more() -> None:
    chip = card_trace("desktop").columns["gpu_temp_c"]
    found = metrics_of(card_trace("desktop", gpu_hotspot_temp_c=chip + 12.0, gpu_memory_temp_c=chip + 8.0))
    assert found["load.gpu_hotspot_temp_c.above_chip"].value == pytest.approx(12.0)
    assert found["load.gpu_memory_temp_c.above_chip"].value == pytest.approx(8.0)
    part = found["load.gpu_thermal_resistance_hotspot_to_chip"]
    assert part.value == pytest.approx(12.0 / 300.0, rel=0.1)


def test_the_sentences_of_a_run_name_the_card() -> None:
    lines = "\n".join(sentences_of(summary_of(card_trace("desktop"), "x")))
    assert "graphics card" in lines and "card to room" in lines and "card power" in lines


def test_what_holds_a_card_back_is_told_apart_and_only_heat_counts_as_slowing_down() -> None:
    trace = card_trace("desktop")
    in_load = (trace.t_s >= IDLE_S + PULSED_S) & (trace.t_s < IDLE_S + PULSED_S + LOAD_S)
    late = in_load & (trace.t_s >= IDLE_S + PULSED_S + 0.75 * LOAD_S)
    held: dict[str, Any] = {
        "gpu_heat_limited_share": late.astype(float),
        "gpu_power_limited_share": in_load.astype(float),
        "gpu_brake_limited_share": np.zeros_like(trace.t_s),
        "work_rate_per_s": np.where(in_load, 100.0, np.nan),
    }
    found = metrics_of(card_trace("desktop", **held))
    assert found["load.throttle_share"].value == pytest.approx(0.25, abs=0.01)
    assert "heat" in found["load.throttle_share"].note
    assert found["load.gpu_heat_limited_share.mean"].value == pytest.approx(0.25, abs=0.01)
    assert found["load.gpu_power_limited_share.mean"].value == pytest.approx(1.0, abs=0.01)
    assert found["load.gpu_brake_limited_share.mean"].value == 0.0
    # At its cap a card is judged by work and watts, and both say so.
    for name in ("load.gpu_power_w.mean", "load.work_rate_kept_share"):
        assert "at its power limit of 300 W for 100%" in found[name].note
    assert found["load.work_rate_kept_share"].value == pytest.approx(1.0)


def test_a_card_that_gives_no_reasons_has_no_figure_for_them() -> None:
    found = metrics_of(card_trace("desktop"))
    for name in ("throttle_share", "gpu_heat_limited_share.mean", "gpu_brake_limited_share.mean"):
        assert found[f"load.{name}"].value is None and "does not say" in found[f"load.{name}"].note


def test_a_processor_without_a_counter_is_not_cleared_by_a_card_that_never_slowed_down() -> None:
    still: dict[str, Any] = {"gpu_heat_limited_share": np.zeros_like(card_trace("desktop").t_s)}
    found = metrics_of(card_trace("desktop", work="gpu-and-processor", **still))
    assert found["load.throttle_share"].value is None and "counter" in found["load.throttle_share"].note


def test_runs_of_a_card_compare_by_the_cards_power() -> None:
    before = card_trace("desktop")
    cooler = before.columns["gpu_temp_c"] - 5.0
    found = compare(before, card_trace("desktop", gpu_temp_c=cooler))
    assert found.stages["load"].comparable
    assert found.metrics["load.gpu_thermal_resistance"].difference == pytest.approx(-5.0 / 300.0, rel=0.15)
    weaker = compare(before, card_trace("desktop", gpu_power_w=0.8 * before.columns["gpu_power_w"]))
    assert not weaker.stages["load"].comparable and "power-differs" in [why.code for why in weaker.stages["load"].why]
