"""Control charts against the published factors (figures and sources in data/statistics.toml)."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from verifyrig.capability import (
    Chart,
    Trend,
    Unanswered,
    batch_chart,
    factors,
    find_trend,
    individuals_chart,
    short_run_chart,
    western_electric,
)

STATISTICS: dict[str, Any] = tomllib.loads((Path(__file__).parent / "data" / "statistics.toml").read_text("utf-8"))


def rows(columns: str, table: str) -> list[dict[str, float]]:
    chart = STATISTICS["chart_factors"]
    return [dict(zip(chart[columns], row, strict=True)) for row in chart[table]]


def answered(found: Chart | Unanswered) -> Chart:
    assert isinstance(found, Chart)
    return found


@pytest.mark.parametrize("row", rows("columns", "rows"), ids=lambda row: f"n{row['n']}")
def test_factors_agree_with_the_printed_table(row: dict[str, float]) -> None:
    found = factors(int(row["n"]))
    for name in ("a2", "a3", "b3", "b4", "d2", "big_d3"):
        assert getattr(found, name) == pytest.approx(row[name], abs=0.00051), name
    # Printed tables differ by one in the last digit of D4.
    assert found.big_d4 == pytest.approx(row["big_d4"], abs=0.0011)
    assert round(found.c4, 4) == row["c4"]


@pytest.mark.parametrize("row", rows("exact_columns", "exact_rows"), ids=lambda row: f"n{row['n']}")
def test_factors_agree_with_the_exact_ones(row: dict[str, float]) -> None:
    found = factors(int(row["n"]))
    for name in row:
        assert getattr(found, name) == pytest.approx(row[name], abs=6e-5), name


def test_factors_of_two_are_the_closed_form() -> None:
    assert factors(2).d2 == pytest.approx(2 / math.sqrt(math.pi), abs=1e-12)
    assert factors(2).d3 == pytest.approx(math.sqrt(2 - 4 / math.pi), abs=1e-12)
    with pytest.raises(ValueError, match="two units"):
        factors(1)


def test_individuals_chart_uses_the_customary_multiples() -> None:
    chart = answered(individuals_chart([10.0, 12.0, 11.0, 13.0, 12.0]))
    mean_range = (2 + 1 + 2 + 1) / 4
    assert chart.centre == pytest.approx(11.6)
    # The customary 2.66 is rounded from 2.6587.
    assert (chart.high - 11.6) / mean_range == pytest.approx(2.66, abs=0.005)
    assert (11.6 - chart.low) / mean_range == pytest.approx(2.66, abs=0.005)
    assert chart.spread_high == pytest.approx(3.267 * mean_range, abs=0.001)
    assert chart.steady


def test_individuals_chart_keeps_a_golden_units_limits() -> None:
    chart = answered(individuals_chart([58.0, 58.2, 60.0], centre=58.0, sigma=0.4))
    assert chart.low == pytest.approx(56.8)
    assert chart.high == pytest.approx(59.2)
    assert [(signal.at, signal.rule) for signal in chart.signals] == [(2, 1), (2, 0)]


def test_batch_charts_use_the_customary_multiples() -> None:
    batches = [[1.0, 2.0, 3.0], [2.0, 3.0, 5.0], [1.0, 4.0, 2.0]]
    by_range = answered(batch_chart(batches))
    mean_range = (2 + 3 + 3) / 3
    grand = float(np.mean(batches))
    assert by_range.high == pytest.approx(grand + 1.0233 * mean_range, abs=1e-3)
    assert by_range.spread_high == pytest.approx(2.5746 * mean_range, abs=1e-3)
    by_sd = answered(batch_chart(batches, by="sd"))
    mean_sd = float(np.mean(np.std(batches, axis=1, ddof=1)))
    assert by_sd.high == pytest.approx(grand + 1.9544 * mean_sd, abs=1e-3)
    assert by_sd.spread_high == pytest.approx(2.5682 * mean_sd, abs=1e-3)


def test_batch_chart_finds_the_batch_that_moved() -> None:
    rng = np.random.default_rng(17)
    batches = [rng.normal(60, 1, 5) for _ in range(12)]
    batches[7] = batches[7] + 4
    hits = {signal.at for signal in answered(batch_chart(batches)).signals if signal.rule == 1}
    assert hits == {7}


def test_short_run_chart_puts_two_models_on_one_scale() -> None:
    values = [50.0, 70.0, 51.0, 72.0, 49.0, 68.0, 56.0]
    models = ["air", "liquid"] * 3 + ["air"]
    chart = answered(short_run_chart(values, models, known={"air": (50.0, 1.0), "liquid": (70.0, 2.0)}))
    np.testing.assert_allclose(chart.points, [0, 0, 1, 1, -1, -1, 6])
    assert (chart.low, chart.high) == (-3.0, 3.0)
    # d2 + 3 d3 = 3.686: common printed limit of a moving range of Z.
    assert chart.spread_high == pytest.approx(3.686, abs=0.001)
    assert {signal.at for signal in chart.signals if signal.rule == 1} == {6}


def test_short_run_chart_leaves_out_a_model_it_knows_nothing_of() -> None:
    chart = answered(short_run_chart([50.0, 51.0, 49.0, 99.0], ["air", "air", "air", "new"]))
    assert chart.points.size == 3
    nothing = short_run_chart([50.0, 60.0], ["a", "b"])
    assert isinstance(nothing, Unanswered)
    with pytest.raises(ValueError, match="2 values and 1 models"):
        short_run_chart([1.0, 2.0], ["a"])


# Western Electric handbook (1956), rules from memory; z in sigma.
@pytest.mark.parametrize(
    ("z", "expected"),
    [
        ([0, 0, 3.1], [(2, 1)]),
        ([0, 0, 3.0], []),
        ([2.1, 0, 2.1], [(2, 2)]),
        ([2.1, 0, -2.1], []),
        ([2.1, 0, 0, 2.1], []),
        ([1.1, 1.1, 0, 1.1, 1.1], [(4, 3)]),
        ([-1.1, -1.1, -1.1, -1.1], [(3, 3)]),
        ([1.1, 1.1, 0, 0, 1.1, 1.1], []),
        ([0.1] * 8, [(7, 4)]),
        ([0.1] * 7, []),
        ([-0.1] * 9, [(7, 4), (8, 4)]),
        ([0.1] * 4 + [-0.1] * 4, []),
    ],
)
def test_western_electric_rules(z: list[float], expected: list[tuple[int, int]]) -> None:
    assert [(signal.at, signal.rule) for signal in western_electric(z)] == expected


def test_false_signals_of_rule_1_are_as_rare_as_the_normal_distribution_says() -> None:
    z = np.random.default_rng(18).normal(0, 1, 20_000)
    hits = sum(signal.rule == 1 for signal in western_electric(z))
    assert hits / 20_000 == pytest.approx(0.0027, abs=3 * math.sqrt(0.0027 / 20_000))


@pytest.mark.parametrize(
    ("found", "why"),
    [
        (individuals_chart([1.0]), "1 values"),
        (individuals_chart([2.0, 2.0, 2.0]), "all 3 values are equal"),
        (batch_chart([[1.0, 2.0]]), "two batches"),
        (batch_chart([[1.0, 2.0], [1.0, 2.0, 3.0]]), "2, 3 units"),
        (batch_chart([[1.0, 1.0], [2.0, 2.0]]), "all values are equal"),
        (find_trend([1, 2, 3], [1.0, 2.0, 3.0]), "at least 4"),
        (find_trend([1, 2, 3, 4], [1.0] * 4), "equal"),
    ],
)
def test_charts_say_why_there_is_none(found: Any, why: str) -> None:
    assert isinstance(found, Unanswered)
    assert why in str(found.why)


def test_trend_agrees_with_the_published_rank_correlation() -> None:
    example = STATISTICS["kendall"]
    found = find_trend(example["x"], example["y"])
    assert isinstance(found, Trend)
    assert round(found.tau, 4) == example["tau"]
    assert round(found.p_value, 4) == example["p"]
    assert not found.significant


def test_trend_finds_a_creeping_bench() -> None:
    rng = np.random.default_rng(19)
    weeks = list(range(20))
    found = find_trend(weeks, [58 + 0.1 * week + rng.normal(0, 0.2) for week in weeks])
    assert isinstance(found, Trend)
    assert found.significant
    assert found.low <= 0.1 <= found.high
