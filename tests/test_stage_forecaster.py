"""A forecast is held against what was forecast before it: where earlier ones missed, the present one is wider."""

from __future__ import annotations

import math

import numpy as np
import pytest

from verifyrig.analysis import Forecast, StageForecaster
from verifyrig.core.profile import Settle

RULE = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=400.0)
IDLE_S = 60
ROLLING_FROM = 0.4  # only forecasts from the last six tenths of the stage count


def steady(t_s: float) -> float:
    """A machine of two time constants, as it should be."""
    return 30.0 + 15.0 * (1 - math.exp(-t_s / 2.0)) + 20.0 * (1 - math.exp(-t_s / 90.0))


def changing(t_s: float) -> float:
    """The same, but after 200 s something gives way, and it climbs by 8 K to another end."""
    return steady(t_s) + (8.0 * (1 - math.exp(-(t_s - 200.0) / 60.0)) if t_s > 200 else 0.0)


def rows(course: str, until_s: int) -> list[tuple[float, ...]]:
    temp_c = {"steady": steady, "changing": changing}[course]
    found: list[tuple[float, ...]] = []
    for t in range(until_s):
        on = t >= IDLE_S
        value_c = temp_c(float(t - IDLE_S)) if on else 30.0
        # Steps of 0.1 K, as a fine sensor has; no noise, so that two ways of asking see the same.
        found.append((float(t), round(value_c, 1), 100.0 if on else 15.0, 900.0, 24.0, 1.0 if on else 0.0))
    return found


def asked_on_the_way(course: str, until_s: int, every_s: int = 20) -> list[tuple[float, Forecast]]:
    """Return the forecasts of one stage as a run gets them: asked now and then, the last at the end."""
    stage, found = StageForecaster(RULE), []
    whole = np.array(rows(course, IDLE_S + until_s + 1))
    for elapsed in range(every_s, until_s + 1, every_s):
        ahead = stage.forecast(whole[: IDLE_S + elapsed + 1], IDLE_S)
        if ahead is not None:
            found.append((float(elapsed), ahead))
    return found


def asked_once(course: str, until_s: int) -> Forecast:
    """Return the forecast from the same samples by one that has said nothing before."""
    ahead = StageForecaster(RULE).forecast(np.array(rows(course, IDLE_S + until_s + 1)), IDLE_S)
    assert ahead is not None
    return ahead


def worst_miss(found: list[tuple[float, Forecast]]) -> float:
    """Return by how many of their own u95 the later of the earlier forecasts missed the last one."""
    at_s, last = found[-1]
    recent = [old for when_s, old in found[:-1] if when_s >= ROLLING_FROM * at_s]
    return max(abs(last.settles_at_c - old.settles_at_c) / old.u95_k for old in recent)


def test_a_forecast_whose_forerunners_missed_it_is_wider_by_as_much_as_they_missed() -> None:
    found = asked_on_the_way("changing", 300)
    missed = worst_miss(found)
    assert missed > 1.5, "the course does not mislead; the test would show nothing"
    fresh = asked_once("changing", 300)
    assert found[-1][1].settles_at_c == pytest.approx(fresh.settles_at_c, abs=1.0)
    end_c = found[-1][1].settles_at_c
    missed_k = max(abs(end_c - old.settles_at_c) for at_s, old in found[:-1] if at_s >= ROLLING_FROM * 300.0)
    assert found[-1][1].u95_k >= 0.95 * min(missed * fresh.u95_k, math.hypot(missed_k, fresh.u95_k)) > fresh.u95_k


def test_a_forecast_that_was_made_wider_is_not_called_known() -> None:
    for _, ahead in asked_on_the_way("changing", 400):
        assert ahead.known == (ahead.u95_k <= RULE.within_k)
        if not ahead.known:
            assert ahead.remaining_s is not None and ahead.remaining_s > 0


def test_where_the_forerunners_agree_nothing_is_added() -> None:
    found = asked_on_the_way("steady", 300)
    assert worst_miss(found) <= 1.0
    assert found[-1][1].u95_k == pytest.approx(asked_once("steady", 300).u95_k, rel=0.35)


def test_what_was_forecast_early_in_the_stage_is_forgotten_in_time() -> None:
    # The change lies at 200 s; the forecasts before it no longer count at 700 s, since 0.4 of it is 280 s.
    late = asked_on_the_way("changing", 700)[-1][1]
    assert late.u95_k == pytest.approx(asked_once("changing", 700).u95_k, rel=0.5)
    assert late.settles_at_c == pytest.approx(30.0 + 15.0 + 20.0 + 8.0, abs=2.0)
