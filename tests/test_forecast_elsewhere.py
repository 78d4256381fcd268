"""Forecasts on simulated machines of another structure, whose fans follow case air or coolant and not the die.

A smaller seeded form of the benchmark `forecast-elsewhere`.
"""

from __future__ import annotations

import numpy as np

from tests.benchmarks.forecast_elsewhere import RULE, Climbed, climbed
from verifyrig.analysis.stage_forecaster import StageForecaster
from verifyrig.core.interfaces import ChannelInfo

_LOAD_S, _FULL_S = 182, 212
# Both were missed when fans were taken to follow the die; the benchmark picks none.
_MACHINES = (("blocked", 6702), ("flow-slow", 6702))


# Readings that fit several machines: a choked case and a sensor that reads high, slow coolant and slow fins.
_OF_SEVERAL = (("choked", 6816, 60.0), ("choked", 6812, 90.0), ("flow-slow", 6816, 150.0))


def _said(run: Climbed, full_s: float) -> tuple[float, float]:
    """Return error and u95 of a forecast that has said nothing before, K, so long after full share, s."""
    info = ChannelInfo(
        channel="die_temp_c", label="", device="", source="", quantity="temperature", unit="°C",
        resolution=run.resolution_k, limit=run.limit_c,
    )  # fmt: skip
    so_far = run.rows[:, 0] <= _FULL_S + full_s
    ahead = StageForecaster(RULE, info).forecast(run.rows[so_far], _LOAD_S, run.fan_duty[so_far])
    assert ahead is not None
    return ahead.settles_at_c - run.end_c, ahead.u95_k


def test_u95_holds_where_machines_end_whose_fans_follow_another_part() -> None:
    held = []
    for case, seed in _MACHINES:
        run = climbed(case, seed)
        assert run is not None
        held += [abs(error_k) <= u95_k for error_k, u95_k in (_said(run, full_s) for full_s in (40.0, 90.0, 180.0))]
    # Of 95 % one may be missed; then it was five of these six.
    assert np.count_nonzero(held) >= 5


def test_readings_that_fit_several_machines_leave_all_of_them_open() -> None:
    held = []
    for case, seed, full_s in _OF_SEVERAL:
        run = climbed(case, seed)
        assert run is not None
        error_k, u95_k = _said(run, full_s)
        held.append(abs(error_k) <= u95_k)
    assert held == [True] * 3
