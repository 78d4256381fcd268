"""The findings as JUnit XML, so that a build line's own server shows each unit as a test.

Only what is proven passes: a unit that is not proven is a failure of type `not-proven`, one that fails of type
`fail`, a batch that changed while it was measured one of type `not-steady`; a run that was left out is skipped with
its reason. A unit measured several times is one test for each attempt.
"""

from __future__ import annotations

from datetime import UTC, datetime
from xml.etree import ElementTree

from verifyrig.core.outcome import Outcome
from verifyrig.core.plain_text import plain_line, plain_lines
from verifyrig.metrology.verdict import Verdict, plain_word
from verifyrig.qa.findings import QaFinding
from verifyrig.qa.text import verdict_words
from verifyrig.qa.units import Attempt, ExcludedRun, judge_figure

__all__ = ["as_junit"]


def as_junit(found: QaFinding) -> str:
    """Return the XML document as text."""
    suite = ElementTree.Element("testsuite", name=f"verifyrig {found.profile.name}")
    for attempt in found.attempts:
        suite.append(_case(attempt, found))
    suite.append(_steadiness(found))
    for item in found.sorted.left_out:
        suite.append(_skipped(item, found.profile.name))
    cases = list(suite)
    for key, tag in (("failures", "failure"), ("skipped", "skipped")):
        suite.set(key, str(sum(1 for case in cases if case.find(tag) is not None)))
    suite.set("tests", str(len(cases)))
    suite.set("errors", "0")
    root = ElementTree.Element("testsuites")
    root.append(suite)
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def _case(attempt: Attempt, found: QaFinding) -> ElementTree.Element:
    run, profile = attempt.run, found.profile
    name = plain_line(run.unit) + (f" (attempt {attempt.number} of {attempt.of})" if attempt.of > 1 else "")
    started = datetime.fromtimestamp(run.started_utc_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    case = ElementTree.Element("testcase", classname=plain_line(run.batch or profile.name), name=name)
    case.set("time", f"{run.duration_s:.3f}")
    case.set("timestamp", started)
    _add_properties(case, attempt, found)
    verdict = found.run_verdicts[run.run]
    if not attempt.last:
        # What was measured again decides no more; it stays on the page, and is no failure of the line's.
        ElementTree.SubElement(case, "skipped", message=f"superseded by a later attempt; {plain_word(verdict)}")
    elif verdict is not Verdict.PASS:
        kind = "fail" if verdict is Verdict.FAIL else "not-proven"
        failure = ElementTree.SubElement(case, "failure", type=kind, message=plain_word(verdict))
        ended = [] if run.outcome == Outcome.COMPLETED else [f"outcome: {run.outcome}: {run.stopped_by or 'not said'}"]
        failure.text = plain_lines([*ended, *_reasons(attempt, found)])
    output = ElementTree.SubElement(case, "system-out")
    where = " on simulated hardware" if run.simulated else ""
    output.text = plain_lines([f"run {run.run}{where}", *(s.what for s in found.shapes if s.run == run.run)])
    return case


def _add_properties(case: ElementTree.Element, attempt: Attempt, found: QaFinding) -> None:
    """Add what a line's server can chart: each judged figure with its uncertainty, who, where, why again."""
    run = attempt.run
    figures = {name: run.metrics.get(name) for name, metric in found.metrics.items() if metric.has_limit}
    pairs = {
        "run": run.run,
        "bench": run.bench,
        "operator": run.operator,
        "rework": run.rework,
        "room_c": run.ambient_c,
    }
    for name, figure in figures.items():
        if figure is not None and figure.value is not None:
            pairs[name] = f"{figure.value:.7g}"
            pairs[f"{name} u95"] = None if figure.u95 is None else f"{figure.u95:.7g}"
    known = {key: plain_line(str(value)) for key, value in pairs.items() if value not in (None, "")}
    properties = ElementTree.SubElement(case, "properties")
    for key, value in known.items():
        ElementTree.SubElement(properties, "property", name=key, value=value)


def _steadiness(found: QaFinding) -> ElementTree.Element:
    """Return a test of the batch as a whole: did it stay the same while it was measured."""
    name = "the batch stayed the same while it was measured"
    case = ElementTree.Element("testcase", classname=plain_line(found.profile.name), name=name)
    if found.steady is None:
        ElementTree.SubElement(case, "skipped", message="too few units to tell")
    elif not found.steady:
        failure = ElementTree.SubElement(case, "failure", type="not-steady", message=plain_line(verdict_words(found)))
        failure.text = plain_lines([f"{metric}: {words}" for metric, words in found.changed])
    return case


def _reasons(attempt: Attempt, found: QaFinding) -> list[str]:
    """Return a line for each threshold that this run does not pass."""
    lines = []
    for threshold in found.profile.thresholds:
        figure = attempt.run.metrics.get(threshold.metric)
        verdict = judge_figure(figure, threshold.minimum, threshold.maximum)
        if verdict is Verdict.PASS:
            continue
        limits = "" if threshold.minimum is None else f", at least {threshold.minimum:g}"
        limits += "" if threshold.maximum is None else f", at most {threshold.maximum:g}"
        value = "no figure" if figure is None or figure.value is None else f"{figure.value:.4g} {figure.unit}"
        spread = "" if figure is None or figure.u95 is None or figure.value is None else f" ± {figure.u95:.2g}"
        why = "" if figure is None else plain_line(figure.why_no_pass or figure.note)
        lines.append(
            f"{threshold.metric}: {value}{spread}{limits}: {plain_word(verdict)}" + (f" ({why})" if why else "")
        )
    return lines


def _skipped(item: ExcludedRun, profile: str) -> ElementTree.Element:
    case = ElementTree.Element(
        "testcase", classname=plain_line(profile), name=f"{plain_line(item.unit)} (run {plain_line(item.run)})"
    )
    ElementTree.SubElement(case, "skipped", message=plain_line(item.why))
    return case
