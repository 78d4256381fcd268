"""What the templates are filled with: finished texts, pictures and rows for the report and the slip."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from verifyrig.core.outcome import Outcome
from verifyrig.core.plain_text import plain_line
from verifyrig.jobs.fitness_model import Status
from verifyrig.report import fitness, metric_rows, run_rows, safety, sentences, svg, tables
from verifyrig.report.choose import main_channel
from verifyrig.report.conditions import attestation_lines, condition_rows, instrument_rows
from verifyrig.report.event_rows import event_rows
from verifyrig.report.exposure import exposure_lines
from verifyrig.report.figures import further_figures, key_sides, main_picture
from verifyrig.report.front_page import front_page
from verifyrig.report.headline import headlines
from verifyrig.report.inputs import JobFacts, ReportInput
from verifyrig.report.job_part import job_values, noted, slip_machine
from verifyrig.report.method import method_lines
from verifyrig.report.names import channel_label, stage_label
from verifyrig.report.opinion import experience_sentence, opinion_sentence, share_rows, substitution_lines, suspect_rows
from verifyrig.report.photos import photo_cells, photos_not_shown
from verifyrig.report.plot import AFTER, ALONE, BEFORE
from verifyrig.report.proof import proof_of
from verifyrig.report.reasons import reason_text
from verifyrig.report.required import required_items
from verifyrig.report.wording import Words

_MOST_BAD = 40


class SignatureLine(NamedTuple):
    """One line to sign on: the role, and who and when where that is known."""

    role: str
    name: str
    when: str


def report_values(report: ReportInput, words: Words, now_utc: float, *, archive: bool) -> dict[str, object]:
    """Return all values of the report's template."""
    channel = main_channel(report.before_run, report.after_run)
    finding = sentences.finding_of(report, words)
    values = _common(report, finding, words, now_utc)
    values |= {
        "title": words.t("Report on a machine tested on the bench"),
        "edition_word": words.t("shop archive, with all details") if archive else words.t("for the customer"),
        "archive": archive,
        "picture": main_picture(report, channel, finding, words) if channel is not None else None,
        "figures": further_figures(report, words),
        "headlines": headlines(report, words),
        "columns": [words.t(side.word) for side in key_sides(report)],
        "two_runs": report.before_run is not None and report.after_run is not None,
        "photos": photo_cells(report, words, archive=archive),
        "photos_not_shown": photos_not_shown(report, words, archive=archive),
        "thresholds": tables.threshold_rows(report, words),
        "stages": tables.stage_rows(report, words),
        "exposure": exposure_lines(report, words),
        "comparison": tables.compare_rows(report, words),
        "runs": run_rows.run_rows(report, channel, words),
        "runs_sentence": _runs_sentence(report, words),
        "unreadable": report.unreadable,
        "unmeasured": metric_rows.unmeasured_rows(report, words),
        "not_armed": metric_rows.not_armed_words(report, words),
        "not_watched": [
            *metric_rows.not_watched_words(report, words),
            *metric_rows.probe_words(report, words, archive=archive),
        ],
        "blind": any(run.trace.recorded.blind for run in report.runs),
        "bad_readings": _bad_readings(report, words),
        "contradictions": _contradictions(report, words),
        "conditions": condition_rows(report, words),
        "instruments": instrument_rows(report, words, archive=archive),
        "opinion": opinion_sentence(report, words),
        "suspects": suspect_rows(report, words) if archive else [],
        "substitutions": substitution_lines(report, words) if archive else [],
        "shares": share_rows(report, words) if archive else [],
        "experience": experience_sentence(report, words) if archive else "",
        "attestations": attestation_lines(report, words),
        "method": method_lines(report, words),
        "required": required_items(words),
        "profile_cautions": safety.profile_cautions(report, words),
        "metrics": metric_rows.metric_rows(report, words) if archive else [],
        "events": event_rows(report, words) if archive else [],
        "noted": noted(report, words) if archive else [],
        **job_values(report, words),
    }
    return values


def slip_values(report: ReportInput, words: Words, now_utc: float) -> dict[str, object]:
    """Return all values of the slip's template."""
    status = fitness.status_sign(report, words)
    values = _common(report, sentences.finding_of(report, words), words, now_utc)
    values |= {
        "title": words.t("Pickup slip"),
        "edition_word": words.t("for the counter"),
        "ready_word": status.word,
        "ready_tone": status.tone,
        "ready_shape": status.shape,
        "hand_over": report.fitness.releasable,
        "hand_over_because": fitness.hand_over_reason(report, words),
        "slip_machine": slip_machine(report, words),
    }
    return values


def _common(report: ReportInput, finding: sentences.Finding, words: Words, now_utc: float) -> dict[str, object]:
    return {
        "draft": fitness.draft_of(report, words),
        "shop": report.shop,
        "number": report.number,
        "issued": words.moment(now_utc),
        "tool_version": report.tool_version,
        "machine_short": plain_line(_machine_of(report.job).get("description", "")),
        "simulated": report.simulated,
        "finding": finding,
        "front": front_page(report, finding, words),
        "first_rule": safety.first_rule(words),
        "cautions": safety.cautions(report, words),
        "signatures": _signatures(report, words),
        # A draft is signed by nobody; its records stand with their digests further behind.
        "proof": proof_of(report, words) if report.fitness.status is not Status.NOT_FIT else None,
    }


