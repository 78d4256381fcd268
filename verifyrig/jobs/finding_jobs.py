"""Finding a job again: one row for each, and a search through everything that a person may remember. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from verifyrig.core.plain_text import plain_line
from verifyrig.jobs.earlier import plain_serial
from verifyrig.jobs.model import Job, RunFacts
from verifyrig.jobs.naming import machine_name
from verifyrig.jobs.screen import standing_of

_COLUMNS = (("job", 14), ("taken in", 10), ("ticket", 10), ("customer", 18), ("machine", 32), ("state", 12))


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedJob:
    """One job of the list: where it stands, and what comes next."""

    job: Job
    state: str
    next_step: str
    place: str = ""

    @property
    def cells(self) -> tuple[str, ...]:
        """What stands in the columns."""
        intake = self.job.intake
        at = f"{self.state}, {self.place}" if self.place else self.state
        day = f"{self.job.opened.astimezone():%Y-%m-%d}"
        customer = intake.customer
        return (self.job.job_id, day, customer.ticket, customer.name, machine_name(self.job), at)

    def has(self, words: Iterable[str]) -> bool:
        """Return whether each of the words stands in it: date, ticket, customer, machine, serial, state, complaint."""
        intake = self.job.intake
        machine, customer = intake.machine, intake.customer
        texts = [*self.cells, self.next_step, intake.complaint, customer.contact, machine.kind, machine.maker]
        texts += [machine.model, "open" if self.job.is_open else "done"]
        text = " ".join(texts).casefold()
        serial = plain_serial(machine.serial)
        return all(word.casefold() in text or (plain_serial(word) and plain_serial(word) in serial) for word in words)


def line_of(job: Job, runs: Sequence[RunFacts], place: str = "") -> ListedJob:
    """Return a job's line."""
    standing = standing_of(job, runs)
    return ListedJob(job=job, state=standing.word, next_step=standing.next_step, place=place)


def table_of(lines: Sequence[ListedJob]) -> list[str]:
    """Return the lines as a table with a head; what is too long is cut, what comes next stands whole at the end."""
    widths = [
        max(len(name), min(longest, max((len(plain_line(line.cells[n])) for line in lines), default=0)))
        for n, (name, longest) in enumerate(_COLUMNS)
    ]
    rows = [([name for name, _ in _COLUMNS], "next"), *((list(line.cells), line.next_step) for line in lines)]
    return ["  ".join([*map(_padded, cells, widths), then]) for cells, then in rows]


def _padded(cell: str, width: int) -> str:
    return f"{plain_line(cell, width):<{width}}"
