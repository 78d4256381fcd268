"""What the evidence says of the cause: one sentence for the customer, suspects with their reasons for the archive."""

from __future__ import annotations

from typing import NamedTuple

from verifyrig.jobs.vocabulary import CAUSES
from verifyrig.report.inputs import ReportInput
from verifyrig.report.reasons import reason_text
from verifyrig.report.wording import Words

# A cause less probable than this is listed without its reasons: they would only crowd the others.
_LEAST_EXPLAINED = 0.05
_NEARLY_SURE = 0.99


class SuspectRow(NamedTuple):
    """One suspect in words."""

    cause: str
    probability: str
    reasons_for: list[str]
    reasons_against: list[str]


def opinion_sentence(report: ReportInput, words: Words) -> str:
    """Return the sentence for the customer; empty where there is no opinion."""
    return reason_text(report.opinion.for_customer, words) if report.opinion is not None else ""


def suspect_rows(report: ReportInput, words: Words) -> list[SuspectRow]:
    """Return the suspects, most probable first."""
    rows = []
    for suspect in report.opinion.suspects if report.opinion is not None else ():
        explained = suspect.probability >= _LEAST_EXPLAINED
        cause = "not clear, or none of these" if suspect.cause == "unknown" else CAUSES[suspect.cause]
        rows.append(
            SuspectRow(
                words.t(cause),
                _probability(suspect.probability, words),
                [reason_text(reason, words) for reason in suspect.reasons_for if explained],
                [reason_text(reason, words) for reason in suspect.reasons_against if explained],
            )
        )
    return rows


def _probability(probability: float, words: Words) -> str:
    """Whole per cent; no model of ours is so good that it may claim to be certain."""
    if probability >= _NEARLY_SURE:
        return words.t("more than {share}\u202f%", share=99)
    return f"{words.number(100 * probability)}\u202f%"


def substitution_lines(report: ReportInput, words: Words) -> list[str]:
    """Return what parts changed for known-good ones have shown."""
    return [reason_text(says, words) for says in (report.opinion.substitutions if report.opinion is not None else ())]