def _machine_of(job: JobFacts | None) -> dict[str, str]:
    return dict(job.machine) if job is not None else {}


def _signatures(report: ReportInput, words: Words) -> list[SignatureLine]:
    handover = report.job.handover if report.job is not None else {}
    when = handover.get("utc_s")
    customer = (report.job.customer if report.job is not None else {}).get("name", "")
    operator = plain_line(report.shop.operator, 60)
    taken = plain_line(str(handover.get("to") or customer), 60)
    moment = words.moment(float(when)) if isinstance(when, (int, float)) else ""
    if report.fitness.releasable:
        roles = (words.t("Tested and released by"), words.t("Received by"))
    elif report.fitness.status is Status.NOT_FIT:
        # A draft is signed by nobody as received: the machine stays.
        return [SignatureLine(words.t("Tested by"), operator, "")]
    else:
        roles = (words.t("Tested by"), words.t("Taken back, not as fit for use, by"))
    return [SignatureLine(roles[0], operator, ""), SignatureLine(roles[1], taken, moment)]


def _runs_sentence(report: ReportInput, words: Words) -> str:
    count = len(report.runs)
    early = sum(run.outcome != Outcome.COMPLETED for run in report.runs)
    said = words.n("There is {count} run.", "There are {count} runs.", count)
    if early:
        said += " " + words.n(
            "{count} of them did not go to its end.", "{count} of them did not go to their end.", early
        )
    return said + " " + words.t("Nothing is left out.")


def _bad_readings(report: ReportInput, words: Words) -> list[str]:
    kinds = {
        "stale": words.t("too old"),
        "stuck": words.t("stuck"),
        "implausible": words.t("implausible"),
        "missing": words.t("missing"),
    }
    found: dict[tuple[str, str, str], list[float]] = {}
    for run in report.runs:
        for interval in run.trace.qualities:
            key = (run.run_id, interval.channel, interval.quality)
            found.setdefault(key, []).append(interval.to_s - interval.from_s)
    lines = [
        words.t(
            "{what}: {kind}, {times}, {duration} in all ({run})",
            what=channel_label(channel, words),
            kind=kinds.get(quality, quality),
            times=words.n("{count} time", "{count} times", len(lengths)),
            duration=words.duration(sum(lengths)) if sum(lengths) >= 0.5 else words.t("less than 1\u202fs"),
            run=run_id,
        )
        for (run_id, channel, quality), lengths in found.items()
    ]
    if len(lines) > _MOST_BAD:
        rest = len(lines) - _MOST_BAD
        lines = [*lines[:_MOST_BAD], words.n("and {count} further line", "and {count} further lines", rest)]
    return lines


def _contradictions(report: ReportInput, words: Words) -> list[str]:
    """Return the readings that cannot all be true, each pair once a run with the stages where it shows."""
    lines = []
    for run in report.runs:
        stages: dict[tuple[str, str], list[str]] = {}
        for one in run.contradictions:
            stages.setdefault((one.colder, one.warmer), []).append(stage_label(one.stage, words))
        for pair, names in stages.items():
            first = next(one for one in run.contradictions if (one.colder, one.warmer) == pair)
            why = reason_text(first.why, words)
            lines.append(f"{why[:1].upper()}{why[1:]} ({', '.join(names)}; {run.run_id})")
    return lines


def shapes() -> Mapping[str, str]:
    """Return the marks of verdicts by name, drawn around the origin in the current colour."""
    from markupsafe import Markup

    filled: dict[str, str | float] = {"fill": "currentColor", "stroke": "currentColor", "stroke_width": 2}
    hollow: dict[str, str | float] = {"fill": "none", "stroke": "currentColor", "stroke_width": 3}
    drawn = {
        "disc": svg.marker("disc", 0, 0, 9, **filled),
        "ring": svg.marker("ring", 0, 0, 8.5, **hollow),
        "triangle": svg.marker("triangle", 0, 0, 9, **filled),
        "hollow-triangle": svg.marker("hollow-triangle", 0, 0, 8.5, **hollow),
        "diamond": svg.marker("diamond", 0, 0, 8, **hollow),
    }
    return {name: Markup(text) for name, text in drawn.items()}


def key_lines() -> Mapping[str, str]:
    """Return, by the word of a run, the sample of its line with dash and marker."""
    from markupsafe import Markup

    drawn = {}
    for side in (BEFORE, AFTER, ALONE):
        mark = svg.marker(
            side.mark,
            21,
            6,
            3.6,
            fill=svg.PAPER if side.mark == "square" else side.stroke,
            stroke=side.stroke,
            stroke_width=1.8,
        )
        drawn[side.word] = Markup(
            svg.line(0, 6, 42, 6, stroke=side.stroke, stroke_width=2.4, stroke_dasharray=side.dash) + mark
        )
    return drawn
