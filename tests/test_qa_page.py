"""The page of QA: whole HTML, nothing from outside acts, and it stays readable with very many units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from tests.batches import MOUNTING_FAULT, PROFILE, batch, batch_with_three_faults, golden_charts, three_benches
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.qa import QaFinding, UnitRun, find
from verifyrig.qa.comparing import BuildsCompared, compare_builds
from verifyrig.qa.golden_charts import GoldenChart
from verifyrig.report.inputs import Settings, Shop
from verifyrig.report.qa_page import qa_page

NOW_UTC_S = 1_770_000_000.0


def page_of(found: QaFinding, compared: BuildsCompared | None = None, golden: Sequence[GoldenChart] = ()) -> str:
    return qa_page(found, Shop(name="Invented shop"), Settings(), NOW_UTC_S, compared, golden)


def parsed(page: str) -> None:
    html5lib = pytest.importorskip("html5lib", reason="html5lib is not installed")
    html5lib.HTMLParser(strict=True).parse(page)


def test_page_is_sound_html_and_names_what_stands_out_and_what_was_left_out() -> None:
    page = page_of(find(batch_with_three_faults(), PROFILE))
    parsed(page)
    assert f"unit-{MOUNTING_FAULT:02d}" in page[page.index("What stands out") : page.index("What was left out")]
    assert "its room was 34.0\u202f°C" in page  # a number and its unit hold together
    assert page.count('<svg viewBox="0 0 720 118"') == len(find(batch_with_three_faults(), PROFILE).metrics)
    assert "simulated hardware" in page


def test_same_findings_and_time_give_the_same_bytes() -> None:
    assert page_of(find(batch(12), PROFILE)) == page_of(find(batch(12), PROFILE))


def test_text_from_outside_neither_runs_nor_turns_the_page_around() -> None:
    runs = batch_with_three_faults()
    runs[MOUNTING_FAULT] = replace(runs[MOUNTING_FAULT], unit='"><script>alert(1)</script>\u202e')
    page = page_of(find(runs, PROFILE))
    parsed(page)
    assert "<script" not in page
    assert "\u202e" not in page


def many(n: int) -> list[UnitRun]:
    """Return n units, each a copy of one of thirty with a name of its own."""
    thirty = batch(30)
    return [replace(thirty[at % 30], run=f"run-{at:04d}", unit=f"unit-{at:04d}") for at in range(n)]


def test_very_many_units_become_bars_and_a_list_that_ends() -> None:
    page = page_of(find(many(450), PROFILE))
    parsed(page)
    assert 'r="4"' not in page  # no ring for a single unit
    assert "250 more runs are not listed here" in page
    assert len(page) < 400_000


def test_a_failing_unit_is_listed_however_many_pass() -> None:
    runs = many(450)
    runs[449] = replace(runs[449], outcome=Outcome.INTERRUPTED, cause=CauseClass.POWER_OFF)
    page = page_of(find(runs, PROFILE))
    assert "unit-0449" in page


def test_comparison_of_builds_stands_on_the_page() -> None:
    first, second = batch(12, seed=3), batch(12, seed=4)
    names = ["load.die_temp_c.rise", "no.such"]
    compared = compare_builds(("rev-a", first), ("rev-b", second), PROFILE, names, {names[0]: 3.0})
    page = page_of(find(second, PROFILE), compared)
    parsed(page)
    assert "rev-b</bdi> minus <bdi>rev-a" in page
    assert "within ± 3: shown" in page


def test_a_page_about_nothing_says_so() -> None:
    page = page_of(find([], PROFILE))
    parsed(page)
    assert "no comparable run was found" in page


def test_each_bench_stands_on_the_page_with_its_mark_and_what_it_shows_of_its_golden_unit() -> None:
    golden = golden_charts()
    page = page_of(find(three_benches(), PROFILE), golden=golden)
    parsed(page)
    assert "bench-1</bdi> is a ring" in page and "bench-3</bdi> is a diamond" in page
    assert page.count('<svg viewBox="0 0 720 132"') == len(golden)
    part = page[page.index("The benches, by their golden units") :]
    assert "gold on bench-2: load.die_temp_c.rise" in part
    drifting = [one for one in golden if one.creeps]
    assert {one.unit for one in drifting} == {"gold on bench-2"} and "it creeps by" in part
    assert "The benches" not in page_of(find(batch(12), PROFILE))
