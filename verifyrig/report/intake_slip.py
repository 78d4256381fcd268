"""The intake slip: one page that a customer signs before anything is done, with all that is agreed on it."""

from __future__ import annotations

from pathlib import Path

from verifyrig import __version__
from verifyrig.bench.folder import Bench
from verifyrig.core.plain_text import plain_line
from verifyrig.core.reason import reason
from verifyrig.files.output_file import Output, check_place, write_output
from verifyrig.jobs.keeping import keep_days
from verifyrig.jobs.model import Job
from verifyrig.jobs.signing import SHOWN_DIGITS, intake_photos, intake_signature, is_signed_as_it_stands, signed_digest
from verifyrig.jobs.vocabulary import CONSENTS, MACHINE_KINDS, NO, QUESTIONS, YES
from verifyrig.report import done
from verifyrig.report.gather import customer_settings, read_shop
from verifyrig.report.photo_files import page_picture
from verifyrig.report.proof import qr_svg
from verifyrig.report.reasons import reason_text
from verifyrig.report.render import rendered
from verifyrig.report.wording import Words, words_of

_MOST_PICTURES = 4
_LONGEST_COMPLAINT = 700


def write_intake_slip(bench: Bench, job: Job, at: float) -> Path:
    """Write the intake slip into `reports/` and return its path.

    Args:
        at: Date of issue, s since 1970.

    Raises:
        RigError: The settings cannot be read, or the page cannot be written.
    """
    settings = customer_settings(bench, job)
    words = words_of(settings)
    path = bench.reports_dir / f"{job.job_id}.intake.html"
    check_place(path, Output.PAGE)
    values = intake_values(bench, job, words, at)
    page = rendered("intake.html.j2", values, words, settings.paper, settings.templates_dir)
    write_output(path, page, Output.PAGE)
    return path


def intake_values(bench: Bench, job: Job, words: Words, now_utc: float) -> dict[str, object]:
    """Return all values of the template."""
    intake, machine = job.intake, job.intake.machine
    pictures, named = _pictures(bench, job)
    rows = [
        (words.t("customer"), intake.customer.name),
        (words.t("how to reach"), intake.customer.contact),
        (words.t("ticket"), intake.customer.ticket),
        (words.t("machine"), ", ".join(filter(None, (machine.maker, machine.model)))),
        (words.t("kind"), words.known(MACHINE_KINDS.get(machine.kind, machine.kind))),
        (words.t("serial"), machine.serial),
        (words.t("accessories"), intake.accessories or words.t("none noted")),
        (words.t("condition when it came in"), intake.condition or words.t("not noted")),
    ]
    return {
        "title": words.t("Intake of a machine, and what is agreed"),
        "edition_word": words.t("for the customer, to be signed"),
        "draft": None,
        "simulated": False,
        "shop": read_shop(bench),
        "number": job.job_id,
        "issued": words.moment(now_utc),
        "machine_short": plain_line(machine.description, 60) if machine.description != machine.kind else "",
        "tool_version": __version__,
        "machine": [(name, plain_line(value, 160)) for name, value in rows if value],
        "pictures": pictures,
        "pictures_named": named,
        "complaint": words.t("“{words}”", words=plain_line(intake.complaint, _LONGEST_COMPLAINT))
        if intake.complaint
        else "",
        "answers": _answers(job, words),
        "consents": [(reason_text(reason(f"consent-{key}"), words), _answer(job.consent(key))) for key in CONSENTS],
        "price": plain_line(intake.price_ceiling, 100),
        "keep_days": keep_days(bench.config),
        "signatures": _signatures(bench, job, words),
        "proof": None,
        "digest": signed_digest(job)[:SHOWN_DIGITS],
        "code": qr_svg(job.job_id),
        "signed": _signed(job, words),
    }


def _answer(consent: str) -> tuple[bool, bool]:
    """Return which of the boxes yes and no is ticked; neither where nobody was asked."""
    return consent == YES, consent == NO


def _answers(job: Job, words: Words) -> list[tuple[str, str]]:
    keys = [question.key for question in QUESTIONS if not question.danger and job.intake.answers.get(question.key)]
    return [
        (reason_text(reason(f"question-{key}"), words), plain_line(done.coded(job.intake.answers[key], words), 80))
        for key in keys
    ]


def _signatures(bench: Bench, job: Job, words: Words) -> list[dict[str, str]]:
    signature = intake_signature(job)
    moment = words.moment(signature.time.timestamp()) if signature is not None else ""
    return [
        {"role": words.t("Taken in by"), "name": plain_line(job.operator or bench.operator, 60), "when": ""},
        {
            "role": words.t("Read and agreed, as ticked above"),
            "name": plain_line(signature.text("name") if signature is not None else job.intake.customer.name, 60),
            "when": moment,
        },
    ]


def _signed(job: Job, words: Words) -> str:
    signature = intake_signature(job)
    if signature is None:
        return ""
    moment = words.moment(signature.time.timestamp())
    if is_signed_as_it_stands(job):
        return words.t("Signed on {moment}.", moment=moment)
    return words.t(
        "Signed on {moment} with digest {digest}; since then something was put right, and this page is another one.",
        moment=moment,
        digest=signature.text("digest")[:SHOWN_DIGITS],
    )


def _pictures(bench: Bench, job: Job) -> tuple[list[str], list[str]]:
    """Return pictures of the condition as data, and the names of those that are too many or cannot be shown."""
    shown: list[str] = []
    named: list[str] = []
    folder = bench.job_dir(job.job_id)
    for photo in intake_photos(job):
        picture = page_picture(folder / photo, folder) if len(shown) < _MOST_PICTURES else None
        if picture is None:
            named.append(Path(photo).name)
        else:
            shown.append(picture.uri)
    return shown, named
