"""The plain sentences at the top, in the report's words."""

from __future__ import annotations

from typing import NamedTuple

from verifyrig.analysis.climb_end import climb_end
from verifyrig.analysis.results import Metric
from verifyrig.core.event_kind import EventKind
from verifyrig.core.profile import StageKind
from verifyrig.jobs.fitness_model import Code, FaultHeadline, code_of
from verifyrig.metrology.verdict import Verdict
from verifyrig.report.choose import main_channel
from verifyrig.report.early_end import forecast_in
from verifyrig.report.fitness import clause, danger_sentences, headline_sign, missing_sentences
from verifyrig.report.inputs import ReportInput, RunInput
from verifyrig.report.limits import gate_maximum_c, nearest_to_trip, trip_maximum_c
from verifyrig.report.names import channel_label, metric_label, outcome_words, subject
from verifyrig.report.story import RunStory, story_of
from verifyrig.report.timeline import highest, load_spans, loaded_s, main_load, value_at
from verifyrig.report.timeline import last_s as last_s_of
from verifyrig.report.wording import Words
from verifyrig.runs.last_moments import last_moments


class Finding(NamedTuple):
    """The top of the page: word, shape, tone of colour, sentences."""

    word: str
    shape: str
    tone: str
    dangers: list[str]
    now: list[str]
    before: list[str]
    remarks: list[str]
    missing: list[str]

    @property
    def sentences(self) -> list[str]:
        """All of them, what matters most first."""
        return [*self.dangers, *self.now, *self.before, *self.remarks, *self.missing]

    @property
    def text(self) -> str:
        """The sentences as one text."""
        return " ".join(self.sentences)


def finding_of(report: ReportInput, words: Words) -> Finding:
    """Return word, shape and sentences that say what was found."""
    sign = headline_sign(report, words)
    now, before = _of_runs(report, words)
    return Finding(
        sign.word,
        sign.shape,
        sign.tone,
        dangers=danger_sentences(report, words),
        now=now,
        before=before,
        remarks=_remarks(report, words) if report.runs else [],
        missing=missing_sentences(report, words) if report.before_run is not None else [],
    )


def _of_runs(report: ReportInput, words: Words) -> tuple[list[str], list[str]]:
    """Return what is said of the run after the repair, and of the one before; one alone is told as it came in."""
    before, after = report.before_run, report.after_run
    if before is None:
        return [], [] if report.runs else [words.t("No run has been made in this job yet.")]
    channel = main_channel(before, after)
    if after is None:
        return [], [alone_sentence(before, channel, words)]
    return [now_sentence(after, channel, words)], [before_sentence(before, channel, words)]


_REMARKS = {
    Code.NOT_MEASURED_AGAIN: "The machine was changed since, and has not been measured again.",
    Code.NO_VERDICT: "No limit was set for this run, or one could not be judged: it shows how the machine is.",
}


def _remarks(report: ReportInput, words: Words) -> list[str]:
    fitness = report.fitness
    said = [words.t(_REMARKS[code]) for code in map(code_of, fitness.blockers) if code in _REMARKS]
    broken = (Code.RECORD_ALTERED, Code.RECORD_DAMAGED, Code.RECORD_UNSEALED)
    said += [
        clause(reason, words)[:1].upper() + clause(reason, words)[1:] + "."
        for reason in fitness.blockers
        if code_of(reason) in broken
    ]
    if any(run.contradictions for run in (report.before_run, report.after_run) if run is not None):
        said.append(
            words.t("Some readings contradict each other, so not all of them can be right; they are named behind.")
        )
    if fitness.headline is FaultHeadline.NO_FAULT_SEEN and report.job is not None and report.job.complaint:
        said.append(words.t("The fault that was described did not show on the bench; it is not excluded."))
    return said


def now_sentence(run: RunInput, channel: str | None, words: Words) -> str:
    """Return the sentence on the run after the repair."""
    story = story_of(run)
    if story in (RunStory.PASSED, RunStory.OPEN):
        return _ran(run, channel, words, words.t("Now"))
    return _ended_early(run, channel, words, words.t("Now"))


def before_sentence(run: RunInput, channel: str | None, words: Words) -> str:
    """Return the sentence on the run before the repair."""
    story = story_of(run)
    if story is RunStory.PASSED:
        return words.t("Before, it stayed within its limits as well.")
    if story in (RunStory.FAILED, RunStory.OPEN):
        return _ran(run, channel, words, words.t("Before"))
    return _ended_early(run, channel, words, words.t("Before"))


def alone_sentence(run: RunInput, channel: str | None, words: Words) -> str:
    """Return the sentence on the only run there is."""
    if story_of(run) in (RunStory.PASSED, RunStory.OPEN, RunStory.FAILED):
        return _ran(run, channel, words, words.t("As it came in"))
    return _ended_early(run, channel, words, words.t("As it came in"))


def _ran(run: RunInput, channel: str | None, words: Words, when: str) -> str:
    """Return "Now: 20 min of load, run to the end; the processor settles at 68 ± 1 °C, 24 K below its trip limit."."""
    parts = [_load_clause(run, words)]
    if channel is not None:
        parts.append(_temperature_clause(run, channel, words))
    failed = [limit.metric for limit in run.limits if limit.verdict is Verdict.FAIL]
    parts += [words.t("{what} is outside what we accept", what=metric_label(name, words)) for name in failed[:1]]
    return f"{when}: " + "; ".join(part for part in parts if part) + "."


def _load_clause(run: RunInput, words: Words) -> str:
    seconds = loaded_s(run.trace)
    if seconds <= 0:
        return words.t("measured idle only, no load was run")
    return words.t("{duration} of load, run to the end", duration=words.duration(seconds))


