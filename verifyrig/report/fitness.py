"""Headline, status and reasons of fitness in the report's words; what is decided is decided in `jobs.fitness`."""

from __future__ import annotations

from typing import NamedTuple

from verifyrig.core.old_sentences import reasons_of_text
from verifyrig.core.plain_text import plain_line
from verifyrig.core.reason import Reason
from verifyrig.jobs.dangers import BY_CODE
from verifyrig.jobs.fitness_model import Code, FaultHeadline, Status, code_of
from verifyrig.jobs.fitness_text import HEADLINE_WORDS, STATUS_WORDS
from verifyrig.report.inputs import ReportInput
from verifyrig.report.reasons import reason_text, reasons_text
from verifyrig.report.wording import Words

# A round shape leans towards good, a pointed one towards bad; filled is proven, hollow is not.
_HEADLINE_SHAPES = {
    FaultHeadline.FIXED: "disc",
    FaultHeadline.BETTER: "ring",
    FaultHeadline.NO_FAULT_SEEN: "ring",
    FaultHeadline.NOT_FIXED: "triangle",
    FaultHeadline.CAUSE_FOUND: "triangle",
    FaultHeadline.NOT_JUDGED: "diamond",
}
_HEADLINE_TONES = {FaultHeadline.FIXED: "proven", FaultHeadline.NOT_FIXED: "fault", FaultHeadline.CAUSE_FOUND: "fault"}
_STATUS_TONES = {Status.FIT: "proven", Status.WATCH: "open"}
_STATUS_SHAPES = {Status.FIT: "disc", Status.WATCH: "ring"}
_MOST_REASONS = 3


class FitnessSign(NamedTuple):
    """A word with its shape and its tone of colour."""

    word: str
    shape: str
    tone: str


class Draft(NamedTuple):
    """What stands across the head of a page that is not released."""

    word: str
    why: str


def headline_sign(report: ReportInput, words: Words) -> FitnessSign:
    """Return what the page says first: the danger that stands, else what the evidence says of the fault."""
    fitness = report.fitness
    if fitness.status is Status.UNSAFE:
        return FitnessSign(_capital(words.t(STATUS_WORDS[Status.UNSAFE])), "triangle", "fault")
    headline = fitness.headline
    tone = _HEADLINE_TONES.get(headline, "open")
    return FitnessSign(words.t(HEADLINE_WORDS[headline]), _HEADLINE_SHAPES[headline], tone)


def status_sign(report: ReportInput, words: Words) -> FitnessSign:
    """Return what the counter sees."""
    status = report.fitness.status
    word = words.t(STATUS_WORDS[status])
    return FitnessSign(word, _STATUS_SHAPES.get(status, "triangle"), _STATUS_TONES.get(status, "fault"))


def draft_of(report: ReportInput, words: Words) -> Draft | None:
    """Return the band of a page that is not released; None for one that is."""
    if report.fitness.releasable:
        return None
    why = f"{words.t('not released')}: {hand_over_reason(report, words)}"
    return Draft(words.t("DRAFT"), plain_line(why))


def danger_sentences(report: ReportInput, words: Words) -> list[str]:
    """Return what is dangerous and what to do, in sentences; they stand before all else."""
    codes = [str(reason.values["danger"]) for reason in report.fitness.blockers if code_of(reason) is Code.DANGER]
    found = [BY_CODE[code] for code in codes]
    return [f"{_capital(reason_text(danger.clause, words))}. {words.t(danger.do)}" for danger in found]


def missing_sentences(report: ReportInput, words: Words) -> list[str]:
    """Return what keeps the headline from "Fixed", and how long it takes."""
    said = [plain_line(clause(reason, words)) for reason in report.fitness.missing]
    return [words.t("Not yet proven: {what}.", what="; ".join(said))] if said else []


def hand_over_reason(report: ReportInput, words: Words) -> str:
    """Return why the machine may leave, or why not."""
    fitness = report.fitness
    decided = [words.t("decided by the technician: {reason}", reason=fitness.override)] if fitness.override else []
    dangers = [reason for reason in fitness.blockers if code_of(reason) is Code.DANGER]
    holding = [*dangers, *fitness.uncovered]
    if holding:
        return _listed(holding, words)
    if decided:
        return "; ".join(decided)
    return words.t(HEADLINE_WORDS[fitness.headline])


def _listed(reasons: list[Reason], words: Words) -> str:
    said = [clause(reason, words) for reason in reasons[:_MOST_REASONS]]
    rest = len(reasons) - _MOST_REASONS
    return "; ".join([*said, *([words.t("and {count} further", count=rest)] if rest > 0 else [])])


def clause(reason: Reason, words: Words) -> str:
    """Return a reason as a clause in the report's language."""
    return reason_text(reason, words)


def open_point(point: Reason | str, words: Words) -> str:
    """Return what was open when a job was closed, as it was kept: a reason, or its sentence."""
    return reasons_text(reasons_of_text(point), words) if isinstance(point, str) else clause(point, words)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
