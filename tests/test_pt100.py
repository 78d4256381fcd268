"""Pt100 against the table of IEC 60751 (figures and sources in data/pt100.toml)."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from verifyrig.metrology import pt100

TABLE: dict[str, Any] = tomllib.loads((Path(__file__).parent / "data" / "pt100.toml").read_text("utf-8"))
POINTS = list(zip(TABLE["temp_c"], TABLE["resistance_ohm"], strict=True))


@pytest.mark.parametrize(("temp_c", "printed_ohm"), POINTS)
def test_resistance_agrees_with_the_table(temp_c: float, printed_ohm: float) -> None:
    # The table prints to 0.01 ohm: half a digit.
    assert pt100.resistance_ohm(temp_c) == pytest.approx(printed_ohm, abs=0.005)
    # 0.005 ohm at 0.29 to 0.43 ohm/K is at most 0.0173 K.
    assert pt100.temperature_c(printed_ohm) == pytest.approx(temp_c, abs=0.0175)


def test_inverse_undoes_the_equation_over_the_whole_range() -> None:
    temps_c = np.linspace(pt100.LOWEST_C, pt100.HIGHEST_C, 20_001)
    back_c = pt100.temperature_c(pt100.resistance_ohm(temps_c))
    assert np.max(np.abs(back_c - temps_c)) < 1e-8


def test_slope_of_the_platinum_is_the_named_one() -> None:
    rise_ohm = pt100.resistance_ohm(100.0) - pt100.resistance_ohm(0.0)
    assert rise_ohm / 100.0 / 100.0 == pytest.approx(3.851e-3, abs=5e-7)  # IEC 60751


def test_tolerances_agree_with_the_table() -> None:
    rows = TABLE["tolerance"]
    for temp_c, a_k, b_k, b_ohm in zip(
        rows["temp_c"], rows["class_a_k"], rows["class_b_k"], rows["class_b_ohm"], strict=True
    ):
        assert pt100.tolerance_k("A", temp_c) == pytest.approx(a_k, abs=1e-9)
        assert pt100.tolerance_k("B", temp_c) == pytest.approx(b_k, abs=1e-9)
        width_ohm = np.ptp(pt100.resistance_ohm(np.array([temp_c - b_k, temp_c + b_k]))) / 2
        assert width_ohm == pytest.approx(b_ohm, abs=0.006)


def test_gaps_stay_gaps_and_arrays_keep_their_shape() -> None:
    ohms = pt100.resistance_ohm(np.array([[0.0, math.nan]]))
    assert isinstance(ohms, np.ndarray)
    assert ohms.shape == (1, 2)
    assert math.isnan(ohms[0, 1])
    assert math.isnan(pt100.temperature_c(math.nan))


def test_what_lies_outside_is_refused_by_name() -> None:
    with pytest.raises(pt100.Pt100RangeError, match="-201 °C is outside -200 to 850 °C"):
        pt100.resistance_ohm(-201.0)
    with pytest.raises(pt100.Pt100RangeError, match=r"400 Ω is outside 18\.5"):
        pt100.temperature_c(400.0)
    with pytest.raises(pt100.Pt100RangeError, match="class A, film: 301 °C is outside -30 to 300 °C"):
        pt100.tolerance_k("A", 301.0, "film")
    with pytest.raises(ValueError, match="unknown Pt100 class 'D'"):
        pt100.tolerance_k("D", 0.0)
    with pytest.raises(ValueError, match="unknown element"):
        pt100.tolerance_k("A", 0.0, "glass")  # type: ignore[arg-type]
