"""Curve fits, lines and summary statistics against NIST's certified values (tests/data/nist_curves.toml)."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from verifyrig.analysis.exponentials import Base, _root_diagonal, fit_exponentials
from verifyrig.analysis.signals import fit_line, lag1_correlation
from verifyrig.core.trace import FloatArray

HERE = Path(__file__).parent / "data"
NIST: dict[str, Any] = tomllib.loads((HERE / "nist_curves.toml").read_text("utf-8"))
GUM: dict[str, Any] = tomllib.loads((HERE / "gum.toml").read_text("utf-8"))

# Lanczos3 has residuals of 5e-6 and three close rates: double precision leaves about six digits.
RELATIVE = {"Lanczos3": 1e-4}


def data_of(name: str) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    entry = NIST[name]
    return tuple(np.array(entry[key], dtype=np.float64) for key in ("x", "y", "certified", "certified_sd"))  # type: ignore[return-value]


# name, places of the certified rates, starts in s, what is left for ever
SUMS: list[tuple[str, list[int], list[float], Base]] = [
    ("BoxBOD", [1], [1.0], "mirrored"),
    ("Misra1a", [1], [1000.0], "mirrored"),
    ("Lanczos3", [1, 3, 5], [2.0, 0.4, 0.15], "none"),
    ("MGH17", [3, 4], [100.0, 30.0], "free"),
]


@pytest.mark.parametrize(("name", "rates", "starts", "base"), SUMS)
def test_variable_projection_finds_the_certified_time_constants(
    name: str, rates: list[int], starts: list[float], base: Base
) -> None:
    x, y, certified, certified_sd = data_of(name)
    found = fit_exponentials(x, y, starts, base)
    order = np.argsort(1 / certified[rates])
    tau = (1 / certified[rates])[order]
    assert found.time_constants_s == pytest.approx(tau, rel=RELATIVE.get(name, 1e-6))
    u_tau = (certified_sd[rates] / certified[rates] ** 2)[order]
    assert found.u_time_constants_s == pytest.approx(u_tau, rel=RELATIVE.get(name, 1e-5) * 10)
    assert found.residual_sd == pytest.approx(NIST[name]["residual_sd"], rel=1e-5)


def test_the_fitted_base_of_mgh17_has_the_certified_value_and_uncertainty() -> None:
    x, y, certified, certified_sd = data_of("MGH17")
    found = fit_exponentials(x, y, [100.0, 30.0])
    assert found.base == pytest.approx(certified[0], rel=1e-7)
    assert found.u_base == pytest.approx(certified_sd[0], rel=1e-5)


def test_norris_line_reaches_the_certified_values() -> None:
    x, y, certified, certified_sd = data_of("Norris")
    line = fit_line(x, y)
    assert (line.intercept, line.slope) == pytest.approx(tuple(certified), rel=1e-11)
    assert (line.u_intercept, line.u_slope) == pytest.approx(tuple(certified_sd), rel=1e-11)
    assert line.residual_sd == pytest.approx(NIST["Norris"]["residual_sd"], rel=1e-12)


def test_the_thermometer_of_the_gum_gets_its_published_line() -> None:
    h3 = GUM["thermometer"]
    line = fit_line(np.array(h3["reading_c"]), np.array(h3["correction_k"]), origin=20.0)
    assert round(line.intercept, 4) == h3["intercept_k"] and round(line.u_intercept, 4) == h3["u_intercept_k"]
    assert round(line.slope, 5) == h3["slope"] and round(line.u_slope, 5) == h3["u_slope"]
    assert round(line.correlation, 3) == h3["correlation"]
    value, u = line.at(30.0)
    assert round(value, 4) == h3["at_30_k"] and round(u, 4) == h3["u_at_30_k"]


# NIST StRD, NumAcc3 and NumAcc4: 1001 values, base + 0.2, then 500 times base + 0.1, base + 0.3; certified figures.
@pytest.mark.parametrize("base", [1e6, 1e7])
def test_summary_statistics_of_numacc_are_certified(base: float) -> None:
    values = np.array([base + 0.2, *([base + 0.1, base + 0.3] * 500)])
    assert np.mean(values) == pytest.approx(base + 0.2, abs=1e-8 * 2)
    assert np.std(values, ddof=1) == pytest.approx(0.1, rel=1e-7)
    assert lag1_correlation(values) == pytest.approx(-0.999, abs=1e-7)


def test_a_mode_too_fast_for_the_readings_has_an_uncertainty_without_end() -> None:
    """Columns that agree but for 1 part in 10^158: their inverse is beyond any number, and nothing breaks off."""
    found = _root_diagonal(np.array([[1e-44, 1e-82], [0.0, 0.0], [0.0, 1e-240]]))
    assert found.tolist() == [math.inf, math.inf]