def _temperature_clause(run: RunInput, channel: str, words: Words) -> str:
    settled = settled_under_load(run, channel)
    label = subject(channel, words)
    limit_c = trip_maximum_c(run, channel)
    if settled is not None:
        value, u95 = settled
        said = words.t("{what} settles at {temperature}", what=label, temperature=words.temperature(value, u95))
    else:
        peak = highest(run.trace, channel)
        if peak is None:
            return ""
        value = peak[1]
        said = words.t("{what} reached {temperature}", what=label, temperature=words.temperature(value))
        if _is_unsettled(run, channel):
            said = words.t(
                "{what} reached {temperature} and had not settled", what=label, temperature=words.temperature(value)
            )
    if limit_c is not None and value < limit_c:
        gap = words.difference(limit_c - value, decimals=0)
        said += words.t(", {gap} below its trip limit", gap=gap)
    return said + _nearer(run, channel, None if limit_c is None else limit_c - value, words)


def _nearer(run: RunInput, channel: str, remaining_k: float | None, words: Words) -> str:
    """Return which other temperature came nearer to its trip limit than the one named; empty where none did."""
    nearest = nearest_to_trip(run)
    if (
        nearest is None
        or nearest[0] == channel
        or (remaining_k is not None and nearest[1] >= remaining_k)
        or nearest[1] <= 0
    ):
        return ""
    gap = words.difference(nearest[1], decimals=0)
    return words.t("; nearest to its trip limit: {what}, {gap} left", what=channel_label(nearest[0], words), gap=gap)


def settled_under_load(run: RunInput, channel: str) -> tuple[float, float | None] | None:
    """Return settled temperature and u95 of the stage with the longest load; None where it did not settle."""
    metric = _settled_metric(run, channel)
    if metric is None or metric.settled is False or metric.number is None:
        return None
    return metric.number, metric.u95


def _is_unsettled(run: RunInput, channel: str) -> bool:
    metric = _settled_metric(run, channel)
    return metric is not None and metric.settled is False


def _settled_metric(run: RunInput, channel: str) -> Metric | None:
    span = main_load(run.trace)
    if span is None:
        return None
    stage = next(
        (
            s
            for s in run.trace.stages
            if s.kind == StageKind.LOAD and s.start_s <= span.from_s + 1e-9 < (s.end_s or 1e12)
        ),
        None,
    )
    return run.metrics.get(f"{stage.name}.{channel}.settled") if stage is not None else None


def _ended_early(run: RunInput, channel: str | None, words: Words, when: str) -> str:
    story, trace = story_of(run), run.trace
    span = main_load(trace)
    peak = highest(trace, channel) if channel is not None else None
    hot = words.temperature(peak[1]) if peak is not None else words.t("an unknown temperature")
    if story is RunStory.GATE:
        return _gate_sentence(run, channel, when, hot, words)
    if story is RunStory.DARK:
        return _dark_sentence(run, channel, when, words)
    if story is RunStory.TRIPPED and span is not None:
        return words.t(
            "{when}: the load had to be ended after {duration}, at up to {hot}.",
            when=when,
            duration=words.duration(span.length_s),
            hot=hot,
        )
    climbed = _climbed(run, when, words)
    if climbed:
        return climbed
    if any(event.kind == EventKind.LOAD_REFUSED and forecast_in(event.why) is not None for event in trace.events):
        return words.t("{when}: no full load was run, as idle and pulses forecast too much heat under it.", when=when)
    return f"{when}: {outcome_words(run.outcome, run.trace.recorded.cause_class, words)}."


def _dark_sentence(run: RunInput, channel: str | None, when: str, words: Words) -> str:
    """Return where the run ended, as the record's last moments have it: the last load counts, not the longest."""
    trace, moments = run.trace, last_moments(run.trace)
    last_c = value_at(trace, channel, last_s_of(trace)) if channel is not None else None
    last = words.temperature(last_c) if last_c is not None else words.t("an unknown temperature")
    if moments.load_s is not None:
        into = words.duration(moments.load_s)
        return words.t(
            "{when}: it went dark {duration} into the load, last seen at {hot}.", when=when, duration=into, hot=last
        )
    loads = load_spans(trace)
    if loads:
        since = words.duration(moments.end_s - loads[-1].to_s)
        return words.t(
            "{when}: it went dark {duration} after the load, last seen at {hot}.", when=when, duration=since, hot=last
        )
    return words.t("{when}: it went dark while idle, last seen at {hot}.", when=when, hot=last)


def _climbed(run: RunInput, when: str, words: Words) -> str:
    """Return how far a load climbed that did not come to its full share; empty where none did so."""
    ends = (climb_end(run.trace, stage) for stage in run.trace.stages)
    end = next((end for end in ends if end is not None and end.why is not None and not end.reached), None)
    if end is None:
        return ""
    said = words.t(
        "{when}: the load went up to {share} of the full one and no further, for safety.",
        when=when,
        share=words.share(end.share),
    )
    if end.full_c is None:
        return said
    return f"{said} " + words.t(
        "At full load {what} would settle at {full}.",
        what=subject(end.channel, words),
        full=words.temperature(end.full_c, end.full_u95_k),
    )


def _gate_sentence(run: RunInput, channel: str | None, when: str, hot: str, words: Words) -> str:
    said = words.t("{when}: stopped while idle for safety; no load was run.", when=when)
    limit_c = gate_maximum_c(run, channel) if channel is not None else None
    if limit_c is None or channel is None:
        return said
    return f"{said} " + words.t(
        "By itself {what} came to {hot}; a load is started only below {limit}.",
        what=subject(channel, words),
        hot=hot,
        limit=words.temperature(limit_c, decimals=0),
    )
