"""A reading that moves at equal power: what is stated of its end holds both levels, until one stood for a minute."""

from __future__ import annotations

import numpy as np
import pytest

from verifyrig.analysis import forecast
from verifyrig.analysis.moved_level import Levels, moved_levels
from verifyrig.analysis.results import Forecast
from verifyrig.core.heat_sources import CARD
from verifyrig.core.profile import Settle
from verifyrig.core.trace import FloatArray

RULE = Settle(channel="gpu_temp_c", within_k=2.0, slowest_time_constant_s=150.0)
IDLE_S, CLIMB_S = 60, 33


def card(full_s: int, moves_at_s: int, moves_k: float) -> Forecast:
    """A card in a processor's terms: a climb in quarters to 65 °C, where its fans move the level within 15 s."""
    t_s = np.arange(1.0, IDLE_S + CLIMB_S + full_s + 1)
    since_s = t_s - IDLE_S - 1
    share = np.clip(np.where(since_s < 0, 0.0, np.floor(since_s / 8.25 + 1) / 4), 0.0, 1.0)
    power_w = 12.0 + 108.0 * share
    k_per_w, tau_s = np.array([0.10, 0.14]), np.array([1.2, 9.0])  # a sum of exponentials: JESD51-1
    stored_k, die_c = k_per_w * power_w[0], []
    for watts in power_w:
        stored_k = k_per_w * watts + (stored_k - k_per_w * watts) * np.exp(-1.0 / tau_s)
        die_c.append(36.1 + stored_k.sum())
    moved_k = moves_k * np.clip((since_s - CLIMB_S - moves_at_s) / 15.0, 0.0, 1.0)
    shown_c = np.round(np.array(die_c) + moved_k + np.random.default_rng(1).normal(0.0, 0.15, len(t_s)))
    found = forecast(
        t_s, shown_c, power_w=power_w, load_share=share, settle=RULE, resolution_k=1.0, refresh_s=1.0, part=CARD
    )
    assert found is not None
    return found


@pytest.mark.parametrize("stays_s", [0, 15, 40])
def test_after_a_fall_of_four_kelvin_at_equal_power_both_levels_are_inside_u95(stays_s: int) -> None:
    found = card(full_s=60 + stays_s, moves_at_s=45, moves_k=-4.0)
    # At the moment of the fall the mean of its last 10 s is 62 °C.
    last_c = 62.0 if stays_s == 0 else 61.0
    for level_c in (last_c, 65.0):
        assert abs(found.settles_at_c - level_c) <= found.u95_k, found
    assert not found.known and "moved-at-equal-power" in {why.code for why in found.why}


def test_a_level_that_stood_a_minute_and_one_that_never_moved_are_known() -> None:
    stood, still = card(full_s=135, moves_at_s=45, moves_k=-4.0), card(full_s=75, moves_at_s=45, moves_k=0.0)
    for found, at_c in ((stood, 61.0), (still, 65.0)):
        assert abs(found.settles_at_c - at_c) <= found.u95_k < 1.0 and found.known
        assert "moved-at-equal-power" not in {why.code for why in found.why}


def test_where_the_readings_stood_elsewhere_for_a_minute_they_are_inside_u95() -> None:
    found = card(full_s=300 + 75, moves_at_s=300, moves_k=-4.0)
    assert abs(found.settles_at_c - 61.0) <= found.u95_k


@pytest.mark.parametrize("stood_s", [75, 240])
def test_what_stands_for_a_minute_after_a_move_late_in_a_load_is_known(stood_s: int) -> None:
    """One machine explains no card whose fans turned up amid its load: what stands since then speaks for itself."""
    found = card(full_s=200 + 15 + stood_s, moves_at_s=200, moves_k=-6.0)
    assert found.known and abs(found.settles_at_c - 59.0) <= found.u95_k < 1.0, found


def levels(above_k: FloatArray, power_w: FloatArray | float = 100.0, share: FloatArray | None = None) -> Levels | None:
    n = len(above_k)
    watts, loads = np.broadcast_to(power_w, n), np.ones(n) if share is None else share
    return moved_levels(np.arange(float(n)), 60.0 + above_k, watts, loads, np.full(n, 60.0), 0.1)


def test_only_a_reading_that_moved_at_the_present_power_and_long_after_a_change_of_load_has_two_levels() -> None:
    fell = np.concatenate((np.full(60, 1.5), np.full(20, -1.5)))
    assert levels(fell) == Levels(-1.5, 1.5)
    assert levels(fell / 2) is None  # 1.5 K is within what sound machines show
    assert levels(fell, np.where(fell > 0, 110.0, 100.0)) is None  # another power
    to_and_fro = np.asarray(np.arange(80.0) // 10 % 2, dtype=np.float64)
    assert levels(fell, share=to_and_fro) is None  # never 15 s since the load changed
    assert levels(np.where(fell > 0, np.nan, fell)) is None
    assert levels(np.full(80, -1.0)) == Levels(-1.0, 0.0) and levels(np.full(80, -0.7)) is None
    assert levels(np.full(40, -1.0)) is None  # no minute yet
