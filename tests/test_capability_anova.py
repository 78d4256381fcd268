"""Analysis of variance and gauge studies against NIST StRD, statsmodels and a published study."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from verifyrig.capability import (
    CrossedAnova,
    GaugeStudy,
    OneWayAnova,
    Unanswered,
    crossed_anova,
    gauge_study,
    one_way_anova,
)

DATA = Path(__file__).parent / "data"
NIST: dict[str, Any] = tomllib.loads((DATA / "nist_anova.toml").read_text("utf-8"))
GAUGE: dict[str, Any] = tomllib.loads((DATA / "statistics.toml").read_text("utf-8"))["gauge"]

# Digits that the certified values keep. In AtmWtAg seven leading digits are common, so that a double holds
# only about nine digits of the differences: no arithmetic can do better.
DIGITS = {"SiRstv": 1e-12, "AtmWtAg": 1e-9}


@pytest.mark.parametrize("name", ["SiRstv", "AtmWtAg"])
def test_one_way_analysis_agrees_with_the_certified_values(name: str) -> None:
    certified = NIST[name]
    found = one_way_anova(certified["groups"])
    assert isinstance(found, OneWayAnova)
    rel = DIGITS[name]
    assert found.between.dof == certified["between"]["dof"]
    assert found.within.dof == certified["within"]["dof"]
    assert found.between.sum_of_squares == pytest.approx(certified["between"]["sum_of_squares"], rel=rel)
    assert found.within.sum_of_squares == pytest.approx(certified["within"]["sum_of_squares"], rel=rel)
    assert found.within.mean_square == pytest.approx(certified["within"]["mean_square"], rel=rel)
    assert found.between.f == pytest.approx(certified["between"]["f"], rel=rel)
    between, within = found.between.sum_of_squares, found.within.sum_of_squares
    assert between / (between + within) == pytest.approx(certified["r_squared"], rel=rel)
    assert found.residual_sd == pytest.approx(certified["residual_sd"], rel=rel)


def test_one_way_analysis_of_unequal_groups_agrees_with_the_reference_library() -> None:
    from scipy import stats

    rng = np.random.default_rng(22)
    groups = [rng.normal(60 + shift, 2, n) for shift, n in ((0, 5), (1, 9), (3, 14))]
    found = one_way_anova([*groups, []])
    assert isinstance(found, OneWayAnova)
    theirs = stats.f_oneway(*groups)
    assert found.between.f == pytest.approx(float(theirs.statistic), rel=1e-10)
    assert found.between.p_value == pytest.approx(float(theirs.pvalue), rel=1e-8)


def test_crossed_analysis_agrees_with_statsmodels() -> None:
    pandas = pytest.importorskip("pandas", reason="statsmodels and pandas are not installed")
    formula = pytest.importorskip("statsmodels.formula.api", reason="statsmodels is not installed")
    anova = pytest.importorskip("statsmodels.stats.anova", reason="statsmodels is not installed")
    rng = np.random.default_rng(23)
    table = 60 + rng.normal(0, 3, (6, 1, 1)) + rng.normal(0, 1, (1, 3, 1)) + rng.normal(0, 0.5, (6, 3, 4))
    rows = [(u, m, table[u, m, r]) for u in range(6) for m in range(3) for r in range(4)]
    frame = pandas.DataFrame(rows, columns=["unit", "mount", "y"])
    theirs = anova.anova_lm(formula.ols("y ~ C(unit) * C(mount)", frame).fit())
    found = crossed_anova(table)
    assert isinstance(found, CrossedAnova)
    lines = (found.first, found.second, found.interaction, found.residual)
    for line, name in zip(lines, ("C(unit)", "C(mount)", "C(unit):C(mount)", "Residual"), strict=True):
        assert line.sum_of_squares == pytest.approx(theirs.loc[name, "sum_sq"], rel=1e-9)
        assert line.dof == theirs.loc[name, "df"]
    assert found.interaction.f == pytest.approx(theirs.loc["C(unit):C(mount)", "F"], rel=1e-9)
    assert found.interaction.p_value == pytest.approx(theirs.loc["C(unit):C(mount)", "PR(>F)"], rel=1e-9)


def published_study() -> GaugeStudy:
    found = gauge_study(np.array(GAUGE["data"]).transpose(2, 0, 1), factor="person")
    assert isinstance(found, GaugeStudy)
    return found


def test_published_gauge_study_to_the_printed_digits() -> None:
    study = published_study()
    table = study.anova
    sums = GAUGE["sums_of_squares"]
    assert round(table.first.sum_of_squares, 4) == sums["parts"]
    assert round(table.second.sum_of_squares, 4) == sums["persons"]
    assert round(table.interaction.sum_of_squares, 4) == sums["interaction"]
    assert round(table.residual.sum_of_squares, 4) == sums["residual"]
    assert table.interaction.f is not None
    assert round(table.interaction.f, 3) == GAUGE["f_interaction"]
    assert study.pooled
    assert round(study.repeat_sd, 6) == GAUGE["repeat_sd"]
    assert round(study.factor_sd, 6) == GAUGE["person_sd"]
    # The manual adds rounded squares: 0.302373 where the sum is 0.3023715.
    assert study.gauge_sd == pytest.approx(GAUGE["gauge_sd"], abs=2e-6)
    assert study.unit_sd == pytest.approx(GAUGE["part_sd"], abs=1e-6)
    assert round(study.study_share, 3) == GAUGE["study_share"]
    # 1.41 * 1.0423/0.3024 = 4.86, of which the whole part counts.
    assert study.distinct_categories == 4
    assert study.fitness == "conditional"


def test_remounting_the_probe_is_found_where_it_is_the_cause() -> None:
    rng = np.random.default_rng(24)
    # 10 units, 6 mountings each with an error of its own for every unit, 3 readings.
    table = 60 + rng.normal(0, 4, (10, 1, 1)) + rng.normal(0, 0.8, (10, 6, 1)) + rng.normal(0, 0.1, (10, 6, 3))
    study = gauge_study(table, tolerance_width=40.0)
    assert isinstance(study, GaugeStudy)
    assert not study.pooled
    assert study.factor == "remount"
    assert study.repeat_sd == pytest.approx(0.1, rel=0.2)
    assert study.factor_sd == pytest.approx(0.8, rel=0.25)
    assert study.tolerance_share == pytest.approx(6 * math.hypot(0.8, 0.1) / 40, rel=0.25)
    assert study.fitness == "conditional"


def test_variance_parts_are_right_on_average() -> None:
    rng = np.random.default_rng(25)
    parts = []
    for _ in range(300):
        table = rng.normal(0, 3, (8, 1, 1)) + rng.normal(0, 1, (1, 4, 1)) + rng.normal(0, 0.5, (8, 4, 2))
        study = gauge_study(table)
        assert isinstance(study, GaugeStudy)
        parts.append((study.unit_sd**2, study.gauge_sd**2))
    units, gauge = np.mean(parts, axis=0)
    # Standard errors of 300 means: 9*sqrt(2/7/300) and 1*sqrt(2/3/300), three of each. The parts of the gauge
    # alone are not checked: pooling by a test of significance moves a little from repeats to interaction.
    assert units == pytest.approx(9.0, abs=0.84)
    assert gauge == pytest.approx(1.25, abs=0.15)


def test_a_study_without_repeats_takes_the_interaction_for_them() -> None:
    rng = np.random.default_rng(26)
    study = gauge_study(rng.normal(0, 3, (10, 1, 1)) + rng.normal(0, 0.5, (10, 4, 1)))
    assert isinstance(study, GaugeStudy)
    assert study.pooled
    assert study.repeat_sd == pytest.approx(0.5, rel=0.35)


@pytest.mark.parametrize(
    ("found", "why"),
    [
        (one_way_anova([[1.0, 2.0]]), "two groups"),
        (one_way_anova([[1.0], [2.0]]), "one repeat"),
        (one_way_anova([[1.0, 1.0], [1.0, 1.0]]), "equal"),
        (gauge_study(np.full((3, 3, 2), 5.0)), "equal"),
        (gauge_study(np.full((3, 3, 2), math.nan)), "gaps"),
        (gauge_study(np.arange(6.0).reshape(6, 1, 1)), "2 by 2"),
        (gauge_study(np.arange(3.0)[:, None, None] + np.zeros((3, 2, 2))), "resolution"),
    ],
)
def test_tables_without_an_answer_say_so(found: Any, why: str) -> None:
    assert isinstance(found, Unanswered)
    assert why in str(found.why)


def test_mistakes_are_refused() -> None:
    with pytest.raises(ValueError, match="shape"):
        gauge_study([[1.0, 2.0]])
    with pytest.raises(ValueError, match="tolerance_width"):
        gauge_study(np.zeros((2, 2, 2)), tolerance_width=0.0)
