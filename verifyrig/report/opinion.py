"""What the evidence says of the cause: one sentence for the customer, suspects with their reasons for the archive."""

from __future__ import annotations

from typing import NamedTuple

from verifyrig.diagnosis.experience import LEAST_CASES, TABLE_WORTH_CASES
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
        rows.append(
            SuspectRow(
                _cause(suspect.cause, words),
                _probability(suspect.probability, words),
                [reason_text(reason, words) for reason in suspect.reasons_for if explained],
                [reason_text(reason, words) for reason in suspect.reasons_against if explained],
            )
        )
    return rows


def _cause(code: str, words: Words) -> str:
    return words.t("not clear, or none of these") if code == "unknown" else words.t(CAUSES[code])


def _probability(probability: float, words: Words) -> str:
    """Whole per cent; no model of ours is so good that it may claim to be certain."""
    if probability >= _NEARLY_SURE:
        return words.t("more than {share}\u202f%", share=99)
    return f"{words.number(100 * probability)}\u202f%"


def substitution_lines(report: ReportInput, words: Words) -> list[str]:
    """Return what parts changed for known-good ones have shown."""
    return [reason_text(says, words) for says in (report.opinion.substitutions if report.opinion is not None else ())]


class ShareRow(NamedTuple):
    """How common a cause is taken to be before anything is measured."""

    cause: str
    prior: str
    cases: str
    posterior: str


def share_rows(report: ReportInput, words: Words) -> list[ShareRow]:
    """Return the first guess of each cause, with the shop's own cases; empty where they were not asked."""
    experience = report.opinion.experience if report.opinion is not None else None
    return [
        ShareRow(
            _cause(one.cause, words),
            words.quantity(100 * one.prior, "%", decimals=1),
            words.number(one.count),
            words.quantity(100 * one.posterior, "%", decimals=1),
        )
        for one in (experience.shares if experience is not None else ())
    ]


def experience_sentence(report: ReportInput, words: Words) -> str:
    """Return whether the shop's own cases count, and why not; empty where they were not asked."""
    experience = report.opinion.experience if report.opinion is not None else None
    if experience is None:
        return ""
    if not experience.on:
        return words.t("The shop's own cases are left out, as its settings say.")
    if not experience.used:
        return words.n(
            "{count} proved case of the shop; fewer than {least} move nothing.",
            "{count} proved cases of the shop; fewer than {least} move nothing.",
            experience.cases,
            least=words.number(LEAST_CASES),
        )
    return words.n(
        "{count} proved case of the shop, beside a table that stands for {worth} cases.",
        "{count} proved cases of the shop, beside a table that stands for {worth} cases.",
        experience.cases,
        worth=words.number(TABLE_WORTH_CASES),
    )
