"""The settled value of a stage: what its u95 is worth where neighbouring samples are alike, and how the room enters."""

from __future__ import annotations

import math

import numpy as np
import pytest

from verifyrig.analysis import metrics_of
from verifyrig.analysis.settled import Settled, settled_value
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import Event, FloatArray, StageSpan, Trace

LONG_S = 2400.0  # longer than five of the slowest time constants that a stage without a profile is held to (400 s)
LEVEL_C = 60.0
SIGMA_K = 0.5


def flat_trace(die_c: FloatArray, **facts: object) -> Trace:
    """A long stage of load after a minute of rest; the die is given, all else stands still."""
    t = np.arange(0.0, 60.0 + len(die_c))
    on = t >= 60.0
    columns = {
        "die_temp_c": np.concatenate([np.full(60, 30.0), die_c]),
        "package_power_w": np.where(on, 100.0, 15.0),
        "load_share": on.astype(float),
    }
    return Trace(
        run_id="20310101-000000-abcd",
        facts={"purpose": "check", "outcome": "completed", "simulated": True, **facts},
        profile=None,
        stages=(
            StageSpan(name="idle", kind="idle", start_s=0.0, end_s=60.0, ended="time"),
            StageSpan(name="load", kind="load", start_s=60.0, end_s=float(t[-1]), ended="time"),
        ),
        t_s=t,
        utc_s=t + 1.9e9,
        columns=columns,
        events=(Event(t_s=60.0, kind="load", detail={"share": 1.0}),),
    )


def alike(r: float, seed: int, n: int = int(LONG_S)) -> FloatArray:
    """Noise of standard deviation `SIGMA_K` in which each sample keeps the share `r` of the one before (AR(1))."""
    rng = np.random.default_rng(seed)
    fresh = rng.standard_normal(n) * SIGMA_K * math.sqrt(1 - r * r)
    noise = np.empty(n)
    noise[0] = rng.standard_normal() * SIGMA_K
    for k in range(1, n):
        noise[k] = r * noise[k - 1] + fresh[k]
    return LEVEL_C + noise


def settled(die_c: FloatArray) -> Settled:
    trace = flat_trace(die_c)
    stage = trace.stage("load")
    assert stage is not None
    found = settled_value(trace, stage, "die_temp_c")
    assert isinstance(found, Settled)
    return found


def test_the_mean_of_samples_that_are_alike_is_as_uncertain_as_the_theory_of_time_series_says() -> None:
    # Variance of the mean of a first-order autoregression: sigma^2 / n * (1 + r) / (1 - r) for large n (G. E. P. Box,
    # G. M. Jenkins, Time Series Analysis, from memory). The last 300 s count. What still seems to move adds a little.
    r, n = 0.9, 300
    theory_k = SIGMA_K / math.sqrt(n) * math.sqrt((1 + r) / (1 - r))
    stated_k = np.median([settled(alike(r, seed)).u_k for seed in range(25)])
    assert 0.75 * theory_k < stated_k < 2.5 * theory_k


def test_the_truth_lies_within_two_of_the_stated_uncertainties_where_samples_are_alike() -> None:
    inside = [abs(found.value_c - LEVEL_C) <= 2 * found.u_k for found in (settled(alike(0.9, s)) for s in range(60))]
    # 95 % is meant; below 83 % would come once in 1 000 draws of 60 (binomial).
    assert np.mean(inside) >= 0.83


def test_samples_that_know_nothing_of_each_other_are_not_called_more_uncertain() -> None:
    stated_k = np.median([settled(alike(0.0, seed)).u_k for seed in range(25)])
    assert stated_k == pytest.approx(SIGMA_K / math.sqrt(300), rel=0.35)


def test_a_long_stage_that_still_climbs_is_as_uncertain_as_the_climb() -> None:
    # 0.01 K/s for one slowest time constant of 400 s are 4 K, taken as two standard uncertainties.
    n = int(LONG_S)
    climbing = LEVEL_C + 0.01 * np.arange(n) + 0.05 * np.random.default_rng(1).standard_normal(n)
    assert settled(climbing).u_k == pytest.approx(2.0, rel=0.1)


def test_a_long_stage_is_known_and_a_short_one_is_foretold() -> None:
    long, short = settled(alike(0.0, 1)), settled(alike(0.0, 1, n=300))
    assert (long.known, long.extrapolated, long.why) == (True, False, ())
    assert short.extrapolated and short.why[0] == reason("extrapolated-not-settled")


@pytest.mark.parametrize(("n", "why"), [(4, reason("few-readings", count=4)), (0, reason("no-reading"))])
def test_too_few_readings_settle_nothing(n: int, why: Reason) -> None:
    die_c = np.full(int(LONG_S), math.nan)
    die_c[:n] = LEVEL_C
    trace = flat_trace(die_c)
    stage = trace.stage("load")
    assert stage is not None
    # The sample at the stage's first moment belongs to it.
    found = settled_value(trace, stage, "die_temp_c")
    assert found == why


# ---- the room's uncertainty


def room_figures(u95_k: float | None, value_c: float = 22.0) -> tuple[float, float, float]:
    """Return u95 of rise and of the resistance, and the rise, with a room typed in."""
    metrics = metrics_of(flat_trace(alike(0.0, 3), ambient={"value_c": value_c, "u95_k": u95_k}))
    rise, resistance = metrics["load.die_temp_c.rise"], metrics["load.thermal_resistance"]
    assert isinstance(rise.value, float) and rise.u95 is not None and resistance.u95 is not None
    return rise.u95, resistance.u95, rise.value


@pytest.mark.parametrize("room_u95_k", [2.0, 5.0])
def test_the_rooms_uncertainty_enters_the_rise_in_full(room_u95_k: float) -> None:
    # JCGM 100:2008, 5.1.2: of a difference the squares of both uncertainties add up.
    sure, unsure = room_figures(1e-3), room_figures(room_u95_k)
    assert sure[2] == pytest.approx(LEVEL_C - 22.0, abs=0.2)
    assert math.sqrt(unsure[0] ** 2 - sure[0] ** 2) == pytest.approx(room_u95_k, rel=0.1)


def test_the_rooms_uncertainty_enters_the_resistance_divided_by_the_power() -> None:
    sure, unsure = room_figures(1e-3), room_figures(5.0)
    assert math.sqrt(unsure[1] ** 2 - sure[1] ** 2) == pytest.approx(5.0 / 100.0, rel=0.1)


def test_a_room_of_unknown_uncertainty_is_not_taken_for_a_sure_one() -> None:
    assert room_figures(None)[0] > room_figures(1e-3)[0] + 0.1
