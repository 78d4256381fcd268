"""Budgets against the worked examples and the table of the GUM and its first supplement, and of EA-4/02.

Figures and sources are in data/gum.toml.
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from verifyrig.metrology.uncertainty import (
    Component,
    combine,
    coverage_factor,
    effective_dof,
    standard_from_expanded,
    standard_from_half_width,
)

GUM: dict[str, Any] = tomllib.loads((Path(__file__).parent / "data" / "gum.toml").read_text("utf-8"))


def end_gauge() -> list[Component]:
    lines = zip(GUM["end_gauge"]["u_nm"], GUM["end_gauge"]["dof"], strict=True)
    return [Component(name=f"line {at}", standard_uncertainty=u, dof=dof) for at, (u, dof) in enumerate(lines)]


def test_end_gauge_budget_agrees_with_the_gum() -> None:
    combined = combine(end_gauge(), p=0.99)
    assert round(combined.standard_uncertainty) == GUM["end_gauge"]["u_c_nm"]
    # The GUM cuts 16.7 down to 16 before it takes k, and multiplies k by u_c already rounded to 32 nm.
    assert math.floor(combined.effective_dof) == GUM["end_gauge"]["effective_dof"]
    assert round(coverage_factor(16, 0.99), 2) == GUM["end_gauge"]["k_99"]
    assert round(coverage_factor(16, 0.99) * round(combined.standard_uncertainty)) == GUM["end_gauge"]["expanded_99_nm"]
    # Without those two roundings: u_c 31.7 nm, k(16.7) 2.90.
    assert combined.expanded_uncertainty == pytest.approx(GUM["end_gauge"]["expanded_99_nm"], rel=0.013)


@pytest.mark.parametrize(("column", "p"), [("p90", 0.90), ("p95", 0.95), ("p95_45", 0.9545), ("p99", 0.99)])
def test_coverage_factors_agree_with_table_g2(column: str, p: float) -> None:
    for dof, printed in zip(GUM["t_factors"]["dof"], GUM["t_factors"][column], strict=True):
        assert coverage_factor(dof or math.inf, p) == pytest.approx(printed, abs=0.011)


def test_coverage_factor_agrees_with_the_reference_library_between_whole_degrees_of_freedom() -> None:
    from scipy import stats

    for dof in (0.7, 1.5, 2.25, 7.9, 33.3, 1e4):
        assert coverage_factor(dof) == pytest.approx(float(stats.t.ppf(0.975, dof)), rel=1e-9)


def test_sensitivities_scale_and_lose_their_sign() -> None:
    doubled = combine([Component(name="a", standard_uncertainty=3.0, sensitivity=-2.0)])
    assert doubled.standard_uncertainty == pytest.approx(6.0)
    assert doubled.coverage_factor == pytest.approx(1.959964, abs=1e-6)  # normal table
    assert doubled.effective_dof == math.inf


def test_tiny_components_keep_their_degrees_of_freedom() -> None:
    tiny = [Component(name="a", standard_uncertainty=1e-120, dof=5.0)]
    assert effective_dof(tiny) == pytest.approx(5.0)


def test_one_component_keeps_its_own_degrees_of_freedom() -> None:
    # Welch-Satterthwaite of one line is its own figure, whatever its size and also below one.
    for u, dof in ((1.0, 5.0), (0.3, 0.5), (7.0, 1.0)):
        assert effective_dof([Component(name="a", standard_uncertainty=u, dof=dof)]) == pytest.approx(dof)


def test_a_budget_of_nothing_is_exact() -> None:
    assert combine([]).expanded_uncertainty == 0.0
    assert combine([Component(name="count", standard_uncertainty=0.0, dof=3.0)]).effective_dof == math.inf


def test_an_unlimited_component_leaves_an_unlimited_result() -> None:
    combined = combine([Component(name="a", standard_uncertainty=math.inf, dof=3.0)])
    assert combined.expanded_uncertainty == math.inf and combined.effective_dof == math.inf


def test_where_nothing_was_estimated_from_few_readings_the_normal_factor_holds() -> None:
    # Type B components taken as exactly known (GUM G.4.2): infinite degrees of freedom, k = 1.960 for 95 %.
    known = [Component(name="a", standard_uncertainty=3.0), Component(name="b", standard_uncertainty=4.0)]
    combined = combine(known)
    assert combined.effective_dof == math.inf
    assert combined.expanded_uncertainty == pytest.approx(1.959964 * 5.0, rel=1e-6)


def test_expanded_uncertainty_covers_as_often_as_it_says() -> None:
    # Two means of 4 and 6 readings with sd 1.0 and 0.3, difference of true values 0; seeded, 4000 draws.
    rng = np.random.default_rng(20240117)
    first = rng.normal(0.0, 1.0, (4000, 4))
    second = rng.normal(0.0, 0.3, (4000, 6))
    covered = 0
    for a, b in zip(first, second, strict=True):
        budget = combine(
            [
                Component(name="a", standard_uncertainty=float(a.std(ddof=1)) / 2.0, dof=3.0),
                Component(name="b", standard_uncertainty=float(b.std(ddof=1)) / math.sqrt(6), dof=5.0),
            ]
        )
        covered += abs(a.mean() - b.mean()) <= budget.expanded_uncertainty
    # Welch-Satterthwaite is an approximation: within 1.5 % of the stated 95 %, plus 3 sigma of 4000 draws.
    assert covered / 4000 == pytest.approx(0.95, abs=0.015 + 3 * math.sqrt(0.95 * 0.05 / 4000))


def test_rectangular_and_stated_uncertainties() -> None:
    assert standard_from_half_width(1.5) == pytest.approx(0.8660, abs=5e-5)  # GUM 4.3.7: a/sqrt(3)
    assert standard_from_expanded(0.240) == pytest.approx(0.120)
    assert standard_from_expanded(0.258, 2.58) == pytest.approx(0.100)


def test_mistakes_are_refused() -> None:
    with pytest.raises(ValueError, match="not >= 0"):
        Component(name="probe", standard_uncertainty=math.nan)
    with pytest.raises(ValueError, match="degrees of freedom"):
        Component(name="probe", standard_uncertainty=1.0, dof=0.0)
    with pytest.raises(ValueError, match="degrees of freedom"):
        coverage_factor(0.0)
    with pytest.raises(ValueError, match="coverage probability"):
        coverage_factor(5.0, 95.0)
    for p in (0.0, 1.0, -0.5):
        with pytest.raises(ValueError, match="coverage probability"):
            coverage_factor(5.0, p)
    with pytest.raises(ValueError, match="not >= 0"):
        Component(name="probe", standard_uncertainty=-1.0)


def bounds(half_widths: list[float]) -> list[Component]:
    return [Component.within(f"bound {at}", half_width) for at, half_width in enumerate(half_widths)]


def test_sums_of_bounds_agree_with_the_supplement_to_the_gum() -> None:
    table = GUM["rectangular_sums"]
    for sds, printed, decimals in (("equal", "equal_95", 2), ("one_wide", "one_wide_95", 1)):
        found = combine(bounds([math.sqrt(3) * sd for sd in table[sds]]))
        assert round(found.expanded_uncertainty, decimals) == table[printed]
    closed = 2 * math.sqrt(3) * (2 - 0.6**0.25)
    assert combine(bounds([math.sqrt(3)] * 4)).expanded_uncertainty == pytest.approx(closed, rel=1e-6)


def test_a_dominating_bound_has_the_coverage_factor_of_the_accreditation_bodies() -> None:
    table = GUM["dominating"]
    normal = Component(name="calibrator", standard_uncertainty=table["multimeter_u_v"])
    multimeter = combine([*bounds(table["multimeter_half_widths_v"]), normal])
    assert round(multimeter.expanded_uncertainty, 2) == table["multimeter_expanded_v"]
    assert round(combine(bounds([3.0])).coverage_factor, 2) == table["one_rectangular_k"]
    assert round(combine(bounds(table["caliper_half_widths_um"])).coverage_factor, 2) == table["caliper_k"]
    # Two equal bounds make a triangle: 1 - (1 - U / 2a)^2 = p.
    assert combine(bounds([1.0, 1.0])).expanded_uncertainty == pytest.approx(2 * (1 - math.sqrt(0.05)), rel=1e-5)


@pytest.mark.parametrize("u", [0.003, 0.02, 0.1, 0.5, 3.0, 300.0])
@pytest.mark.parametrize("p", [0.9, 0.95, 0.99])
def test_one_bound_beside_a_normal_line_agrees_with_the_closed_form(u: float, p: float) -> None:
    from scipy.stats import norm

    def below(z: float) -> float:
        return float(z * norm.cdf(z) + norm.pdf(z))  # integral of the normal distribution function

    found = combine([Component(name="a", standard_uncertainty=u), Component.within("b", 2.0, sensitivity=-0.5)], p)
    high, low = (found.expanded_uncertainty + 1.0) / u, (found.expanded_uncertainty - 1.0) / u
    inside = u / 2 * (below(high) - below(low) - below(-low) + below(-high))
    assert inside == pytest.approx(p, abs=1e-4)


@pytest.mark.parametrize(
    ("u", "dof", "half_widths"),
    [
        (0.3, math.inf, [1.0, 0.2, 0.7]),
        (0.5, 3.0, [1.0, 0.5]),
        (0.1, 1.0, [1.0]),
        (2.0, 1.0, [1.0]),
        (1.0, 1.5, [1.0, 1.0]),
        (1.0, 60.0, [1.0]),
        (1.0, 200.0, [1.0]),
        (0.0, 5.0, [1.0, 1e-4]),
    ],
)
def test_sums_of_bounds_and_few_readings_cover_as_often_as_draws_say(
    u: float, dof: float, half_widths: list[float]
) -> None:
    n = 200_000
    rng = np.random.default_rng(20260117)
    drawn = u * (rng.standard_normal(n) if math.isinf(dof) else rng.standard_t(dof, n))
    for half_width in half_widths:
        drawn += rng.uniform(-half_width, half_width, n)
    line = Component(name="scatter", standard_uncertainty=u, dof=dof)
    expanded = combine([line, *bounds(half_widths)]).expanded_uncertainty
    # Four standard deviations of the draws' own share.
    assert np.mean(np.abs(drawn) <= expanded) == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / n))


def test_a_bound_is_never_stated_as_wider_than_itself() -> None:
    for u in (0.0, 1e-6, 0.01):
        found = combine([Component(name="a", standard_uncertainty=u, dof=9.0), *bounds([1.0])])
        assert found.expanded_uncertainty < 1.0
        assert found.coverage_factor * found.standard_uncertainty == pytest.approx(found.expanded_uncertainty)


def test_bounds_beside_an_unlimited_line_or_beside_less_than_one_degree_of_freedom_have_the_factor_of_the_gum() -> None:
    wild = [Component(name="a", standard_uncertainty=1.0, dof=0.5), *bounds([1.0])]
    assert combine(wild).coverage_factor == pytest.approx(coverage_factor(effective_dof(wild)))
    assert (
        combine([Component(name="a", standard_uncertainty=math.inf), *bounds([1.0])]).expanded_uncertainty == math.inf
    )
    assert combine(bounds([0.0])).expanded_uncertainty == 0.0
