"""Labels for machine, bag and probe: ticket, masked name and a code of the job's id, for tape of 62 and 29 mm or A6."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from verifyrig import __version__
from verifyrig.bench.folder import Bench
from verifyrig.core.plain_text import plain_line
from verifyrig.files.output_file import Output, check_place, write_output
from verifyrig.jobs.model import Job
from verifyrig.jobs.naming import machine_name
from verifyrig.report.gather import read_settings, read_shop
from verifyrig.report.masking import HIDDEN
from verifyrig.report.proof import qr_svg
from verifyrig.report.render import rendered
from verifyrig.report.wording import Words, words_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Tape:
    """What labels are printed on.

    Attributes:
        width_mm, height_mm: Of one printed page.
        code_mm: Side of the code.
        columns, rows: Of labels on it.
        things: What the labels of one set are for, in their order.
    """

    width_mm: int
    height_mm: int
    things: tuple[str, ...]
    code_mm: int
    columns: int = 1
    rows: int = 1


_SET = ("Machine", "Bag of parts", "Probe")
# Widths of continuous label tape as the trade sells it, and A6 (ISO 216: 105 mm by 148 mm).
TAPES: Mapping[str, Tape] = {
    "62": Tape(width_mm=62, height_mm=29, things=_SET, code_mm=23),
    "29": Tape(width_mm=29, height_mm=66, things=_SET, code_mm=23),
    "a6": Tape(width_mm=105, height_mm=148, things=(*_SET, "Bag of parts"), code_mm=34, columns=2, rows=2),
}


def masked_name(name: str) -> str:
    """Return a name by its initials: whoever works here knows whose it is, whoever walks by does not."""
    parts = plain_line(name, 80).split()
    return " ".join(part if len(part) <= 2 else part[0] + HIDDEN for part in parts)


def write_labels(bench: Bench, job: Job, tape: str) -> Path:
    """Write one set of labels into `reports/` as a page and return its path; raise `RigError` where that cannot be."""
    settings = read_settings(bench)
    path = bench.reports_dir / f"{job.job_id}.labels-{tape}.html"
    check_place(path, Output.PAGE)
    values = label_values(bench, job, TAPES[tape], words_of(settings))
    page = rendered(
        "labels.html.j2", values, words_of(settings), settings.paper, settings.templates_dir, style="labels.css.j2"
    )
    write_output(path, page, Output.PAGE)
    return path


def label_values(bench: Bench, job: Job, tape: Tape, words: Words) -> dict[str, object]:
    """Return all values of the template; the code holds the job's id and nothing else."""
    customer = job.intake.customer
    label = {
        "ticket": plain_line(customer.ticket or job.job_id, 14),
        "number": job.job_id,
        "name": masked_name(customer.name),
        "machine": plain_line(words.known(machine_name(job)), 36),
        "day": f"{job.opened.astimezone():%Y-%m-%d}",
    }
    per_page = tape.columns * tape.rows
    labels = [label | {"thing": words.t(thing)} for thing in tape.things]
    return {
        "title": words.t("Labels"),
        "number": job.job_id,
        "tool_version": __version__,
        "shop": plain_line(read_shop(bench).name, 30),
        "code": qr_svg(job.job_id),
        "tape": tape,
        "sheets": [labels[n : n + per_page] for n in range(0, len(labels), per_page)],
        "issued": "",
    }
