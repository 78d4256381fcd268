"""Rows on the runs as such: all of them, how each ended and why, what their seals say."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from verifyrig.core.integrity import Integrity
from verifyrig.core.profile import Purpose
from verifyrig.report.inputs import ReportInput, RunInput
from verifyrig.report.names import (
    VerdictCell,
    channel_label,
    outcome_words,
    purpose_word,
    rule_words,
    verdict_cell,
)
from verifyrig.report.reasons import reason_text
from verifyrig.report.timeline import highest, last_s
from verifyrig.report.wording import Words


class RunLine(NamedTuple):
    """One run, whatever became of it."""

    run_id: str
    role: str
    started: str
    length: str
    purpose: str
    profile: str
    ended: str
    why: list[str]
    verdict: VerdictCell
    peak: str
    simulated: bool
    seal: str
    digest: str
    signed: list[tuple[str, str, str]]


def run_rows(report: ReportInput, channel: str | None, words: Words) -> list[RunLine]:
    """Return all runs of the job, oldest first; nothing is left out."""
    return [_run_row(report, run, channel, words) for run in report.runs]


def _run_row(report: ReportInput, run: RunInput, channel: str | None, words: Words) -> RunLine:
    recorded = run.trace.recorded
    role = {report.before: words.t("before"), report.after: words.t("after")}.get(run.run_id, "")
    peak = highest(run.trace, channel) if channel is not None else None
    return RunLine(
        run.run_id,
        role,
        words.moment(run.started_utc_s),
        words.duration(last_s(run.trace)),
        purpose_word(recorded.purpose or Purpose.CHECK, words),
        run.trace.profile.name if run.trace.profile is not None else words.t("no profile"),
        outcome_words(run.outcome, recorded.cause_class, words),
        why_of(run, words),
        verdict_cell(run.verdict, words),
        words.t("not measured") if peak is None else words.temperature(peak[1]),
        run.simulated,
        seal_words(run, words),
        run.digest,
        [_signed(one, words) for one in run.signatures],
    )


def why_of(run: RunInput, words: Words) -> list[str]:
    """Return why the run ended early: the trip in words, and the reasons noted in the record as they stand."""
    said = []
    trip = run.trace.recorded.trip
    if isinstance(trip, Mapping):
        said.append(_trip_words(trip, words))
    noted = dict.fromkeys([*run.trace.why_interrupted, *run.trace.why_stopped])
    return said + [reason_text(why, words) for why in noted]


def _trip_words(trip: Mapping[str, Any], words: Words) -> str:
    channel = str(trip.get("channel") or "")
    unit = "°C" if channel.endswith("_temp_c") else ""
    figures = [
        words.quantity(float(trip[key]), unit) if isinstance(trip.get(key), (int, float)) else "–"
        for key in ("value", "limit")
    ]
    said = words.t(
        "{what} {rule}: {value}, limit {limit}",
        what=channel_label(channel, words),
        rule=rule_words(str(trip.get("rule") or ""), words),
        value=figures[0],
        limit=figures[1],
    )
    off_s = trip.get("load_off_s")
    if isinstance(off_s, (int, float)):
        said += "; " + words.t("load off after {seconds} s", seconds=words.number(off_s, 2))
    return said


def _signed(signature: tuple[str, str, str, bool], words: Words) -> tuple[str, str, str]:
    """Return what is said of a signature, the key's short name and the whole public key."""
    role, fingerprint, key, fits = signature
    said = words.t("signed with key") if role == "bench" else words.t("counter-signed with key")
    return (said if fits else words.t("signature NOT checked or not fitting, key"), fingerprint, key)


_SEAL_WORDS = {
    Integrity.SEALED: "sealed; fits its digests",
    Integrity.RECORDING: "still being written",
    Integrity.UNSEALED: "not sealed: it was interrupted; no proof of fitness",
    Integrity.ALTERED: "ALTERED after it was written",
    Integrity.DAMAGED: "DAMAGED",
}


def seal_words(run: RunInput, words: Words) -> str:
    """Return what the record's own seals say, as of the making of this report."""
    return words.t(_SEAL_WORDS[run.integrity])
