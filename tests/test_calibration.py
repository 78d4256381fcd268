"""Calibration against the thermometer example of the GUM (figures and sources in data/gum.toml)."""

from __future__ import annotations

import math
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from verifyrig.metrology.calibration import (
    Correction,
    check_stability,
    fit_correction,
    match_probes,
    widened_when_overdue,
)

H3: dict[str, Any] = tomllib.loads((Path(__file__).parent / "data" / "gum.toml").read_text("utf-8"))["thermometer"]


def thermometer() -> Correction:
    reading_c = np.array(H3["reading_c"])
    return fit_correction(reading_c + np.array(H3["correction_k"]), reading_c, at_c=H3["reference_temp_c"])


def test_correction_line_agrees_with_gum_h3_to_the_printed_digits() -> None:
    line = thermometer()
    assert round(line.intercept_k, 4) == H3["intercept_k"]
    assert round(line.slope, 5) == H3["slope"]
    assert round(line.u_intercept_k, 4) == H3["u_intercept_k"]
    assert round(line.u_slope, 5) == H3["u_slope"]
    assert round(line.correlation, 3) == H3["correlation"]
    assert round(line.residual_sd_k, 4) == H3["residual_sd_k"]
    assert line.dof == H3["dof"]


def test_predicted_corrections_agree_with_gum_h3() -> None:
    line = thermometer()
    predicted_k = [round(line.correction_k(reading_c), 4) for reading_c in H3["reading_c"]]
    assert predicted_k == H3["predicted_k"]
    assert round(line.correction_k(30.0), 4) == H3["at_30_k"]
    assert round(line.line_uncertainty_k(30.0), 4) == H3["u_at_30_k"]
    assert not line.covers(30.0)
    assert line.covers(24.0)
    residuals_k = np.array(H3["correction_k"]) - np.array(H3["predicted_k"])
    np.testing.assert_allclose(line.residuals_k, residuals_k, atol=6e-5)


def test_where_the_intercept_is_stated_changes_no_prediction() -> None:
    reading_c = np.array(H3["reading_c"])
    centred = fit_correction(reading_c + np.array(H3["correction_k"]), reading_c)
    assert centred.correlation == pytest.approx(0.0, abs=1e-9)
    for at_c in (0.0, 24.0, 30.0):
        assert centred.correction_k(at_c) == pytest.approx(thermometer().correction_k(at_c), abs=1e-12)
        assert centred.line_uncertainty_k(at_c) == pytest.approx(thermometer().line_uncertainty_k(at_c), rel=1e-9)


def test_reference_thermometers_uncertainty_is_no_smaller_with_many_points() -> None:
    reading_c = np.array(H3["reading_c"])
    line = fit_correction(reading_c + 0.1, reading_c, u_points_k=np.full(11, 0.01), u_reference_k=0.05)
    expected_k = math.hypot(0.05, 0.01 / math.sqrt(11))
    assert line.uncertainty(24.0).standard_uncertainty == pytest.approx(expected_k, rel=1e-3)


def test_three_points_on_a_straight_line_by_luck_prove_nothing() -> None:
    lucky = fit_correction([0.5, 50.5, 100.5], [0.0, 50.0, 100.0], u_points_k=[0.2, 0.2, 0.2])
    assert lucky.residual_sd_k == pytest.approx(0.2)
    assert lucky.line_uncertainty_k(50.0) == pytest.approx(0.2 / math.sqrt(3))


def test_two_points_give_the_line_through_both_with_their_own_uncertainty() -> None:
    line = fit_correction([0.0, 100.0], [0.4, 99.0], u_points_k=[0.1, 0.1])
    assert line.correction_k(0.4) == pytest.approx(-0.4)
    assert line.correction_k(99.0) == pytest.approx(1.0)
    # At either end the line is as uncertain as that one point.
    assert line.line_uncertainty_k(0.4) == pytest.approx(0.1)
    assert line.line_uncertainty_k(99.0) == pytest.approx(0.1)


def test_ice_bath_alone_gives_an_offset_that_is_worth_less_when_hot() -> None:
    ice = fit_correction([0.0], [0.7], u_points_k=[0.1])
    assert ice.correction_k(80.0) == pytest.approx(-0.7)
    assert ice.line_uncertainty_k(0.7) == pytest.approx(0.1)
    # 1 % of gain either way, rectangular: 0.01 * 79.3 K / sqrt(3).
    assert ice.line_uncertainty_k(80.0) == pytest.approx(math.hypot(0.1, 0.793 / math.sqrt(3)))


def test_stated_uncertainty_of_the_correction_covers_as_often_as_it_says() -> None:
    rng = np.random.default_rng(7)
    reading_c = np.array([0.0, 25.0, 50.0, 75.0, 100.0])
    covered = 0
    for _ in range(2000):
        line = fit_correction(reading_c + 0.3 + 0.004 * reading_c + rng.normal(0, 0.2, 5), reading_c)
        covered += abs(line.correction_k(80.0) - 0.62) <= line.uncertainty(80.0).expanded_uncertainty
    # The t-distribution is exact here: 3 sigma of 2000 draws.
    assert covered / 2000 == pytest.approx(0.95, abs=3 * math.sqrt(0.95 * 0.05 / 2000))


