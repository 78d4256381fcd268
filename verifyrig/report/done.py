"""What was done to the machine, what was seen by hand, and what was not tested."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from verifyrig.core.event_kind import EventKind
from verifyrig.core.outcome import StageEnd
from verifyrig.core.reason import reason
from verifyrig.jobs.fitness_model import Code, code_of
from verifyrig.jobs.fitness_text import points_open_at
from verifyrig.jobs.model import PHOTOS, PHOTOS_BEFORE
from verifyrig.jobs.vocabulary import CHANGE_KINDS, OLD_PARTS
from verifyrig.metrology.verdict import Verdict
from verifyrig.report.choose import runs_since_last_change
from verifyrig.report.fitness import open_point
from verifyrig.report.inputs import Entry, ReportInput, RunInput
from verifyrig.report.names import metric_label, metric_parts, stage_label
from verifyrig.report.reasons import reason_text
from verifyrig.report.wording import Words

_CODED = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")


class Done(NamedTuple):
    """One line of the work list."""

    when: str
    what: str
    facts: list[tuple[str, str]]


class HandledPart(NamedTuple):
    """One part that stays in the machine, or was tried in it."""

    name: str
    lot: str
    price: str
    warranty: str
    note: str


_FACT_WORDS = {
    "part": "part",
    "lot": "lot",
    "price": "price",
    "warranty_months": "warranty",
    "before": "before",
    "after": "after",
    "setting": "setting",
    "photos": "photos",
    "photos_before": "photos of before",
    "agreed": "customer agreed",
    "note": "note",
    "serial": "serial",
    "by": "by",
    "value": "value",
    "unit": "unit",
    "u95": "uncertainty",
    "typed": "typed in by hand",
    "new_mount": "cooler seated anew",
    "to": "to",
    "old_parts": "old parts",
    "signature": "signature",
    "override": "against a rule, because",
    "refused": "still open then",
    "reason": "reason",
    "minutes": "minutes",
    "name": "name",
    "digest": "digest",
    "emptied": "now empty",
    "text": "text",
}


def done_lines(entries: Iterable[Entry], words: Words) -> list[Done]:
    """Return changes or findings as lines: time, kind, and the facts noted with them."""
    return [_done(entry, words) for entry in entries]


def _done(entry: Entry, words: Words) -> Done:
    detail = dict(entry.detail)
    if "refused" in detail:
        detail["refused"] = [open_point(point, words) for point in points_open_at(detail)]
        detail.pop("reasons", None)
    what = change_words(entry.what, words)
    if "value" in detail:
        # A finding says what was seen; a reading typed by hand carries its unit and uncertainty.
        what = f"{what}: {_typed(detail, words)}"
        detail = {key: value for key, value in detail.items() if key not in ("value", "unit", "u95")}
    return Done(words.moment(entry.utc_s), what, _facts(detail, words))


def _typed(detail: Mapping[str, Any], words: Words) -> str:
    value, u95 = detail["value"], detail.get("u95")
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return words.quantity(
            float(value), str(detail.get("unit") or ""), float(u95) if isinstance(u95, (int, float)) else None
        )
    return plain(value, words)


def _facts(detail: Mapping[str, Any], words: Words) -> list[tuple[str, str]]:
    facts = [(key, value) for key, value in detail.items() if value not in (None, "", [], ())]
    return [
        (words.t(_FACT_WORDS[key]) if key in _FACT_WORDS else key, _fact(key, value, words)) for key, value in facts
    ]


def _fact(key: str, value: Any, words: Words) -> str:
    if key == "warranty_months" and isinstance(value, int):
        return words.n("{count} month", "{count} months", value)
    if key in (PHOTOS, PHOTOS_BEFORE) and isinstance(value, list | tuple):
        return words.number(len(value))
    return plain(value, words)


def change_words(kind: str, words: Words) -> str:
    """Return a kind of change in words; a word of a fixed list as it is spoken."""
    return reason_text(reason(f"change-{kind}"), words) if kind in CHANGE_KINDS else coded(kind, words)


def coded(word: str, words: Words) -> str:
    """Return words of a fixed list (`switches-off, hot`) as they are spoken; any other text unchanged."""
    several = word.split(", ")
    if len(several) > 1:
        return ", ".join(coded(one, words) for one in several)
    return words.known(word.replace("-", " ") if _CODED.fullmatch(word) else word)


def plain(value: Any, words: Words) -> str:
    """Return a value of a job or a record as text: yes and no, numbers in the language's form, lists with commas."""
    if isinstance(value, bool):
        return words.t("yes") if value else words.t("no")
    if isinstance(value, (int, float)):
        return words.number(value, 0 if float(value).is_integer() else 2)
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {plain(one, words)}" for key, one in value.items())
    if isinstance(value, (list, tuple)):
        return ", ".join(plain(one, words) for one in value)
    return coded(str(value), words)


def parts_of(report: ReportInput, words: Words) -> list[HandledPart]:
    """Return every part that a change names."""
    changes = report.job.of_kind("change") if report.job is not None else ()
    ends = dict(report.job.warranties) if report.job is not None else {}
    return [_part(entry, words, ends) for entry in changes if entry.detail.get("part")]


def _part(entry: Entry, words: Words, ends: Mapping[str, str]) -> HandledPart:
    detail = entry.detail
    months = detail.get("warranty_months")
    warranty = words.t("none noted")
    if isinstance(months, int):
        warranty = words.n("{count} month", "{count} months", months)
        until = ends.get(str(detail["part"])) if entry.what == "part-replaced" else None
        warranty += ", " + (words.t("until {day}", day=words.day(until)) if until else words.t("from the pickup on"))
    return HandledPart(
        str(detail["part"]),
        plain(detail.get("lot") or "–", words),
        plain(detail.get("price") or "–", words),
        warranty,
        change_words(entry.what, words),
    )


