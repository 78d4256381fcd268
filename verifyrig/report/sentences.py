"""The plain sentence at the top, and the answer for the counter, in the report's words."""

from __future__ import annotations

from typing import NamedTuple

from verifyrig.report.choose import main_channel
from verifyrig.report.inputs import ReportInput, RunInput
from verifyrig.report.limits import gate_maximum_c, trip_maximum_c
from verifyrig.report.names import metric_label, outcome_words, subject, told
from verifyrig.report.standing import Blocker, Ready, Standing, State, Story, story_of
from verifyrig.report.timeline import highest, load_edge_s, loaded_s, main_load
from verifyrig.report.timeline import last_s as last_s_of
from verifyrig.report.wording import Words

_STATE_WORDS = {
    State.FIXED: "Fixed",
    State.WATCH: "Better, watch it",
    State.PASSED_NOW: "Within its limits now",
    State.NO_FAULT_SEEN: "No fault seen",
    State.NOT_COMPARABLE: "Works, not comparable",
    State.NOT_PROVEN: "Not proven",
    State.NOT_VERIFIED: "Not verified yet",
    State.FAULT_SEEN: "Fault seen",
    State.FAULT_REMAINS: "Fault remains",
    State.MEASURED: "Measured, not judged",
    State.NO_RUN: "Nothing measured yet",
}
# A round shape leans towards good, a pointed one towards bad; filled is proven, hollow is not.
STATE_SHAPES = {
    State.FIXED: "disc",
    State.WATCH: "ring",
    State.PASSED_NOW: "ring",
    State.NO_FAULT_SEEN: "ring",
    State.NOT_COMPARABLE: "ring",
    State.NOT_PROVEN: "diamond",
    State.NOT_VERIFIED: "diamond",
    State.FAULT_SEEN: "triangle",
    State.FAULT_REMAINS: "triangle",
    State.MEASURED: "diamond",
    State.NO_RUN: "diamond",
}
_READY_WORDS = {
    Ready.READY: "ready",
    Ready.WATCH: "ready, watch this",
    Ready.NOT_READY: "not ready: ask the technician",
}


_MOST_BLOCKERS = 3
# How the event of a refused load says that the forecast was too hot.
_TOO_HOT = "rest and pulses foresee"


class Finding(NamedTuple):
    """The top of the page: word, shape, tone of colour, sentences."""

    word: str
    shape: str
    tone: str
    sentences: list[str]

    @property
    def text(self) -> str:
        """The sentences as one text."""
        return " ".join(self.sentences)


_TONES = {Ready.READY: "proven", Ready.WATCH: "open", Ready.NOT_READY: "open"}


def finding_of(report: ReportInput, standing: Standing, words: Words) -> Finding:
    """Return word, shape and sentences that say what was found."""
    state = standing.state
    tone = "fault" if state in (State.FAULT_SEEN, State.FAULT_REMAINS) else _TONES[standing.ready]
    if state is State.FIXED:
        tone = "proven"
    return Finding(words.t(_STATE_WORDS[state]), STATE_SHAPES[state], tone, _sentences(report, state, words))


def _sentences(report: ReportInput, state: State, words: Words) -> list[str]:
    before, after = report.before_run, report.after_run
    if before is None:
        return [words.t("No run has been made in this job yet.")]
    channel = main_channel(before, after)
    if after is None:
        return [*_alone(before, channel, state, words)]
    said = [now_sentence(after, channel, words), before_sentence(before, channel, words)]
    return said + _remark(report, state, words)


def _alone(run: RunInput, channel: str | None, state: State, words: Words) -> list[str]:
    said = [alone_sentence(run, channel, words)]
    if state is State.NOT_VERIFIED:
        said.append(words.t("The machine was changed since, and has not been measured again."))
    if state is State.MEASURED:
        said.append(words.t("No limit was set for this run, or one could not be judged: it shows how the machine is."))
    return said


def _remark(report: ReportInput, state: State, words: Words) -> list[str]:
    if state is State.NOT_COMPARABLE:
        return [words.t("The two runs differ in their conditions: we show both and draw no conclusion from the gap.")]
    if state is State.NOT_VERIFIED:
        return [words.t("The machine was changed after the last run, and has not been measured again.")]
    if state is State.WATCH:
        return [words.t("It is closer to what we accept than we can measure apart: come back if it shows again.")]
    if state is State.NO_FAULT_SEEN and report.job is not None and report.job.complaint:
        return [words.t("The fault that was described did not show on the bench; it is not excluded.")]
    if state is State.PASSED_NOW:
        return [words.t("No change is recorded between the two runs, so we cannot say why.")]
    return []


def now_sentence(run: RunInput, channel: str | None, words: Words) -> str:
    """Return the sentence on the run after the repair."""
    story = story_of(run)
    if story in (Story.PASSED, Story.OPEN):
        return _ran(run, channel, words, words.t("Now"))
    return _ended_early(run, channel, words, words.t("Now"))


def before_sentence(run: RunInput, channel: str | None, words: Words) -> str:
    """Return the sentence on the run before the repair."""
    story = story_of(run)
    if story is Story.PASSED:
        return words.t("Before, it stayed within its limits as well.")
    if story in (Story.FAILED, Story.OPEN):
        return _ran(run, channel, words, words.t("Before"))
    return _ended_early(run, channel, words, words.t("Before"))