@pytest.mark.parametrize(
    ("reference_c", "reading_c", "why"),
    [
        ([0.0, 1.0], [0.0], "shapes"),
        ([], [], "at least one point"),
        ([0.0, math.nan, 2.0], [0.0, 1.0, 2.0], "finite"),
        ([0.0, 0.1, 0.2], [5.0, 5.0, 5.0], "two different temperatures"),
        ([0.0, 50.0], [0.0, 50.0], "u_points_k"),
    ],
)
def test_points_that_give_no_line_are_refused(reference_c: list[float], reading_c: list[float], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        fit_correction(reference_c, reading_c)


def test_a_still_bath_is_stable_and_its_mean_is_known() -> None:
    rng = np.random.default_rng(3)
    times_s = np.arange(600.0)
    point = check_stability(times_s, 0.3 + rng.normal(0, 0.05, 600), resolution_k=0.01)
    assert point.stable
    assert point.why == ""
    assert abs(point.mean_c - 0.3) <= 3 * point.u_mean_k
    assert point.sd_k == pytest.approx(0.05, rel=0.15)


def test_a_warming_bath_is_not_stable_and_says_how_fast() -> None:
    rng = np.random.default_rng(4)
    times_s = np.arange(300.0)
    point = check_stability(times_s, 20 + 0.2 / 60 * times_s + rng.normal(0, 0.05, 300))
    assert not point.stable
    assert "drift +0.2" in point.why
    assert point.drift_k_per_min == pytest.approx(0.2, abs=3 * point.u_drift_k_per_min)


def test_a_short_or_restless_series_is_not_stable() -> None:
    rng = np.random.default_rng(5)
    assert "5 readings so far, 30 needed" in check_stability(np.arange(5.0), np.full(5, 0.0)).why
    restless = check_stability(np.arange(2000.0), rng.normal(0, 0.8, 2000))
    assert "scatter 0." in restless.why
    # Too few readings to know the drift is not the same as no drift.
    assert "drift" in check_stability(np.arange(30.0), rng.normal(0, 0.15, 30)).why


def test_gaps_in_the_series_are_left_out() -> None:
    temps_c = np.zeros(100)
    temps_c[10:20] = math.nan
    point = check_stability(np.arange(100.0), temps_c)
    assert point.n == 90
    assert point.stable


def test_readings_that_lean_on_one_another_are_not_counted_as_many() -> None:
    # First-order autoregressive series with r = 0.9: true u of the mean of n is about sd*sqrt((1+r)/(1-r)/n).
    rng = np.random.default_rng(6)
    means, stated = [], []
    for _ in range(300):
        series = np.zeros(400)
        noise = rng.normal(0, 0.1, 400)
        for at in range(1, 400):
            series[at] = 0.9 * series[at - 1] + noise[at]
        point = check_stability(np.arange(400.0), series)
        means.append(point.mean_c)
        stated.append(point.u_mean_k)
    # Counted as 400 free readings the stated figure would be a quarter of the true one; what the drift that
    # such a series shows adds on top keeps it above.
    assert 0.9 * np.std(means) < np.mean(stated) < 1.6 * np.std(means)


def test_match_finds_the_difference_of_two_probes() -> None:
    rng = np.random.default_rng(8)
    ambient_c = 22 + 0.2 * np.sin(np.arange(300) / 40)
    first_c, second_c = ambient_c + 0.8 + rng.normal(0, 0.1, 300), ambient_c + rng.normal(0, 0.1, 300)
    first_c[5] = math.nan
    match = match_probes(first_c, second_c)
    assert match.n == 299
    assert match.differs
    assert match.difference_k == pytest.approx(0.8, abs=0.03)
    # Place 0.1/sqrt(3) dominates; scatter adds 0.141/sqrt(299).
    assert match.uncertainty.standard_uncertainty == pytest.approx(math.hypot(0.0577, 0.0082), rel=0.05)


def test_match_of_like_probes_finds_no_difference_and_needs_pairs() -> None:
    assert not match_probes([20.0, 20.1, 20.0], [20.0, 20.0, 20.1]).differs
    with pytest.raises(ValueError, match="2 whole pairs"):
        match_probes([20.0, math.nan, 20.0], [20.0, 20.0, 20.0])


def test_overdue_calibration_widens_and_a_valid_one_does_not() -> None:
    dates = {"calibrated": date(2025, 3, 1), "due": date(2026, 3, 1)}
    assert widened_when_overdue(0.6, today=date(2026, 3, 1), **dates) == 0.6
    assert widened_when_overdue(0.6, today=date(2025, 1, 1), **dates) == 0.6
    assert widened_when_overdue(0.6, today=date(2027, 3, 1), **dates) == pytest.approx(1.2)
    with pytest.raises(ValueError, match="not after"):
        widened_when_overdue(0.6, calibrated=date(2026, 1, 1), due=date(2026, 1, 1), today=date(2026, 1, 1))