def old_parts_words(report: ReportInput, words: Words) -> str:
    """Return what became of the old parts; empty before the pickup."""
    answer = str(report.job.handover.get("old_parts") or "") if report.job is not None else ""
    return words.t(OLD_PARTS[answer]) if answer in OLD_PARTS else ""


def not_tested(report: ReportInput, words: Words) -> list[str]:
    """Return what nothing in this report speaks of, most important first."""
    said = []
    if report.simulated:
        said.append(words.t("A real machine: these figures come from simulated hardware."))
    run = report.after_run or report.before_run
    if run is not None:
        said += _stages_left_out(run, words)
        said += _disturbed_idle_stages(run, words) + _targets_not_held(run, words)
        said += _thresholds_without_figure(run, words)
    said += rarely(report, words) + _wrong_results_bound(report, words)
    works = {
        stage.load.work for one in report.runs if one.trace.profile for stage in one.trace.profile.stages if stage.load
    }
    said.append(words.t("Your own programs and games, and how the machine is used at home."))
    if not any(mark in work for work in works for mark in ("graphics", "gpu")):
        said.append(words.t("The graphics card under load."))
    if not any(mark in work for work in works for mark in ("memory", "march")):
        said.append(words.t("The memory, beyond what the load used of it."))
    said.append(words.t("Drives and the data on them, network, battery, screen, ports."))
    return said


def rarely(report: ReportInput, words: Words) -> list[str]:
    """Return what the clean hours under load do not exclude (rule of three, 95 %); empty where no load went well."""
    from verifyrig.jobs.soak import rate_not_excluded_per_h

    complaint, clean = report.fitness.complaint, report.fitness.clean
    spent_s = complaint.spent(clean).total_s
    if spent_s <= 0:
        return []
    if any(code_of(reason) is Code.CLEAN_USE for reason in report.fitness.missing):
        return []  # the finding itself says it, with how long it takes
    every_h = 1.0 / rate_not_excluded_per_h(spent_s / 3600)
    return [
        words.t(
            "A fault that comes less often than once in {time} of load (not excluded at 95 %).",
            time=words.duration(every_h * 3600),
        )
    ]


def _wrong_results_bound(report: ReportInput, words: Words) -> list[str]:
    """Return what clean checks do not exclude; empty where no result was checked, or one was wrong."""
    from verifyrig.capability import zero_events_bound

    runs = runs_since_last_change(report)
    checks = sum(
        int(event.detail.get("checks_done", 0))
        for run in runs
        for event in run.trace.events
        if event.kind == EventKind.LOAD
    )
    if not checks or any(_wrong_results(run) for run in runs):
        return []
    return [
        words.t(
            "Wrong results that come less often than once in {every} (none in {checks} that were checked under load;"
            " not excluded at 95 %).",
            every=words.number(1 / zero_events_bound(checks)),
            checks=words.number(checks),
        )
    ]


def _wrong_results(run: RunInput) -> bool:
    errors = run.trace.columns.get("compute_errors")
    return errors is not None and bool((errors > 0).any())


def _left_out(run: RunInput) -> list[str]:
    """Return the stages of the plan that were not run."""
    ran = {stage.name: stage.ended for stage in run.trace.stages}
    planned = [stage.name for stage in run.trace.profile.stages] if run.trace.profile is not None else []
    return [name for name in planned if ran.get(name, StageEnd.SKIPPED) == StageEnd.SKIPPED]


def _stages_left_out(run: RunInput, words: Words) -> list[str]:
    left = _left_out(run)
    if not left:
        return []
    names = words.listed([stage_label(name, words) for name in left])
    return [words.t("These parts of the plan were not run: {stages}.", stages=names)]


def _disturbed_idle_stages(run: RunInput, words: Words) -> list[str]:
    found = [event.detail for event in run.trace.events if event.kind == EventKind.IDLE_DISTURBED]
    return [
        words.t(
            "The stage “{stage}” without background load: other programs kept {share} of the processor busy.",
            stage=stage_label(str(detail.get("stage")), words),
            share=words.share(float(detail.get("busy_share", 0.0))),
        )
        for detail in found
    ]


def _targets_not_held(run: RunInput, words: Words) -> list[str]:
    """A load that was to hold a power or a temperature and did not: without a reading it keeps a fixed share."""
    why = {
        event.why or str(event.detail.get("why")): event.t_s
        for event in run.trace.events
        if event.kind == EventKind.HOLD_LIMITED
    }
    return [
        words.t(
            "The power or temperature that was to be held in {stage}: {why}.",
            stage=stage_label(stage.name, words),
            why=reason_text(reason, words),
        )
        for reason, t_s in why.items()
        for stage in run.trace.stages
        if stage.start_s <= t_s and (stage.end_s is None or t_s < stage.end_s)
    ]


def _thresholds_without_figure(run: RunInput, words: Words) -> list[str]:
    """Return the limits without a figure; that a stage was not run has been said already."""
    left = _left_out(run)
    missing = [limit.metric for limit in run.limits if limit.verdict is Verdict.NOT_MEASURED]
    names = [name for name in missing if metric_parts(name)[0] not in left]
    labels = [f"{metric_label(name, words)} ({stage_label(metric_parts(name)[0], words)})" for name in names]
    return [words.t("No verdict for want of a figure: {metrics}.", metrics=words.listed(labels))] if labels else []
