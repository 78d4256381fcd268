"""What a share of the load would do: lumps held against a matrix exponential, forecasts against simulated machines."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest
from scipy.linalg import expm

from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.network import steady_state
from mock_hw.physics.parameters import draw
from verifyrig.analysis.exposure import exposure_of
from verifyrig.analysis.plausible import History, Outlook, UnwatchedParts, outlook_of, unwatched_on
from verifyrig.analysis.plausible.power_law import power_law
from verifyrig.analysis.posterior import spread_of
from verifyrig.analysis.prior import P
from verifyrig.analysis.thermal_path import Ahead
from verifyrig.core.heat_sources import CARD, DIE
from verifyrig.core.trace import FloatArray, Trace

STEP_S = 12


def watched(case: str, seed: int, shares: list[tuple[float, int]]) -> tuple[FloatArray, SimulatedMachine]:
    """Run a simulated machine through shares for some seconds each; return its samples and itself."""
    machine = SimulatedMachine(draw(case, seed), seed=seed)
    rows, t_s = [], 0
    for share, seconds in shares:
        for _ in range(seconds):
            machine.advance(1.0, share)
            t_s += 1
            seen = machine.readings
            rows.append(
                (float(t_s), seen["die_temp_c"], share, machine.power_w, seen["cpu_fan_speed_rpm"], machine.ambient_c)
            )
    return np.array(rows), machine


def history_of(rows: FloatArray) -> History:
    t_s, temp_c, share, power_w, fan_rpm, ambient_c = rows.T
    return History(
        t_s=t_s, temp_c=temp_c, share=share, power_w=power_w, fan_rpm=fan_rpm, ambient_c=ambient_c,
        resolution_k=1.0, refresh_s=1.0,
    )  # fmt: skip


def outlook(rows: FloatArray) -> Outlook:
    found = outlook_of(history_of(rows))
    assert found is not None
    return found


def test_the_course_ahead_is_that_of_the_matrix_exponential() -> None:
    # dT/dt = C^-1 (q - K T) with constant K and q has T(t) = Tss + expm(-C^-1 K t) (T0 - Tss): any book on linear
    # systems; the exponential is SciPy's (Al-Mohy and Higham 2009).
    rows, _ = watched("healthy-air", 1, [(0.0, 60), (0.25, 12)])
    ahead: Ahead = outlook(rows).ahead
    theta, power_w, t_s = ahead.theta[0], 80.0, 7.0
    links = [1 / theta[P.DIE_TO_PLATE], 1 / theta[P.PLATE_TO_SINK], ahead.sink_w_per_k[0, 0]]
    stiffness = np.zeros((4, 4))
    for row, link in enumerate(links):
        stiffness[row : row + 2, row : row + 2] += [[link, -link], [-link, link]]
    stiffness[3, 3] += ahead.case_w_per_k[0, 0]
    heat_w = np.array([power_w, 0.0, 0.0, theta[P.BOARD_POWER] + ahead.case_w_per_k[0, 0] * ahead.ambient_c])
    steady_c = np.linalg.solve(stiffness, heat_w)
    capacity = theta[[P.DIE_CAPACITY, P.PLATE_CAPACITY, P.SINK_CAPACITY, P.CASE_CAPACITY]]
    expected_c = steady_c + expm(-stiffness / capacity[:, None] * t_s) @ (ahead.state_c[0] - steady_c)
    found_c = ahead.course(np.full(len(ahead.theta), power_w), np.array([t_s]))[0, 0]
    assert found_c == pytest.approx(expected_c, abs=1e-6)


@pytest.mark.parametrize(("case", "seed"), [("healthy-air", 11), ("healthy-liquid", 12), ("film-left-on", 13)])
def test_what_the_next_step_of_a_climb_shows_lies_within_what_was_foretold(case: str, seed: int) -> None:
    shares = [(0.0, 90), (0.25, STEP_S), (0.5, STEP_S)]
    rows, machine = watched(case, seed, shares)
    for steps in (2, 3):
        seen = rows[: 90 + STEP_S * (steps - 1)]
        hottest_c, u_k = outlook(seen).hottest_c(0.25 * steps, float(STEP_S))
        after, _ = watched(case, seed, [*shares[:steps], (0.25 * steps, STEP_S)])
        # Three standard uncertainties and half a step of the sensor.
        assert abs(float(after[-STEP_S:, 1].max()) - hottest_c) <= 3 * u_k + 0.5
        assert u_k < 4.0
    assert machine.is_on


def test_full_share_is_foretold_from_half_of_it() -> None:
    rows, machine = watched("paste-dried", 14, [(0.0, 90), (0.25, STEP_S), (0.5, 40)])
    full = outlook(rows).settles(1.0)
    assert abs(full.at_c - steady_state(machine.parameters, 1.0).die_c) <= 1.5 * full.u95_k
    assert full.risk(full.at_c) == pytest.approx(0.5)
    # One-sided tail of a normal distribution beyond 1.96 standard deviations: 2.5 % (any table).
    assert full.risk(full.at_c + full.u95_k) == pytest.approx(0.025, abs=1e-3)


def test_more_share_risks_more_and_a_longer_look_too() -> None:
    rows, _ = watched("film-left-on", 13, [(0.0, 90), (0.25, STEP_S), (0.5, STEP_S)])
    seen = outlook(rows)
    limit_c = seen.hottest_c(0.75, 12.0)[0]
    assert seen.risk(0.5, limit_c, 12.0) < seen.risk(0.75, limit_c, 12.0) < seen.risk(1.0, limit_c, 12.0)
    assert seen.risk(0.75, limit_c, 4.0) < seen.risk(0.75, limit_c, 30.0)


def test_a_step_down_moves_the_reading_down() -> None:
    rows, _ = watched("healthy-air", 1, [(0.0, 90), (0.25, STEP_S), (0.5, STEP_S)])
    assert float(np.median(outlook(rows).answer_k(0.25, 10.0))) < -1.0


def test_power_grows_in_proportion_to_the_share_from_what_was_drawn() -> None:
    share = np.array([0.0] * 10 + [0.5] * 10)
    law = power_law(share, 10.0 + 100.0 * share, draws=400, seed=1, at_most_w=None, assumed=False)
    assert float(np.mean(law.at(1.0))) == pytest.approx(110.0, rel=0.01)
    assert float(np.std(law.at(1.0))) == pytest.approx(0.08 * 50.0, rel=0.15)
    assert law.at(0.5) == pytest.approx(np.full(400, 60.0))
    assert float(law.at(0.0).min()) >= 10.0


def test_a_card_is_taken_to_draw_up_to_its_limit_at_full_share() -> None:
    # A card whose clocks fall between short blocks: 14 W above rest at a quarter of its time, of 150 W in proportion.
    share = np.array([0.0] * 10 + [0.25] * 10)
    power_w = np.where(share > 0, 84.0, 70.0)
    law = power_law(share, power_w, draws=100, seed=1, at_most_w=700.0, assumed=False)
    assert law.at(1.0) == pytest.approx(np.full(100, 700.0), rel=0.01)
    assert float(law.at(0.5).min()) > 280.0


def test_before_any_load_full_power_is_what_desktops_draw() -> None:
    law = power_law(np.zeros(20), np.full(20, 12.0), draws=2000, seed=1, at_most_w=None, assumed=False)
    # 104 W in the middle, and one in forty above 250 W: common practice, no source.
    assert float(np.median(law.at(1.0))) == pytest.approx(104.0, rel=0.06)
    assert 200.0 < float(np.quantile(law.at(1.0), 0.975)) < 320.0


@pytest.mark.parametrize(
    ("heated", "channels", "battery", "names"),
    [
        ([DIE.temp], ["die_temp_c", "vrm_temp_c"], False, {"supply", "hot-spot"}),
        ([DIE.temp], ["die_temp_c"], True, {"regulator", "supply", "battery", "hot-spot"}),
        ([DIE.temp], ["die_temp_c", "vrm_temp_c", "pump_speed_rpm"], False, {"supply", "hot-spot", "coolant"}),
        ([DIE.temp], ["die_temp_c", "vrm_2_temp_c", "pump_speed_rpm", "coolant_temp_c"], False, {"supply", "hot-spot"}),
        ([CARD.temp], ["gpu_temp_c"], False, {"card-memory", "supply", "hot-spot"}),
        ([CARD.temp], ["gpu_temp_c", "gpu_memory_temp_c", "gpu_hotspot_temp_c"], False, {"supply"}),
    ],
)
def test_what_nobody_watches_is_named(heated: list[str], channels: list[str], battery: bool, names: set[str]) -> None:
    assert set(unwatched_on(heated, channels, has_battery=battery)) == names


def parts_after(load_s: int) -> UnwatchedParts:
    parts = UnwatchedParts(("regulator",))
    for t_s in range(600 + load_s):
        parts.take(float(t_s), {DIE.temp: 12.0 if t_s < 600 else 200.0})
    return parts


def test_a_hidden_regulator_is_the_likelier_past_its_limit_the_longer_the_load_has_lasted() -> None:
    rows, _ = watched("healthy-air", 1, [(0.0, 90), (0.25, STEP_S)])
    now = outlook(rows)
    hot = replace(now, power=replace(now.power, share=1.0, power_w=200.0, slope_w=np.full(len(now.shift_k), 188.0)))
    outlooks, shares = {DIE.temp: hot}, {DIE.temp: 1.0}
    risks = [parts_after(load_s).risks(outlooks, shares, 30.0, {})["regulator"] for load_s in (0, 60, 900)]
    assert risks[0] < risks[1] < risks[2] <= 0.02


def test_heat_that_still_comes_through_after_load_off_counts() -> None:
    rows, _ = watched("healthy-air", 1, [(0.0, 90), (0.25, STEP_S)])
    now = outlook(rows)
    weak = replace(now, power=replace(now.power, share=1.0, power_w=80.0, slope_w=np.full(len(now.shift_k), 68.0)))
    parts = parts_after(60)

    def risk() -> float:
        return parts.risks({DIE.temp: weak}, {DIE.temp: 0.0}, 0.1, {})["regulator"]

    at_off = risk()
    for t_s in range(660, 675):
        parts.take(float(t_s), {DIE.temp: 12.0})
    # A quarter of a minute later the second lag has passed on more of what the first took: it was foretold at load-off.
    assert 0.001 < risk() <= at_off + 1e-9


def test_exposure_is_the_integral_over_a_ramp() -> None:
    # From 50 to 100 °C in 500 s below a limit of 90 °C: above 80 °C for 20 of 50 K, 200 s; above 70 °C the triangle of
    # 30 K and 300 s, 4 500 K s, 75 degree-minutes; 100 W for 500 s. Geometry.
    t_s = np.arange(0.0, 501.0)
    trace = Trace(
        run_id="r", profile=None, stages=(), facts={"channels": {"die_temp_c": {"limit": 90.0}}}, t_s=t_s, utc_s=t_s,
        columns={"die_temp_c": 50.0 + 0.1 * t_s, "package_power_w": np.full(501, 100.0)},
    )  # fmt: skip
    asked = exposure_of(trace)
    assert asked.near_limit_s == pytest.approx(200.0, abs=1.5)
    assert asked.degree_minutes == pytest.approx(75.0, rel=0.01)
    assert asked.energy_j == pytest.approx(50_000.0)


def test_exposure_is_not_told_without_readings() -> None:
    t_s = np.arange(0.0, 10.0)
    columns = {"die_temp_c": np.full(10, math.nan)}
    trace = Trace(run_id="r", profile=None, stages=(), facts={}, t_s=t_s, utc_s=t_s, columns=columns)
    asked = exposure_of(trace)
    assert (asked.near_limit_s, asked.degree_minutes, asked.energy_j) == (None, None, None)


def test_machines_ahead_start_where_the_samples_left_them() -> None:
    rows, _ = watched("healthy-air", 1, [(0.0, 90), (0.25, 30)])
    seen = outlook(rows)
    shown_c = seen.ahead.state_c[:, 0] + seen.ahead.theta[:, P.OFFSET] + seen.shift_k
    assert float(np.mean(shown_c)) == pytest.approx(float(rows[-3:, 1].mean()), abs=1.5)


def test_one_far_machine_among_many_neither_moves_nor_widens_a_forecast() -> None:
    # The middle and the standard deviation of a normal distribution by its own quantiles (tables of the normal law).
    drawn = 60.0 + 1.5 * np.array([NormalDist().inv_cdf((n + 0.5) / 47) for n in range(47)])
    with_stray = np.append(drawn, 140.0)
    assert spread_of(drawn) == pytest.approx(1.5, rel=0.05)
    assert spread_of(with_stray) == pytest.approx(1.5, rel=0.12)
