"""How a job is named to a person: id, ticket, customer and machine on one line. Pure."""

from __future__ import annotations

from verifyrig.core.plain_text import plain_line
from verifyrig.jobs.model import Job
from verifyrig.jobs.vocabulary import MACHINE_KINDS

_LONGEST = 40


def name_of(job: Job, place: str = "") -> str:
    """Return `Job 20310314-1 (left), ticket D-0001, Q. Uestion, Example Works Model Two`; what is empty is left out."""
    customer = job.intake.customer
    at = f" ({plain_line(place, _LONGEST)})" if place else ""
    parts = [f"Job {job.job_id}{at}"]
    parts += [f"ticket {plain_line(customer.ticket, _LONGEST)}"] if customer.ticket else []
    parts += [plain_line(customer.name, _LONGEST)] if customer.name else []
    return ", ".join([*parts, machine_name(job)])


def machine_name(job: Job) -> str:
    """Return maker and model, or what kind of machine it is."""
    machine = job.intake.machine
    described = machine.description
    return plain_line(MACHINE_KINDS.get(described, described), _LONGEST)
