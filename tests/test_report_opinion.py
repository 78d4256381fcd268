"""What the archive says of the cause: every reason for and against a suspect in the language of the page."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from tests import report_inputs as ri
from tests.diagnosis_traces import DAY, Made, entry, made_job, made_run
from verifyrig.core.trace import Trace
from verifyrig.diagnosis import diagnose
from verifyrig.jobs.model import EntryKind, Job
from verifyrig.report.inputs import Opinion
from verifyrig.report.opinion import opinion_sentence, substitution_lines, suspect_rows
from verifyrig.report.wording import Foreign, words_for
from verifyrig.runs.post_mortem import explain_end
from verifyrig.system.history.entries import LogEntry

GERMAN = words_for("de")
ENGLISH_WORDS = re.compile(r"\b(the|and|of|with|under|each|sound|says|load|over|die at|while)\b")
BAD = Made(contact=0.5, limit_c=92.0, error_cores=(2, 2, 2), errors_per_s=0.01)


def later(minutes: float) -> datetime:
    return DAY + timedelta(minutes=minutes)


def dark() -> Trace:
    return made_run(Made(limit_c=92.0), ends_at_s=700.0, cause="power-off", run_id="dark")


CASES: dict[str, tuple[list[Trace], Job | None, tuple[LogEntry, ...]]] = {
    "bad contact, findings": (
        [made_run(BAD, run_id="a")],
        made_job(entry(60, EntryKind.FINDING, "pump", value="silent"), answers={"what": "hot", "when": "under-load"}),
        (),
    ),
    "went dark, with the system's log": (
        [dark(), replace(dark(), run_id="dark-too")],
        made_job(answers={"what": "switches-off", "restart": "after-minutes"}),
        (LogEntry(utc_s=None, id="reset-reason", code="bits=0"),),
    ),
    "a part there and back": (
        [
            made_run(BAD, run_id="a"),
            made_run(Made(), run_id="b", start=later(70)),
            made_run(BAD, run_id="c", start=later(130)),
        ],
        made_job(
            entry(60, EntryKind.CHANGE, "part-fitted-for-test", part="cooler"),
            entry(120, EntryKind.CHANGE, "part-returned", part="cooler"),
        ),
        (),
    ),
    "no load": ([made_run(Made(), load_s=0, pulses=False, run_id="d")], None, ()),
}


def opinion_of(traces: Iterable[Trace], job: Job | None, remembered: Iterable[LogEntry]) -> Opinion:
    traces = list(traces)
    ends = {t.run_id: end for t in traces if (end := explain_end(t, list(remembered))) is not None}
    found = diagnose(traces, job=job, endings=ends)
    return Opinion(
        for_customer=found.for_customer,
        suspects=found.suspects,
        substitutions=tuple(one.says for one in found.substitutions),
    )


@pytest.mark.parametrize("name", CASES)
def test_the_german_archive_gives_every_reason_in_german(name: str) -> None:
    report = replace(ri.report(ri.dark_run(), language="de"), opinion=opinion_of(*CASES[name]))
    rows = suspect_rows(report, GERMAN)
    said = [one for row in rows for one in (*row.reasons_for, *row.reasons_against)]
    said += [opinion_sentence(report, GERMAN), *substitution_lines(report, GERMAN)]
    assert len(said) > 1
    assert [one for one in said if isinstance(one, Foreign) or ENGLISH_WORDS.search(one)] == []
