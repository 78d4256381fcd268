"""What the page lists as not tested: targets that were not held, and what clean checks under load do not exclude."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests import report_inputs as ri
from verifyrig.core.trace import Event
from verifyrig.report.done import not_tested
from verifyrig.report.inputs import RunInput
from verifyrig.report.wording import Foreign, words_for

WHY = "there is no reading of the power, so the load stays at 50% of full duty"


def with_event(run: RunInput, event: Event) -> RunInput:
    return replace(run, trace=replace(run.trace, events=(*run.trace.events, event)))


@pytest.mark.parametrize(("language", "says"), [("en", WHY), ("de", "keinen Messwert der Leistung")])
def test_a_target_that_could_not_be_held_is_said_with_its_stage(language: str, says: str) -> None:
    run, before = ri.healthy_run(), ri.gated_run()
    unheld = with_event(run, Event(t_s=320.0, kind="hold-limited", detail={"why": WHY}))
    words = words_for(language, "°C")
    lines = not_tested(ri.report(before, unheld), words)
    (line,) = [line for line in lines if says in line]
    assert not isinstance(line, Foreign)
    assert line not in not_tested(ri.report(before, run), words)


def test_clean_checks_under_load_exclude_wrong_results_only_down_to_a_rate() -> None:
    # Rule of three (published: Hanley and Lippman-Hand, JAMA 249, 1983): none in n excludes rates above 3/n at 95 %.
    run = with_event(ri.healthy_run(), Event(t_s=1200.0, kind="load", detail={"share": 0.0, "checks_done": 30_000}))
    words = words_for("en", "°C")
    (line,) = [line for line in not_tested(ri.report(ri.gated_run(), run), words) if "Wrong results" in line]
    every = int(line.partition("once in ")[2].partition(" ")[0].replace(",", ""))
    assert every == pytest.approx(30_000 / 3, rel=0.005)
    errors = np.zeros(len(run.trace.t_s))
    errors[-1] = 1.0
    wrong = replace(run, trace=replace(run.trace, columns={**run.trace.columns, "compute_errors": errors}))
    assert not any("Wrong results" in line for line in not_tested(ri.report(ri.gated_run(), wrong), words))


def test_background_load_during_an_idle_stage_is_on_the_page() -> None:
    busy = Event(t_s=290.0, kind="rest-disturbed", detail={"stage": "idle", "busy_share": 0.4})
    run, words = with_event(ri.healthy_run(), busy), words_for("en", "°C")
    (line,) = [line for line in not_tested(ri.report(ri.gated_run(), run), words) if "without background load" in line]
    assert "40" in line and "“idle”" in line and "idle idle" not in line
