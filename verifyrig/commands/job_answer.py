"""What every `verifyrig job ACTION` shares: which job, who says so, and how its answer reads."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.which_job import job_meant, name_at_place
from verifyrig.commands.who import at_the_bench
from verifyrig.core.errors import ExitCode
from verifyrig.core.plain_text import plain_lines
from verifyrig.dialogs.prompt import Asker, can_ask

if TYPE_CHECKING:
    from verifyrig.jobs.model import Job, RunFacts


def add_place(sub: argparse.ArgumentParser) -> None:
    """Declare the place on which the machine stands."""
    sub.add_argument("--place", metavar="NAME", help="the place of the bench on which the machine stands")


def add_job_and_by(sub: argparse.ArgumentParser) -> None:
    """Declare which job, and who says so."""
    sub.add_argument("--job", metavar="ID", help="the job (default: the open one)")
    add_place(sub)
    sub.add_argument("--by", metavar="NAME", help="who says so (default: the operator of bench.toml)")


def now() -> datetime:
    """Return the time that an entry gets."""
    return datetime.now(UTC)


def said_by(args: argparse.Namespace, context: Context) -> str:
    """Return who is named with --by, else who is at the bench."""
    return at_the_bench(context.bench, args.by)


def job_of(args: argparse.Namespace, context: Context, asker: Asker | None) -> Job:
    """Return the job that an action is about, which must be there."""
    job = job_meant(context, args.job, args.place, asker=asker, needed=True)
    assert job is not None
    return job


def _head(context: Context, job: Job) -> list[str]:
    """Return the job's name, where it was not said already to the person who was asked."""
    return [] if can_ask(json=context.json) else [name_at_place(context, job)]


def answer_of(context: Context, job: Job, said: str = "") -> Answer:
    """Return what was done, the dangers that stand, and the next step."""
    from verifyrig.jobs.runs import fitness_in, runs_of
    from verifyrig.jobs.screen import danger_lines, job_object, standing_of

    runs = runs_of(context.bench, job.job_id)
    lines = [*_head(context, job), *([said] if said else []), *danger_lines(job)]
    lines.append(f"Next: {standing_of(job, runs).next_step}.")
    return Answer(data=job_object(job, runs, fitness_in(context.bench, job, runs)), text=plain_lines(lines))


def releasing_answer(job: Job, runs: Sequence[RunFacts], context: Context, said: str) -> Answer:
    """Return the answer of a close or a pickup: 4 where the machine does not leave as fit for use."""
    from verifyrig.jobs.fitness_text import lines_of
    from verifyrig.jobs.runs import fitness_in
    from verifyrig.jobs.screen import job_object, standing_of

    fitness = fitness_in(context.bench, job, runs)
    lines = [*_head(context, job), said, *lines_of(fitness), f"Next: {standing_of(job, runs).next_step}."]
    code = ExitCode.DONE if fitness.releasable else ExitCode.NOT_PROVEN
    return Answer(data=job_object(job, runs, fitness), text=plain_lines(lines), code=code)
