"""Which job a command means: named, standing on this place, the only one open, or chosen by a person."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig.commands import Context
from verifyrig.core.errors import JobError
from verifyrig.dialogs.prompt import Asker, TerminalAsker, can_ask

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verifyrig.bench.folder import Bench
    from verifyrig.jobs.model import Job

PLACE_VARIABLE = "VERIFYRIG_PLACE"


def add_job_words(parser: argparse.ArgumentParser, help_line: str = "the job (else the open one)") -> None:
    """Declare how a job is named on the command line."""
    parser.add_argument("--job", metavar="ID", help=help_line)
    parser.add_argument("--place", metavar="NAME", help="the place of the bench on which its machine stands")


def place_meant(context: Context, named: str | None) -> str:
    """Return the place at which somebody works: named, else VERIFYRIG_PLACE, else `place.here` of bench.toml.

    Raises:
        UsageError: The bench has no such place.
    """
    from verifyrig.jobs.places import check_place

    config = context.bench.config
    for name, where in ((named, "--place"), (os.environ.get(PLACE_VARIABLE), PLACE_VARIABLE)):
        if name:
            return check_place(config, name, where)
    return str(config.get("place", {}).get("here", ""))


def job_meant(
    context: Context,
    named: str | None = None,
    place: str | None = None,
    *,
    asker: Asker | None = None,
    needed: bool = False,
) -> Job | None:
    """Return the job that a command is about; None where none is open and none is needed.

    Where several are open and none stands on this place, a person at the terminal chooses, and the choice is
    remembered for the place. Whom a person is asked about is said to them first.

    Args:
        asker: Stands in for the terminal.
        needed: Whether a job must be there.

    Raises:
        JobError: There is no such job, or none is open and one is needed.
        SeveralJobs: Several are open, and nobody can be asked.
    """
    from verifyrig.bench.folder import check_id
    from verifyrig.jobs.store import open_jobs, read_job
    from verifyrig.jobs.which import SeveralJobs, meant_of

    if asker is None and can_ask(json=context.json):
        asker = TerminalAsker()
    if named is not None:
        job: Job | None = read_job(context.bench, check_id(named, "job"))
    else:
        here = place_meant(context, place)
        try:
            job = meant_of(open_jobs(context.bench), str(context.bench.root), here)
        except SeveralJobs as several:
            if asker is None:
                raise
            chosen = choose_job(asker, several.jobs)
            assert chosen is not None
            job = _remembered(context, chosen, here) if here else chosen
    if job is None and needed:
        raise JobError(
            "no job is open", where=str(context.bench.root), mend="Take a machine in with `verifyrig job open`."
        )
    if job is not None and asker is not None:
        asker.say(name_at_place(context, job) + ".")
    return job


def choose_job(asker: Asker, jobs: Sequence[Job], none: str = "") -> Job | None:
    """Let a person choose among jobs, newest last; None where `none`, the row for none of them, was chosen."""
    from verifyrig.jobs.naming import name_of
    from verifyrig.jobs.places import places_of

    at = places_of(jobs)
    rows = [name_of(job, at.get(job.job_id, "")).removeprefix("Job ") for job in jobs]
    row = asker.row("Which job?", [*rows, none] if none else rows)
    return jobs[row] if row < len(jobs) else None


def name_at_place(context: Context, job: Job) -> str:
    """Return a job's name with the place on which it stands."""
    from verifyrig.jobs.naming import name_of
    from verifyrig.jobs.places import place_names, places_of
    from verifyrig.jobs.store import open_jobs

    at = places_of(open_jobs(context.bench)) if place_names(context.bench.config) else {}
    return name_of(job, at.get(job.job_id, ""))


def _remembered(context: Context, job: Job, place: str) -> Job:
    from datetime import UTC, datetime

    from verifyrig.jobs.actions import put_on_place

    return put_on_place(context.bench, job, place, by=context.bench.operator, now=datetime.now(UTC))


def heading(context: Context, job: Job | None, *, named: Sequence[str] = ()) -> list[str]:
    """Return the job's name as the first line of an answer; nothing where the same screen says it already.

    Args:
        named: Records that a person named: then nobody was told which job they are of.
    """
    if job is None:
        return []
    told = can_ask(json=context.json) and sys.stdout.isatty() and not set(named) - {"first", "last"}
    return [] if told else [name_at_place(context, job)]


def records_meant(
    context: Context, names: Sequence[str], named: str | None, place: str | None
) -> tuple[Job | None, list[Path]]:
    """Return the records that words mean, and the job that holds all of them, None where none does.

    Only `first`, `last` and a job by name ask which job is meant.

    Raises:
        RigError: A record or job is not there, or a person must say which job is meant.
    """
    asks = named is not None or place is not None or {"first", "last"} & set(names)
    job = job_meant(context, named, place) if asks else None
    paths = [context.bench.find_record(name, job.job_id if job else None) for name in names]
    return _job_of(context.bench, paths), paths


def _job_of(bench: Bench, paths: Sequence[Path]) -> Job | None:
    """The job whose folder holds all of these records, None where they lie elsewhere or in several."""
    from verifyrig.jobs.store import read_job

    jobs_dir = os.path.realpath(bench.jobs_dir)
    folders = {Path(os.path.realpath(path)).parent.parent for path in paths}
    inside = len(folders) == 1 and all(str(folder.parent) == jobs_dir for folder in folders)
    return read_job(bench, folders.pop().name) if inside else None
