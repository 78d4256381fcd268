"""How a run went in the words of somebody who is no technician: whole degrees, no symbols. The figures stand behind."""

from __future__ import annotations

from verifyrig.metrology.verdict import Verdict
from verifyrig.report.early_end import EarlyEnd, EndKind, early_end
from verifyrig.report.inputs import RunInput
from verifyrig.report.limits import accepted_maxima_c, gate_maximum_c
from verifyrig.report.names import metric_label, outcome_words, subject
from verifyrig.report.sentences import settled_under_load
from verifyrig.report.timeline import highest, loaded_s, main_load
from verifyrig.report.wording import Words


def plain_sentence(run: RunInput, channel: str | None, when: str, words: Words) -> str:
    """Return in a sentence or two what the run came to; `when` stands before it ("Now")."""
    end = early_end(run)
    said = _whole(run, channel, words) if end is None else _ended(run, end, channel, words)
    return f"{when}: {said}"


def _whole(run: RunInput, channel: str | None, words: Words) -> str:
    """Return what became of a run that went through its plan."""
    seconds = loaded_s(run.trace)
    if seconds <= 0:
        said = words.t("it was measured without work only.")
    else:
        said = words.t("it worked hard for {duration}, to the end of the test.", duration=words.duration(seconds))
    parts = [said, _temperature(run, channel, words) if channel is not None else ""]
    failed = [limit.metric for limit in run.limits if limit.verdict is Verdict.FAIL]
    parts += [words.t("Outside what we accept: {what}.", what=metric_label(name, words)) for name in failed[:1]]
    return " ".join(part for part in parts if part)


def _temperature(run: RunInput, channel: str, words: Words) -> str:
    settled, peak = settled_under_load(run, channel), highest(run.trace, channel)
    if settled is None and peak is None:
        return ""
    value_c = settled[0] if settled is not None else peak[1] if peak is not None else 0.0
    facts = {"what": _capital(subject(channel, words)), "temperature": words.temperature(value_c, decimals=0)}
    accepted = [limit_c for limit_c in accepted_maxima_c(run, channel) if value_c <= limit_c]
    if accepted and settled is not None:
        limit = words.temperature(min(accepted), decimals=0)
        return words.t("{what} stayed at {temperature}; we accept up to {limit}.", limit=limit, **facts)
    if settled is not None:
        return words.t("{what} stayed at {temperature}.", **facts)
    return words.t("{what} went up to {temperature}.", **facts)


def _ended(run: RunInput, end: EarlyEnd, channel: str | None, words: Words) -> str:
    """Return where and why a run ended before its plan."""
    peak = highest(run.trace, channel) if channel is not None else None
    what = _capital(subject(channel, words)) if channel is not None else ""
    hot = words.temperature(peak[1], decimals=0) if peak is not None else words.t("an unknown temperature")
    span = main_load(run.trace)
    worked = words.duration(span.length_s) if span is not None else ""
    if end.kind is EndKind.TRIPPED and worked:
        return words.t("after {duration} of hard work we had to stop it, at {hot}.", duration=worked, hot=hot)
    if end.kind is EndKind.DARK and worked:
        return words.t("it went dark by itself after {duration} of hard work, at {hot}.", duration=worked, hot=hot)
    if end.kind is EndKind.DARK:
        return words.t("it went dark by itself without any work, at {hot}.", hot=hot)
    if end.kind is EndKind.GATE:
        return _gate(run, channel, what, hot, words)
    if end.kind in (EndKind.REFUSED, EndKind.CLIMB):
        return _not_full(end, channel, words)
    return f"{outcome_words(run.outcome, run.trace.recorded.cause_class, words)}."


def _gate(run: RunInput, channel: str | None, what: str, hot: str, words: Words) -> str:
    limit_c = gate_maximum_c(run, channel) if channel is not None else None
    if limit_c is None:
        return words.t("for safety we did not let it work at all.")
    said = words.t(
        "for safety we did not let it work at all. {what} went up to {hot} without any work;", what=what, hot=hot
    )
    return f"{said} " + words.t("we start a test only below {limit}.", limit=words.temperature(limit_c, decimals=0))


def _not_full(end: EarlyEnd, channel: str | None, words: Words) -> str:
    if end.kind is EndKind.REFUSED:
        said = words.t("we did not let it work at full power, since it would have become too hot.")
    else:
        said = words.t("we did not take it up to full power, since it would have become too hot.")
    if end.full_c is None or end.is_vague or not (end.channel or channel):
        return said
    what = _capital(subject(end.channel or channel or "", words))
    return f"{said} " + words.t(
        "{what} would have come to about {temperature}.",
        what=what,
        temperature=words.temperature(end.full_c, decimals=0),
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
