"""Figures and signs read from records: whole, interrupted, pulses only, idle only; what is missing is absent."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from tests.diagnosis_traces import Made, leading, made_run
from verifyrig.core.trace import Event, QualityInterval, Trace
from verifyrig.diagnosis import tables
from verifyrig.diagnosis.chain_picture import thermal_path_svg
from verifyrig.diagnosis.evidence import MachineEvidence, joint_log
from verifyrig.diagnosis.judging import judge, see, see_all
from verifyrig.diagnosis.quantities import QUANTITIES, even_covariance
from verifyrig.diagnosis.readings import Readings
from verifyrig.diagnosis.signs import signs_of


@pytest.fixture(scope="module")
def whole() -> Trace:
    return made_run(Made(extra={"plate_temp_c": 45.0, "coolant_temp_c": 33.0}))


def test_windows_add_up_to_the_closed_form_of_the_path(whole: Trace) -> None:
    # Rise per watt of a chain of first-order lags: sum of r (1 - exp(-t / tau)), the closed form.
    machine = Made()
    parts = [(machine.contact, 1.5), (machine.flow, 18.0), (machine.air, 110.0)]

    def z(t: float) -> float:
        return sum(r * (1 - math.exp(-t / tau)) for r, tau in parts)

    figures = see(whole).figures
    # A second of sampling and whole degrees: 3 % of the step's rise, and 0.01 K/W of rounding at 85 W.
    assert figures["window_5s"].value == pytest.approx(z(4.8), rel=0.04, abs=0.012)
    assert figures["window_60s"].value == pytest.approx(z(59) - z(4.8), rel=0.04, abs=0.012)
    assert figures["window_600s"].value == pytest.approx(z(600) - z(59), rel=0.04, abs=0.012)
    assert figures["load_rise"].value == pytest.approx(sum(r for r, _ in parts), abs=0.01)


@pytest.fixture(scope="module")
def climbed() -> Trace:
    return made_run(Made(), climbs=True)


def test_windows_of_a_climb_are_those_of_one_step(climbed: Trace) -> None:
    machine = Made()
    parts = [(machine.contact, 1.5), (machine.flow, 18.0), (machine.air, 110.0)]

    def z(t: float) -> float:
        return sum(r * (1 - math.exp(-t / tau)) for r, tau in parts)

    figures = see(climbed).figures
    # The closed form as above; 0.02 K/W is 2 K at 85 W. Read off, the last step has the heat of all others in it.
    for name, later_s, earlier_s in (("60s", 59, 4.8), ("180s", 178, 59), ("600s", 600, 59)):
        found = figures[f"window_{name}"]
        assert found.value == pytest.approx(z(later_s) - z(earlier_s), abs=0.02)
        assert abs(found.value - (z(later_s) - z(earlier_s))) < 2 * found.u


def test_five_steps_on_a_machine_that_still_cools_show_its_path_as_idle_does() -> None:
    slow = made_run(Made(flow=0.10, air=0.50, air_s=120.0), climbs=True)
    idle, cooling = see(slow.until(385.0)).figures, see(slow).figures
    for name in ("window_5s", "pulse_tail"):
        apart = abs(cooling[name].value - idle[name].value)
        assert apart < 2 * math.hypot(cooling[name].u, idle[name].u)


def test_a_run_that_is_interrupted_after_ten_seconds_of_load_still_gives_its_first_window() -> None:
    broken = made_run(Made(), ends_at_s=402.0, cause="power-off")
    figures = see(broken).figures
    assert "window_5s" in figures
    assert "load_rise" not in figures
    assert "window_60s" not in figures


def test_what_is_left_after_a_pulse_is_not_read_out_of_the_next_one() -> None:
    # One machine, linear: what a pulse leaves behind does not depend on when the next one comes.
    far, near = made_run(Made()), made_run(Made(), between_pulses_s=15)
    apart, close = (see(trace).figures.get("pulse_tail") for trace in (far, near))
    assert apart is not None
    assert close is None or abs(close.value - apart.value) < 2 * np.hypot(close.u, apart.u)


def path_of(machine: Made) -> Callable[[float], float]:
    """Rise per watt of the invented machine at a time after a step: the closed form of a chain of first-order lags."""
    parts = [(machine.contact, machine.contact_s), (machine.flow, machine.flow_s), (machine.air, machine.air_s)]
    return lambda t_s: sum(r * (1 - math.exp(-max(0.0, t_s) / tau)) for r, tau in parts)


def test_pulses_that_come_upon_what_others_left_show_what_one_leaves() -> None:
    # Superposition: what a pulse of 5 s leaves is the response less the same response 5 s later.
    machine = Made(flow=0.28, flow_s=25.0)
    z = path_of(machine)
    left = np.mean([z(t) - z(t - 5.0) for t in np.arange(15.0, 30.5, 0.5)])
    # Pulses as the shipped profiles give them.
    found = see(made_run(machine, between_pulses_s=25)).figures["pulse_tail"]
    assert abs(found.value - left) < 2 * found.u
    assert found.value > 0.8 * left


def test_a_slow_sensor_is_late_and_the_first_window_says_so() -> None:
    machine = Made(contact=0.45, contact_s=4.0)
    trace = made_run(machine)
    held = trace.columns["die_temp_c"][(np.arange(len(trace.t_s)) // 4) * 4]
    found = see(replace(trace, columns={**trace.columns, "die_temp_c": held})).figures["window_5s"]
    assert abs(found.value - path_of(machine)(4.0)) < 2 * found.u


def test_a_climb_that_steps_back_ends_the_load_before_it(climbed: Trace) -> None:
    back_s = float(climbed.stages[2].start_s) + 700.0
    later = (climbed.t_s >= back_s) & (climbed.t_s < float(climbed.stages[2].end_s or 0.0))
    columns = dict(climbed.columns)
    for name, by in (("die_temp_c", -4.0), ("package_power_w", -11.0)):
        columns[name] = columns[name] + np.where(later, by, 0.0)
    event = Event(t_s=back_s, kind="load", detail={"share": 0.875})
    events = tuple(sorted((*climbed.events, event), key=lambda one: one.t_s))
    stepped = replace(climbed, columns=columns, events=events)
    load = Readings(stepped).settled_load()
    assert load is not None
    assert load.until_s == back_s
    assert see(stepped).figures["load_rise"].value == pytest.approx(see(climbed).figures["load_rise"].value, rel=0.02)


def test_a_load_of_some_minutes_says_what_is_still_to_come() -> None:
    machine = Made(air=0.45, air_s=200.0, idle_w=10.0)
    figures = see(made_run(machine, load_s=240)).figures
    assert abs(figures["load_rise"].value - path_of(machine)(1e6)) < 2 * figures["load_rise"].u
    assert abs(figures["rest_excess"].value) < 2 * figures["rest_excess"].u
    # A sensor that is off is off from the beginning: nothing of that is still to come.
    off = see(made_run(replace(machine, idle_offset_k=15.0), load_s=240)).figures["load_rise"]
    assert off.value - figures["load_rise"].value == pytest.approx(15.0 / 100.0, abs=0.01)
    # What a sound machine with coolant still does after nine minutes a blocked one does after fifteen.
    assert "load_creep" not in see(made_run(machine, load_s=540)).figures
    assert "load_creep" in see(made_run(machine)).figures


def test_windows_that_begin_with_one_rise_have_its_error_in_common(whole: Trace) -> None:
    figures = {name: see(whole).figures[name] for name in ("window_5s", "window_20s", "window_60s", "window_180s")}
    slopes = [1 / math.hypot(QUANTITIES[name].scale, figure.value) for name, figure in figures.items()]
    errors = even_covariance(figures) / np.outer(slopes, slopes)
    # Errors e of four rises, u(e5) known: cov(e20 - e5, e60 - e5) = u(e5)**2 = -cov(e5, e20 - e5), and
    # cov(e60 - e5, e180 - e60) = -u(e60)**2 (JCGM 100:2008, 5.2.2).
    u5, u60 = figures["window_5s"].u, math.sqrt(figures["window_60s"].u ** 2 - figures["window_5s"].u ** 2)
    assert errors[1, 2] == pytest.approx(u5**2)
    assert errors[0, 1:].tolist() == pytest.approx([-(u5**2), -(u5**2), 0.0])
    assert errors[2, 3] == pytest.approx(-(u60**2))
    assert np.diag(errors) == pytest.approx([figure.u**2 for figure in figures.values()])


def test_idle_alone_gives_idle_figures_and_nothing_of_steps() -> None:
    figures = see(made_run(Made(), load_s=0, pulses=False)).figures
    assert {"room", "rest_rise", "rest_creep"} <= set(figures)
    assert not [name for name in figures if name.startswith("window")]


def test_a_record_without_samples_is_no_evidence_and_no_crash() -> None:
    empty = replace(
        made_run(Made()), t_s=np.empty(0), utc_s=np.empty(0), columns={}, stages=(), events=(), facts={"outcome": "x"}
    )
    seen = see(empty)
    assert not seen.figures
    assert judge(seen).causes["unknown"] > 0.2


@pytest.mark.parametrize("gone", ["package_power_w", "ambient_temp_c", "die_temp_c", "rail_12v_v", "core_clock_mhz"])
def test_a_channel_that_is_missing_takes_its_figures_with_it_and_no_other(whole: Trace, gone: str) -> None:
    less = replace(whole, columns={k: v for k, v in whole.columns.items() if k != gone})
    before, after = see(whole).figures, see(less).figures
    assert set(after) < set(before) or gone == "core_clock_mhz"
    assert all(after[name].value == pytest.approx(before[name].value, rel=0.02, abs=0.02) for name in after)


def test_no_figure_at_all_leaves_the_prior_as_it_is() -> None:
    prior = tables.prior()
    logs = joint_log(MachineEvidence(cooler="liquid"), prior)
    assert np.exp(logs) == pytest.approx(prior)


def test_readings_of_bad_quality_are_not_used(whole: Trace) -> None:
    bad = QualityInterval(channel="plate_temp_c", from_s=0.0, to_s=1e6, quality="implausible")
    assert "die_over_plate" in see(whole).figures
    assert "die_over_plate" not in see(replace(whole, qualities=(bad,))).figures


def word(trace: Trace, name: str) -> str:
    return next((sign.word for sign in signs_of(Readings(trace)) if sign.name == name), "")


def test_a_fan_that_stands_at_idle_with_a_low_duty_may_be_right() -> None:
    # One of three legal behaviours of a fan at low duty is to stop (4-wire fan specification, from memory).
    idle_run = made_run(Made(fan_rpm=0.0), load_s=0, pulses=False)
    low = replace(idle_run, columns={**idle_run.columns, "cpu_fan_duty_share": np.full(len(idle_run.t_s), 0.1)})
    assert word(low, "cooler-fan") == "stands-at-rest"
    assert word(idle_run, "cooler-fan") == "stands"


def test_a_clock_held_down_with_a_cool_die_and_one_at_its_limit_are_told_apart() -> None:
    assert word(made_run(Made(clock_falls_after_s=200.0)), "clock") == "held-down-cool"
    assert word(made_run(Made(air=0.75, air_s=450.0, limit_c=88.0, throttles=True)), "clock") == "held-down-hot"
    assert word(made_run(Made()), "clock") == "kept"


@pytest.mark.parametrize(
    ("machine", "ends_at_s", "word_of_end"),
    [
        (Made(), 392.0, "off-at-step"),
        (Made(), 700.0, "off-cool"),
        (Made(contact=0.75, contact_s=6.0, limit_c=90.0), 440.0, "off-hot"),
    ],
)
def test_where_a_machine_went_dark_says_what_kind_of_end_it_was(
    machine: Made, ends_at_s: float, word_of_end: str
) -> None:
    assert word(made_run(machine, ends_at_s=ends_at_s, cause="power-off"), "end") == word_of_end


def test_a_die_that_is_marked_stuck_says_nothing_of_heat(whole: Trace) -> None:
    stuck = QualityInterval(channel="die_temp_c", from_s=200.0, to_s=900.0, quality="stuck")
    found = judge(see(replace(whole, qualities=(stuck,))))
    assert leading(found)[0] == "sensor"


def test_several_records_of_one_machine_tell_more_than_each() -> None:
    pulses = made_run(Made(flow=0.28, flow_s=25.0), load_s=0)
    load = made_run(Made(flow=0.28, flow_s=25.0), pulses=False)
    both = see_all([pulses, load])
    assert {"pulse_tail", "load_rise"} <= set(both.figures)
    assert judge(both).causes["coolant-flow"] > judge(see(pulses)).causes["coolant-flow"]


def test_a_hot_inlet_in_a_cool_room_is_the_case_and_no_warm_room() -> None:
    # Inlet over room by more than 8 to 10 K: the case's air (common practice, no source). The other parts' 25 W
    # warm the same air while idle too.
    case = made_run(Made(air=0.34, air_s=200.0, idle_offset_k=7.0, extra={"inlet_temp_c": 44.0}))
    found = judge(see(case))
    assert leading(found)[0] == "airflow"
    assert found.causes["warm-room"] < 0.01


def test_the_air_at_the_cooler_stands_in_for_a_room_that_nobody_measured(whole: Trace) -> None:
    columns = {k: v for k, v in whole.columns.items() if k != "ambient_temp_c"}
    inlet = replace(whole, columns={**columns, "inlet_temp_c": whole.columns["ambient_temp_c"] + 2.0})
    figures = see(inlet).figures
    assert figures["room"].u > see(whole).figures["room"].u
    assert "load_rise" in figures
    assert "inlet_over_room" not in figures  # it cannot be compared with itself


@pytest.mark.parametrize(("gap_k", "said"), [(38.0, "far"), (12.0, "near")])
def test_a_hot_spot_far_over_its_edge_speaks_for_the_graphics(whole: Trace, gap_k: float, said: str) -> None:
    # More than 25 to 30 K between hot spot and edge: common practice, no source.
    n = len(whole.t_s)
    extra = {
        "gpu_busy_share": np.ones(n),
        "gpu_temp_c": np.full(n, 60.0),
        "gpu_hotspot_temp_c": np.full(n, 60.0 + gap_k),
    }
    trace = replace(whole, columns={**whole.columns, **extra})
    assert word(trace, "gpu-hotspot") == said
    more = judge(see(trace)).causes["graphics"] - judge(see(whole)).causes["graphics"]
    assert (more > 0) == (said == "far")


def test_the_chain_is_a_picture_with_words_for_what_lies_outside_and_what_is_missing(whole: Trace) -> None:
    text = thermal_path_svg(see(whole).figures, "liquid")
    ElementTree.fromstring(text)
    assert "die → plate" in text
    assert "within" in text or "above" in text
    assert "not measured" in thermal_path_svg({}, "air")


def test_a_link_that_is_out_of_its_range_has_another_shape_than_one_within() -> None:
    good = thermal_path_svg(see(made_run(Made())).figures, "liquid")
    bad = thermal_path_svg(see(made_run(Made(contact=0.6, contact_s=4.0))).figures, "liquid")
    assert bad.count('<path d="M') > 0
    assert good.count("<circle") > bad.count("<circle")


@pytest.mark.parametrize(
    ("machine", "counts_from_s", "said"),
    [
        (Made(air=0.75, air_s=450.0, limit_c=88.0), 900.0, "held-down-hot"),
        (Made(), 900.0, "held-down-cool"),
        (Made(), math.inf, "kept"),
    ],
)
def test_without_a_clock_the_count_of_slow_downs_speaks(machine: Made, counts_from_s: float, said: str) -> None:
    # The count since the start of the system stands at 40 before: its rise tells, not its level (kernel document
    # "thermal_throttle": counts cannot be reset).
    run = made_run(machine)
    columns = {name: values for name, values in run.columns.items() if name != "core_clock_mhz"}
    columns["throttle_count"] = 40.0 + np.clip(run.t_s - counts_from_s, 0.0, None)
    assert word(replace(run, columns=columns), "clock") == said
