"""Thermocouple functions against the printed ITS-90 tables and an independent library."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from verifyrig.metrology.thermocouple import (
    TYPES,
    OutOfRangeError,
    emf_mv,
    temperature_c,
    temperature_range_c,
)

# NIST SRD 60 / Monograph 175 (1993), printed tables; see the head of the file.
POINTS_FILE = Path(__file__).parent / "data" / "thermocouple_points.csv"
# The tables print to 0.001 mV: half a digit.
TABLE_ROUNDING_MV = 0.0005
INVERSE_C = 1e-4


def printed_points() -> list[tuple[str, float, float]]:
    lines = (line for line in POINTS_FILE.read_text("utf-8").splitlines() if not line.startswith("#"))
    return [(row["type"], float(row["temp_c"]), float(row["emf_mv"])) for row in csv.DictReader(lines)]


def lowest_solvable_c(type: str) -> float:
    return 50.0 if type == "B" else temperature_range_c(type)[0]


@pytest.mark.parametrize("type", TYPES)
def test_emf_agrees_with_the_printed_table(type: str) -> None:
    table = {temp_c: printed_mv for letter, temp_c, printed_mv in printed_points() if letter == type}
    assert {temp_c: emf_mv(type, temp_c) for temp_c in table} == pytest.approx(table, abs=TABLE_ROUNDING_MV)


def test_printed_points_reach_both_ends_of_every_type() -> None:
    for type in TYPES:
        temps_c = [temp_c for letter, temp_c, _ in printed_points() if letter == type]
        low_c, high_c = temperature_range_c(type)
        assert min(temps_c) == low_c
        assert high_c - max(temps_c) < 1.0


@pytest.mark.parametrize("type", TYPES)
def test_inverse_returns_the_table_temperature(type: str) -> None:
    temps_c = [temp_c for letter, temp_c, _ in printed_points() if letter == type and temp_c >= lowest_solvable_c(type)]
    assert [temperature_c(type, emf_mv(type, temp_c)) for temp_c in temps_c] == pytest.approx(temps_c, abs=INVERSE_C)


@pytest.mark.parametrize("type", TYPES)
def test_inverse_undoes_the_reference_function_over_the_whole_range(type: str) -> None:
    temps_c = np.linspace(lowest_solvable_c(type), temperature_range_c(type)[1], 20_001)
    assert np.max(np.abs(temperature_c(type, emf_mv(type, temps_c)) - temps_c)) < INVERSE_C


@pytest.mark.parametrize("type", TYPES)
def test_emf_rises_strictly_where_it_is_inverted(type: str) -> None:
    temps_c = np.linspace(lowest_solvable_c(type), temperature_range_c(type)[1], 50_001)
    assert np.all(np.diff(emf_mv(type, temps_c)) > 0)


@pytest.mark.parametrize("type", TYPES)
def test_agreement_with_an_independent_library(type: str, independent_emf_mv: Callable[..., Any]) -> None:
    # thermocouples_reference 0.20 (PyPI), NIST polynomials typed in by others; whole range of each type.
    temps_c = np.linspace(lowest_solvable_c(type), temperature_range_c(type)[1], 5_001)
    theirs_mv = np.asarray(independent_emf_mv(type, temps_c), dtype=np.float64)
    ours_c = temperature_c(type, np.clip(theirs_mv, *np.sort(emf_mv(type, temps_c[[0, -1]]))))
    assert np.max(np.abs(ours_c - temps_c)) < 0.001


@pytest.fixture
def independent_emf_mv(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    library = pytest.importorskip("thermocouples_reference", reason="thermocouples_reference is not installed")
    function_types = pytest.importorskip("thermocouples_reference.function_types")

    class NumpyOfOld:
        """That release asks numpy for `array(..., copy=False)`, which numpy 2 refuses where a copy is due."""

        def __getattr__(self, name: str) -> Any:
            return getattr(np, name)

        def array(self, values: Any, copy: bool, order: str) -> Any:
            return np.asarray(values)

    monkeypatch.setattr(function_types, "np", NumpyOfOld())
    return lambda type, temps_c: library.thermocouples[type].emf_mVC(temps_c)


def test_reference_junction_is_added_as_emf_not_as_degrees() -> None:
    # Table for type K: 4.096 mV at 100 °C, 1.000 mV at 25 °C, so 3.096 mV with the junction at 25 °C.
    # 0.001 mV of rounding in the two table values is 0.024 °C at 41 µV/°C.
    assert temperature_c("K", 4.096 - 1.000, reference_junction_c=25.0) == pytest.approx(100.0, abs=0.025)
    # Adding 25 to the temperature of 3.096 mV instead would give 100.8 °C.
    assert abs(temperature_c("K", 3.096) + 25.0 - 100.0) > 0.5


def test_arrays_keep_their_shape_and_their_gaps() -> None:
    temps_c = np.array([[20.0, math.nan, 300.0], [0.0, -100.0, 1000.0]])
    emfs_mv = emf_mv("N", temps_c)
    assert emfs_mv.shape == temps_c.shape
    np.testing.assert_allclose(temperature_c("N", emfs_mv), temps_c, atol=INVERSE_C)
    assert math.isnan(temperature_c("N", math.nan))
    assert math.isnan(emf_mv("N", math.nan))
    assert isinstance(temperature_c("k", 1.0), float)
    junctions_c = np.array([20.0, 25.0])
    warm_c = temperature_c("K", np.array([0.0, 0.0]), junctions_c)
    np.testing.assert_allclose(warm_c, junctions_c, atol=INVERSE_C)


@pytest.mark.parametrize(
    ("type", "temp_c"),
    [("K", -270.1), ("K", 1372.1), ("B", -0.1), ("B", 1820.1), ("R", 1768.2), ("J", np.array([0.0, 1300.0]))],
)
def test_temperature_outside_the_range_is_refused_by_name(type: str, temp_c: Any) -> None:
    with pytest.raises(OutOfRangeError, match=f"type {type}: .* °C") as refused:
        emf_mv(type, temp_c)
    assert (refused.value.low, refused.value.high) == temperature_range_c(type)
    assert refused.value.unit == "°C"


@pytest.mark.parametrize(("type", "mv"), [("K", -6.46), ("K", 54.9), ("S", 18.70), ("T", 21.0), ("J", -8.1)])
def test_emf_outside_the_range_is_refused_by_name(type: str, mv: float) -> None:
    with pytest.raises(OutOfRangeError, match=f"type {type}: .* mV belongs to no temperature"):
        temperature_c(type, mv)


def test_type_b_below_50_degrees_is_refused_as_ambiguous() -> None:
    # NIST table, type B: 0 mV both at 0 and at 42 °C, lowest -0.003 mV near 21 °C; 0.002 mV at 50 °C.
    for mv in (-0.003, 0.0, 0.0021):
        with pytest.raises(OutOfRangeError, match="ambiguous"):
            temperature_c("B", mv)
    assert temperature_c("B", emf_mv("B", 50.0)) == pytest.approx(50.0, abs=INVERSE_C)
    # A junction at room temperature is fine: only the inverse is ambiguous.
    assert temperature_c("B", 1.792, reference_junction_c=21.0) == pytest.approx(600.0, abs=1.0)


def test_unknown_types_are_named() -> None:
    unknown = "unknown thermocouple type 'X'"
    with pytest.raises(ValueError, match=unknown):
        emf_mv("X", 1.0)
    with pytest.raises(ValueError, match=unknown):
        temperature_c("X", 1.0)
