"""The first page for the customer: told, found, done, may it be used, not tested, to be watched for. Finished texts."""

from __future__ import annotations

from dataclasses import dataclass

from verifyrig.core.plain_text import plain_block, plain_line
from verifyrig.core.reason import reason
from verifyrig.core.reason_texts import TEXTS
from verifyrig.jobs.fitness_model import Code, Status, code_of
from verifyrig.jobs.vocabulary import CAUSES
from verifyrig.report import done
from verifyrig.report.choose import main_channel
from verifyrig.report.inputs import JobFacts, ReportInput
from verifyrig.report.job_part import done_short
from verifyrig.report.opinion import opinion_sentence
from verifyrig.report.plain_words import plain_sentence
from verifyrig.report.reasons import reason_text
from verifyrig.report.sentences import Finding
from verifyrig.report.watch_for import watch_lines, who_to_call
from verifyrig.report.wording import Words

USE_WORDS = {
    Status.FIT: "You may use it.",
    Status.WATCH: "You may use it, but only so:",
    Status.AS_IS: "Do not use it yet.",
    Status.NOT_FIT: "Do not use it yet.",
    Status.UNSAFE: "Do not use it, and do not switch it on.",
}
_KEEP_A_COPY = "keep a copy of your data"
_STAY = "stay with it while it works hard, until it has done so for a good while without the fault"
_COOL = "use it in a room that is no warmer than ours, with its openings free"
# What is not proven yet, and what that asks of whoever uses it.
_UNPROVEN = (Code.CLEAN_USE, Code.STRETCH, Code.UNCLEAR, Code.PART_NOT_LOADED, Code.NO_CHANGE, Code.NOT_COMPARABLE)
_CARD_CONTACT = "The heat does not get from the graphics chip into its cooler: what lies between them conducts badly."
# A job closed so names no cause.
_NO_CAUSE = ("", "none")


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontPage:
    """What the first page says, in the order in which a customer asks.

    Attributes:
        told: The complaint in the customer's words, whole; empty where none was noted.
        found, did, not_tested, watch: A sentence or a line each.
        now: How it ran after what was done; empty where that was not measured.
        use: Whether it may be used; `use_so` under which conditions, `use_why` why so.
        call: Who answers.
    """

    told: str
    found: list[str]
    did: list[str]
    now: str
    use: str
    use_so: list[str]
    use_why: list[str]
    not_tested: list[str]
    watch: list[str]
    call: str


def front_page(report: ReportInput, finding: Finding, words: Words) -> FrontPage:
    """Return the texts of the first page; nothing in them is cut."""
    return FrontPage(
        told=plain_block(report.job.complaint).strip() if report.job is not None else "",
        found=[*_found(report, words), *_before(report, words), *finding.remarks],
        did=done_short(report, words),
        now=_now(report, words),
        use=words.t(USE_WORDS[report.fitness.status]),
        use_so=_conditions(report, words),
        use_why=[*finding.dangers, *_why(report, words), *finding.missing],
        not_tested=[plain_line(line) for line in done.not_tested(report, words)],
        watch=watch_lines(report, words),
        call=who_to_call(report.shop, report.number, words),
    )


def _found(report: ReportInput, words: Words) -> list[str]:
    """Return what was found: an earlier visit, the cause, and what was seen by hand."""
    job = report.job
    if job is None:
        return []
    said = [*_earlier(job, words), *_cause(job, report, words)]
    seen = [line.what for line in done.done_lines(job.of_kind("finding"), words)]
    return said + ([words.t("Seen by hand: {what}.", what="; ".join(seen))] if seen else [])


def _earlier(job: JobFacts, words: Words) -> list[str]:
    said = [words.t("It was here before (number {number}).", number=job.again)] if job.again else []
    if job.same_cause:
        said.append(words.t("The cause is the same as then ({numbers}).", numbers=words.listed(list(job.same_cause))))
    return said


def _cause(job: JobFacts, report: ReportInput, words: Words) -> list[str]:
    """Return the cause as the technician closed the job, else what the evidence says so far."""
    if job.cause in _NO_CAUSE:
        opinion = opinion_sentence(report, words) if not job.cause else ""
        return [opinion] if opinion else []
    channel = main_channel(report.before_run, report.after_run) or ""
    if job.cause == "contact" and channel.startswith("gpu_"):
        cause = words.t("contact between graphics chip and cooler: paste, pressure, pads")
        said = words.t("Cause: {cause}.", cause=cause)
        return [f"{said} " + words.t(_CARD_CONTACT)]
    said = words.t("Cause: {cause}.", cause=words.t(CAUSES.get(job.cause, job.cause)))
    code = f"customer-{job.cause}"
    if code not in TEXTS or job.cause == "unknown":
        return [said]
    return [f"{said} {reason_text(reason(code), words)}"]


def _before(report: ReportInput, words: Words) -> list[str]:
    """Return how the machine ran as it came in."""
    before, after = report.before_run, report.after_run
    if before is None:
        return [] if report.runs else [words.t("No run has been made in this job yet.")]
    when = words.t("As it came in") if after is None else words.t("Before")
    return [plain_sentence(before, main_channel(before, after), when, words)]


def _now(report: ReportInput, words: Words) -> str:
    """Return how it runs since it was changed; empty where that was not measured."""
    if report.after_run is None:
        return ""
    channel = main_channel(report.before_run, report.after_run)
    return plain_sentence(report.after_run, channel, words.t("Now"), words)


def _conditions(report: ReportInput, words: Words) -> list[str]:
    """Return under which conditions a machine may be used whose repair is not proven; empty for any other."""
    if report.fitness.status is not Status.WATCH:
        return []
    codes = {code_of(one) for one in (*report.fitness.missing, *report.fitness.blockers)}
    asked = [_KEEP_A_COPY]
    asked += [_STAY] if codes & set(_UNPROVEN) else []
    asked += [_COOL] if Code.CONDITIONAL in codes else []
    return [words.t(text) for text in asked]


def _why(report: ReportInput, words: Words) -> list[str]:
    """Return why it goes back without being fit, in the words of whoever decided that."""
    if report.fitness.status is not Status.AS_IS or not report.fitness.override:
        return []
    reason_given = plain_line(report.fitness.override)
    return [words.t("It goes back as it is, and not as fit for use. The reason: {reason}.", reason=reason_given)]
