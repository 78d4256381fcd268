"""`compare` for a person: few lines, what is known apart from what is not, no digit that nothing stands behind."""

from __future__ import annotations

import re

import pytest

from tests.test_compare import BEFORE, again
from verifyrig.analysis import compare
from verifyrig.analysis.results import Comparison, MetricDifference, StageComparison
from verifyrig.commands.compare import step_of
from verifyrig.commands.compare_text import MOST_LINES, summary_lines, table_lines
from verifyrig.core.reason import reason
from verifyrig.report.wording import words_for

WORDS = words_for("en")
SETTLED = "load.die_temp_c.settled"


def difference(
    before: float | None, after: float | None, u95: float | None, unit: str = "°C", significant: bool | None = True
) -> MetricDifference:
    both = before is not None and after is not None
    return MetricDifference(
        before=before,
        after=after,
        difference=(after or 0.0) - (before or 0.0) if both else None,
        u95=u95,
        significant=significant,
        unit=unit,
    )


def found(metrics: dict[str, MetricDifference], stages: dict[str, StageComparison] | None = None) -> Comparison:
    stages = stages or {"load": StageComparison(comparable=True)}
    return Comparison(before="a", after="b", stages=stages, metrics=metrics)


def said(one: MetricDifference, step: float | None = None, metric: str = "load.die_temp_c.settled") -> str:
    lines = table_lines(found({metric: one}), lambda _: step, WORDS)
    return lines[-1].split(": ", 1)[1].replace("\u202f", " ")


# JCGM 100:2008, 7.2.6: at most two significant digits of the uncertainty, the value rounded to the same place.
@pytest.mark.parametrize(
    ("one", "step", "metric", "expected"),
    [
        (difference(84.2312, 71.9377, 1.3871), None, "load.die_temp_c.settled", "84.2 → 71.9 °C (−12.3 ± 1.4 K)"),
        (difference(0.42371, 0.36124, 0.0312, "K/W"), None, "load.thermal_resistance", "0.424 → 0.361 K/W (−0.062 ±"),
        # A sensor of whole degrees: one reading is a whole degree, an average a tenth of one.
        (difference(84.0, 72.0, 0.3), 1.0, "load.die_temp_c.peak", "84 → 72 °C (−12 ± 1 K)"),
        (difference(84.2312, 71.9377, 0.0312), 1.0, "load.die_temp_c.settled", "84.2 → 71.9 °C (−12.3 ± 0.1 K)"),
        (difference(84.2312, 71.9377, 0.0312), 0.125, "load.die_temp_c.settled", "84.23 → 71.94 °C (−12.29 ± 0.03"),
        (difference(0.98123, 0.71377, 0.0213, "1"), None, "load.work_rate_kept_share", "98.1 → 71.4 % (−26.7 ± 2.1 %"),
        (difference(3.0, 0.0, 0.0, "1"), None, "load.compute_errors", "3 → 0 (−3)"),
        # Nothing is known of the uncertainty: three digits.
        (difference(1234.567, 1199.3, None, "1/s"), None, "load.work_rate_per_s.mean", "1,235 → 1,199 1/s (−35"),
        (
            difference(1199.2, 1199.3, 42.0, "rpm", False),
            None,
            "load.pump_speed_rpm.mean",
            "1,199 → 1,199 1/min (0 ±",
        ),
    ],
)
def test_no_figure_has_a_digit_below_its_resolution(
    one: MetricDifference, step: float | None, metric: str, expected: str
) -> None:
    assert said(one, step, metric).startswith(expected)


def test_ten_lines_part_what_changed_from_what_did_not_and_what_is_not_known() -> None:
    cooler = again(die_temp_c=22.0 + (BEFORE.columns["die_temp_c"] - 22.0) * 0.8)
    compared = compare(BEFORE, cooler)
    lines = summary_lines(compared, step_of(BEFORE, cooler), WORDS, ["load", "idle"])
    assert len(lines) <= MOST_LINES and all(len(line) <= 240 for line in lines)
    changed, same = (next(n for n, line in enumerate(lines) if line.startswith(word)) for word in ("Changed", "Not ch"))
    assert "load: processor, settled: " in lines[changed + 1] and changed + 1 < same
    assert "fan" not in " ".join(lines[changed:same]) and "compare --table" in lines[-1]
    # The figures themselves are those of the comparison, to the last digit that is printed.
    drop = compared.metrics["load.die_temp_c.settled"]
    shown = re.search(r"\(−([0-9.]+) ±", lines[changed + 1])
    assert shown is not None and drop.difference is not None
    assert float(shown[1]) == pytest.approx(-drop.difference, abs=0.06)


def test_what_cannot_be_told_is_said_with_its_reason() -> None:
    stages = {name: StageComparison(comparable=False, forbidden_by=(reason("recipe-differs"),)) for name in "abcd"}
    stages["load"] = StageComparison(comparable=False, before="not run: unsafe")
    lines = summary_lines(found({SETTLED: difference(None, 60.0, None)}, stages), lambda _: None, WORDS)
    assert len(lines) <= MOST_LINES and "Nothing changed beyond doubt." in lines
    assert any(line.startswith("Cannot be told: a is not comparable") for line in lines)
    alone = found({SETTLED: difference(None, 60.0, None)}, {"load": stages["load"]})
    lines = summary_lines(alone, lambda _: None, WORDS)
    assert "Cannot be told: load is not comparable (before not run: unsafe)" in lines
    assert "  1 figure lacks a value, or its uncertainty, in one of the runs" in lines
