"""What the job says: machine and customer, work, findings, everything noted."""

from __future__ import annotations

from collections.abc import Sequence

from verifyrig.core.plain_text import plain_line
from verifyrig.jobs.vocabulary import CAUSES
from verifyrig.report import done
from verifyrig.report.conditions import machine_word
from verifyrig.report.fitness import open_point
from verifyrig.report.inputs import Entry, JobFacts, ReportInput
from verifyrig.report.reasons import reason_text
from verifyrig.report.wording import Words

_MOST_DONE = 4


def done_short(report: ReportInput, words: Words) -> list[str]:
    """Return the changes in a line each, none of them cut; what is left out is counted."""
    changes = report.job.of_kind("change") if report.job is not None else ()
    lines = done.done_lines(changes, words)
    shown = len(lines) if len(lines) <= _MOST_DONE else _MOST_DONE - 1
    said = [
        plain_line(_done_line(line, change, words)) for line, change in list(zip(lines, changes, strict=True))[:shown]
    ]
    if len(lines) > shown:
        said.append(words.n("and {count} further, see behind", "and {count} further, see behind", len(lines) - shown))
    return said


def _done_line(line: done.Done, change: Entry, words: Words) -> str:
    """One change in a few words: what, part or setting, from what to what."""
    detail = change.detail
    said = [done.plain(detail[key], words) for key in ("part", "setting", "note") if detail.get(key)]
    if detail.get("before") or detail.get("after"):
        said.append(f"{done.plain(detail.get('before', '–'), words)} → {done.plain(detail.get('after', '–'), words)}")
    what = line.what[:1].upper() + line.what[1:]
    return what + (": " + ", ".join(said) if said else "")


def noted(report: ReportInput, words: Words) -> list[tuple[str, str, str, str]]:
    """Everything that was noted in the job, in its order."""
    lines = [(entry, done.done_lines([entry], words)[0]) for entry in (report.job.entries if report.job else ())]
    return [
        (line.when, words.known(entry.kind), line.what, "; ".join(f"{name} {value}" for name, value in line.facts))
        for entry, line in lines
    ]


def job_values(report: ReportInput, words: Words) -> dict[str, object]:
    job = report.job
    if job is None:
        names = ("answers", "findings", "done", "machine", "parts", "protective_steps")
        empty: dict[str, object] = {name: [] for name in names}
        return {"job": False, "complaint": "", "old_parts": "", **empty}
    return {
        "job": True,
        "complaint": job.complaint,
        "answers": [(reason_text(question, words), done.coded(answer, words)) for question, answer in job.answers],
        "findings": done.done_lines(job.of_kind("finding"), words),
        "done": done.done_lines(job.of_kind("change"), words),
        "machine": _machine_rows(job, words),
        "parts": done.parts_of(report, words),
        "old_parts": done.old_parts_words(report, words),
        "protective_steps": [(reason_text(step, words), ticked) for step, ticked in job.protective_steps],
    }


def _machine_rows(job: JobFacts, words: Words) -> list[tuple[str, str]]:
    rows = [
        (f"{words.t('customer')}: {machine_word(key, words)}", value) for key, value in job.customer.items() if value
    ]
    rows += [
        (machine_word(key, words), words.known(value) if key == "kind" else value)
        for key, value in job.machine.items()
        if value
    ]
    if job.again:
        rows.append((words.t("came back from job"), job.again))
    rows += [
        (words.t("taken in on"), words.moment(job.opened_utc_s)),
        (words.t("accessories"), job.accessories or words.t("none noted")),
        (words.t("condition when it came in"), job.condition or words.t("not noted")),
    ]
    rows += [(reason_text(topic, words), done.coded(answer, words)) for topic, answer in job.consent]
    if job.cause:
        rows.append((words.t("cause, as closed by the technician"), words.t(CAUSES.get(job.cause, job.cause))))
    if job.same_cause:
        rows.append((words.t("the same cause again, as in job"), ", ".join(job.same_cause)))
    if job.override:
        rows.append((words.t("closed against a rule, because"), job.override))
        rows += [(words.t("still open then"), open_point(one, words)) for one in job.refused]
    return rows


def slip_machine(report: ReportInput, words: Words) -> list[tuple[str, str]]:
    job = report.job
    if job is None:
        return []
    rows: Sequence[tuple[str, str]] = [
        (words.t("customer"), job.customer.get("name", "")),
        (machine_word("ticket", words), job.customer.get("ticket", "")),
        (words.t("machine"), job.machine.get("description", "")),
        (machine_word("serial", words), job.machine.get("serial", "")),
        (words.t("accessories"), job.accessories),
    ]
    return [(name, plain_line(value, 120)) for name, value in rows if value]
