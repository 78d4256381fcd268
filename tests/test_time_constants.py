"""Time constants: against sums of exponentials in closed form, and against independent fits of real steps."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from tests.real_series import RealStep
from tests.step_fits import kept_limits_s, kept_steps, limits_s, name_of
from tests.test_analysis_metrics import AMBIENT_C, IDLE_S, LOAD_S, ladder_trace
from verifyrig.analysis import metrics_of
from verifyrig.analysis.time_constants import find_modes
from verifyrig.core.trace import FloatArray

WAY_K = 30.0


def two_modes(
    fast_s: float, slow_s: float, slow_part: float, noise_k: float, seed: int
) -> tuple[FloatArray, FloatArray]:
    """Times and T = 60 - way ((1 - part) exp(-t / fast) + part exp(-t / slow)) with noise, for six of the slow ones."""
    t = np.arange(0.0, 6 * slow_s)
    temp = 60.0 - WAY_K * ((1 - slow_part) * np.exp(-t / fast_s) + slow_part * np.exp(-t / slow_s))
    return t, temp + noise_k * np.random.default_rng(seed).standard_normal(len(t))


@pytest.mark.parametrize(("fast_s", "slow_s", "slow_part"), [(8.0, 90.0, 0.7), (8.0, 90.0, 0.3), (20.0, 240.0, 0.6)])
def test_the_dominant_mode_of_two_is_that_with_the_larger_part(fast_s: float, slow_s: float, slow_part: float) -> None:
    truth = slow_s if slow_part > 0.5 else fast_s
    inside = 0
    for seed in range(20):
        found = find_modes(*two_modes(fast_s, slow_s, slow_part, 0.2, seed), 0.05)
        assert found is not None and found.bounded
        assert found.dominant.tau_s == pytest.approx(truth, rel=0.2)
        inside += found.dominant.low_s <= truth <= found.dominant.high_s
    # 95 % are stated; fewer than 17 of 20 would come once in sixty (binomial).
    assert inside >= 17


def test_both_modes_of_two_are_found_with_their_parts_of_the_way() -> None:
    inside = []
    for seed in range(20):
        found = find_modes(*two_modes(8.0, 90.0, 0.6, 0.1, seed), 0.05)
        assert found is not None and len(found.modes) >= 2
        if len(found.modes) == 2:
            assert [mode.share for mode in found.modes] == pytest.approx([0.4, 0.6], abs=0.05)
            inside += [m.low_s <= tau <= m.high_s for m, tau in zip(found.modes, (8.0, 90.0), strict=True)]
    # Akaike's criterion takes a mode too many now and then; and 95 % of the bounds are meant to hold.
    assert len(inside) >= 34 and sum(inside) >= 0.85 * len(inside)


def test_one_mode_is_one() -> None:
    t = np.arange(0.0, 400.0)
    for seed in range(10):
        noise = 0.1 * np.random.default_rng(seed).standard_normal(len(t))
        found = find_modes(t, 40.0 + 25.0 * np.exp(-t / 70.0) + noise, 0.05)
        assert found is not None and found.dominant.tau_s == pytest.approx(70.0, rel=0.05)
        assert found.dominant.low_s <= 70.0 * 1.01 and found.dominant.high_s >= 70.0 * 0.99


def test_a_sensor_that_holds_its_values_is_worth_less() -> None:
    # Every reading four times: the same information as a quarter of them, so the bounds must not close up by half.
    t, temp = two_modes(8.0, 90.0, 0.7, 0.3, 3)
    fresh = find_modes(t[::4], temp[::4], 0.05)
    held = find_modes(t, np.repeat(temp[::4], 4)[: len(t)], 0.05)
    assert fresh is not None and held is not None
    assert held.dominant.u95_s > 0.7 * fresh.dominant.u95_s


def test_a_step_that_was_cut_off_does_not_bound_its_time_constant() -> None:
    t = np.arange(0.0, 120.0)
    noise = 0.1 * np.random.default_rng(1).standard_normal(len(t))
    found = find_modes(t, 40.0 + 0.1 * t + noise, 0.05)
    assert found is None or not found.bounded


def test_too_few_readings_have_no_modes() -> None:
    t = np.arange(11.0)
    assert find_modes(t, 60 - np.exp(-t / 5), 0.05) is None
    assert find_modes(np.arange(12.0), 60 - np.exp(-np.arange(12.0) / 5), 0.05) is not None


# ---- as metrics


def test_the_time_constant_is_the_dominant_one_and_the_time_to_63_percent_has_its_own_name() -> None:
    """Two modes, 0.35 K/W with 20 s and 0.65 K/W with 200 s of 30 K: 63.2 % are done after 125 s (solved by hand)."""
    trace = ladder_trace()
    t = trace.t_s - IDLE_S
    since = np.clip(t, 0.0, LOAD_S)
    temp = 30.0 + 30.0 * (0.35 * -np.expm1(-since / 20.0) + 0.65 * -np.expm1(-since / 200.0))
    temp = temp + 0.1 * np.random.default_rng(2).standard_normal(len(t))
    found = metrics_of(ladder_trace(die_temp_c=temp, ambient_temp_c=np.full_like(t, AMBIENT_C)))
    tau, to_63 = found["load.die_temp_c.time_constant"], found["load.die_temp_c.time_to_63_pct"]
    assert isinstance(tau.value, float) and tau.u95 is not None
    assert abs(tau.value - 200.0) <= tau.u95 < 30.0
    at_s = 114.0  # 0.35 exp(-t / 20) + 0.65 exp(-t / 200) = exp(-1)
    assert 0.35 * math.exp(-at_s / 20) + 0.65 * math.exp(-at_s / 200) == pytest.approx(math.exp(-1), abs=0.002)
    assert to_63.value == pytest.approx(at_s, abs=3.0)
    both = found["load.die_temp_c.time_constants"]
    assert both.value == pytest.approx((20.0, 200.0), rel=0.1)


def test_what_is_faster_than_its_readings_is_known_no_better_than_they_come() -> None:
    trace = ladder_trace()
    t = trace.t_s
    temp = np.where((t >= IDLE_S) & (t < IDLE_S + LOAD_S), 55.0, 30.0) + 0.05 * np.random.default_rng(
        1
    ).standard_normal(len(t))
    since = np.clip(t - IDLE_S, 0.0, LOAD_S)
    temp = temp - np.where(t >= IDLE_S, 25.0 * np.exp(-since / 0.4), 0.0)
    found = metrics_of(ladder_trace(die_temp_c=temp))["load.die_temp_c.time_constant"]
    assert isinstance(found.value, float) and found.u95 is not None
    assert found.value <= 1.0 <= found.u95 + found.value and found.value - found.u95 <= 0.4


# ---- against independent fits of real steps


def inside_independent_fit(step: RealStep) -> bool:
    t, temp = step.own()
    found = find_modes(t, temp, 0.05)
    low_s, high_s = kept_limits_s()[name_of(step)]
    return found is not None and low_s <= found.dominant.tau_s <= high_s


def test_time_constants_of_a_board_kept_aside_are_what_independent_fits_accept(shared_dir: Path) -> None:
    """Every fourth of its steps; the benchmark `real-steps` takes all, and fits anew."""
    steps = [step for step in kept_steps(shared_dir / "traces") if not step.card]
    assert len(steps) >= 6
    assert sum(inside_independent_fit(step) for step in steps) >= len(steps) - 1


def test_time_constants_of_cards_kept_aside_are_what_independent_fits_accept() -> None:
    steps = kept_steps(None)
    assert len(steps) == 7
    # The chip itself answers faster than it is read; an independent fit may call that anything.
    assert sum(inside_independent_fit(step) for step in steps) >= 6


def test_the_kept_fits_are_those_of_their_steps() -> None:
    # Where the fits stop searching differs a little from one scipy to the next.
    step = kept_steps(None)[1]
    assert limits_s(step) == pytest.approx(kept_limits_s()[name_of(step)], rel=0.03)
