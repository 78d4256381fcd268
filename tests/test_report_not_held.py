"""What the page says where a load was to hold a power and nothing read that power."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests import report_inputs as ri
from verifyrig.report.done import not_tested
from verifyrig.report.wording import Foreign, words_for
from verifyrig.trace import Event

WHY = "there is no reading of the power, so the load stays at 50% of full duty"


@pytest.mark.parametrize(("language", "says"), [("en", WHY), ("de", "keinen Messwert der Leistung")])
def test_a_target_that_could_not_be_held_is_said_with_its_stage(language: str, says: str) -> None:
    run = ri.healthy_run()
    told = Event(t_s=320.0, kind="hold-limited", detail={"why": WHY})
    unheld = replace(run, trace=replace(run.trace, events=(*run.trace.events, told)))
    words = words_for(language, "°C")
    before = ri.gated_run()
    lines = not_tested(ri.report(before, unheld), words)
    (line,) = [line for line in lines if says in line]
    assert not isinstance(line, Foreign)
    assert line not in not_tested(ri.report(before, run), words)