def alone_sentence(run: RunInput, channel: str | None, words: Words) -> str:
    """Return the sentence on the only run there is."""
    if story_of(run) in (Story.PASSED, Story.OPEN, Story.FAILED):
        return _ran(run, channel, words, words.t("As it came in"))
    return _ended_early(run, channel, words, words.t("As it came in"))


def _ran(run: RunInput, channel: str | None, words: Words, when: str) -> str:
    """Return "Now: 20 min of load, run to the end; the processor settles at 68 ± 1 °C, 24 K below its trip limit."."""
    parts = [_load_clause(run, words)]
    if channel is not None:
        parts.append(_temperature_clause(run, channel, words))
    failed = [t for t in run.summary.get("thresholds") or [] if t.get("verdict") == "fail"]
    parts += [_over_limit(threshold, words) for threshold in failed[:1]]
    return f"{when}: " + "; ".join(part for part in parts if part) + "."


def _load_clause(run: RunInput, words: Words) -> str:
    seconds = loaded_s(run.trace)
    if seconds <= 0:
        return words.t("measured at rest only, no load was run")
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
    if limit_c is None or value >= limit_c:
        return said
    gap = words.difference(limit_c - value, decimals=0)
    return said + words.t(", {gap} below its trip limit", gap=gap)


def settled_under_load(run: RunInput, channel: str) -> tuple[float, float | None] | None:
    """Return settled temperature and u95 of the stage with the longest load; None where it is not known."""
    span = main_load(run.trace)
    if span is None:
        return None
    stage = next(
        (s for s in run.trace.stages if s.kind == "load" and s.start_s <= span.from_s + 1e-9 < (s.end_s or 1e12)), None
    )
    metric = run.metrics.get(f"{stage.name}.{channel}.settled") if stage is not None else None
    if metric is None or not isinstance(metric.get("value"), (int, float)):
        return None
    return float(metric["value"]), metric.get("u95")


def _over_limit(threshold: object, words: Words) -> str:
    found = dict(threshold) if isinstance(threshold, dict) else {}
    return words.t("{what} is outside what we accept", what=metric_label(str(found.get("metric", "")), words))


def _ended_early(run: RunInput, channel: str | None, words: Words, when: str) -> str:
    story, trace = story_of(run), run.trace
    span = main_load(trace)
    peak = highest(trace, channel) if channel is not None else None
    hot = words.temperature(peak[1]) if peak is not None else words.t("an unknown temperature")
    if story is Story.GATE:
        return _gate_sentence(run, channel, when, hot, words)
    if story is Story.DARK and span is not None:
        into = words.duration(last_s_of(trace) - load_edge_s(trace))
        return words.t(
            "{when}: it went dark {duration} into the load, last seen at {hot}.", when=when, duration=into, hot=hot
        )
    if story is Story.DARK:
        return words.t("{when}: it went dark at rest, last seen at {hot}.", when=when, hot=hot)
    if story is Story.TRIPPED and span is not None:
        return words.t(
            "{when}: the load had to be ended after {duration}, at up to {hot}.",
            when=when,
            duration=words.duration(span.length_s),
            hot=hot,
        )
    if any(event.kind == "load-refused" and _TOO_HOT in str(event.detail.get("why")) for event in trace.events):
        return words.t("{when}: no full load was run, as rest and pulses foretold too much heat under it.", when=when)
    cause = (run.summary.get("cause") or {}).get("class")
    how = outcome_words(str(run.summary.get("outcome")), cause, words)
    return f"{when}: {how}."


def _gate_sentence(run: RunInput, channel: str | None, when: str, hot: str, words: Words) -> str:
    said = words.t("{when}: stopped at rest for safety; no load was run.", when=when)
    limit_c = gate_maximum_c(run, channel) if channel is not None else None
    if limit_c is None or channel is None:
        return said
    return f"{said} " + words.t(
        "By itself {what} came to {hot}; a load is started only below {limit}.",
        what=subject(channel, words),
        hot=hot,
        limit=words.temperature(limit_c, decimals=0),
    )


def ready_words(ready: Ready, words: Words) -> str:
    """Return what the counter is told."""
    return words.t(_READY_WORDS[ready])


def hand_over_reason(report: ReportInput, standing: Standing, words: Words) -> str:
    """Return why the machine may leave, or why not."""
    job = report.job
    if job is not None and job.override and standing.hand_over:
        return words.t("decided by the technician: {reason}", reason=job.override)
    if standing.blockers:
        said = [blocker_words(blocker, words) for blocker in standing.blockers[:_MOST_BLOCKERS]]
        rest = len(standing.blockers) - _MOST_BLOCKERS
        return "; ".join([*said, *([words.t("and {count} further", count=rest)] if rest > 0 else [])])
    return words.t(_STATE_WORDS[standing.state])


def blocker_words(blocker: Blocker, words: Words) -> str:
    """Return what keeps the machine here."""
    if blocker.code == "altered":
        return words.t("record {run} was altered after it was sealed", run=blocker.what)
    return told(blocker.what, words)
