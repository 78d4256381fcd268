"""The report of a real run that is committed names no card, no processor and no maker."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests import report_inputs as ri
from tests.real_card_report import in_general_words, named, without_names
from verifyrig.report.render import render


@pytest.mark.parametrize("words", ["An RTX of Nvidia", "H100 80GB", "GPU-0a1b2c3d-4e5f", "Some Xeon"])
def test_what_names_a_machine_is_found_in_the_words_of_a_page(words: str) -> None:
    assert named(f"<p>{words}</p>")
    assert named("<style>.h100{}</style><p title='A100'>nvml, 700 W, 12 V</p>") == []


def test_no_figure_changes_and_no_name_stays() -> None:
    run = ri.healthy_run()
    facts = {**run.trace.facts, "machine": {"processor": "A Xeon", "maker": "Nvidia", "kernel": "6.1.0-h100-gpu"}}
    real = replace(run, trace=replace(run.trace, facts=facts))
    general = without_names(real)
    assert general.metrics == real.metrics and general.trace.columns == real.trace.columns
    report = in_general_words(replace(ri.fixed_report(), runs=(real,), before=real.run_id, after=None, comparison=None))
    assert named(render(report, "customer", now_utc=ri.DAY_UTC)) == []
