"""`verifyrig job show`: one screen of a job, and a come-back beside the run it was once signed off by."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.job_answer import add_place, job_of
from verifyrig.core.errors import JobError, RecordError, kept_to
from verifyrig.core.plain_text import plain_line
from verifyrig.dialogs.prompt import Asker

if TYPE_CHECKING:
    from verifyrig.jobs.contract import ComeBack
    from verifyrig.jobs.model import Job


def add_show(sub: argparse.ArgumentParser) -> None:
    """Declare which job."""
    sub.add_argument("job", nargs="?", metavar="JOB", help="its id (default: the open job)")
    add_place(sub)


def show_job(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Show its time line, and what is open."""
    from verifyrig.jobs.earlier import same_cause
    from verifyrig.jobs.keeping import keep_days, kept_until
    from verifyrig.jobs.runs import fitness_in, runs_of
    from verifyrig.jobs.screen import job_object, show
    from verifyrig.jobs.store import read_job, read_jobs

    job = job_of(args, context, asker)
    runs = runs_of(context.bench, job.job_id)
    fitness = fitness_in(context.bench, job, runs)
    data = job_object(job, runs, fitness)
    old = None
    if job.again:
        try:
            old = read_job(context.bench, job.again)
        except JobError:
            # The earlier job may lie on another bench; its id stands in the time line.
            old = None
    again = same_cause(read_jobs(context.bench)[0], job)
    data["same_cause"] = again
    lines = [show(job, runs, fitness, old=old)]
    lines += [f"The same cause again, as in job {', '.join(again)}."] if again else []
    until = kept_until(job, keep_days(context.bench.config))
    lines += [f"Personal data are kept until {until}, and then cleared."] if until and not job.is_cleared else []
    if old is not None:
        found = _come_back_of(job, old, context)
        data["come_back"] = found
        if found is not None:
            why = "; ".join(found["why"])
            lines.append(plain_line(f"Beside run {found['then']}, run {found['now']} is: {found['word']} ({why})"))
    return Answer(data=data, text="\n".join(lines))


def _come_back_of(job: Job, old: Job, context: Context) -> ComeBack | None:
    """Return today's newest run beside the one that the earlier job was signed off by; None where one fails."""
    from verifyrig.analysis import compare
    from verifyrig.jobs.returned import judge_come_back
    from verifyrig.jobs.rules import in_order, signed_off_run
    from verifyrig.jobs.runs import runs_of
    from verifyrig.record import read_trace

    then = signed_off_run(runs_of(context.bench, old.job_id))
    today = in_order(runs_of(context.bench, job.job_id))
    if then is None or not today:
        return None
    now = next((run for run in reversed(today) if run.recipe == then.recipe), today[-1])
    try:
        before, after = (read_trace(context.bench.find_record(run.run)) for run in (then, now))
        with kept_to(now.run):
            found = judge_come_back(then, now, compare(before, after))
    except RecordError:
        return None
    return {"then": then.run, "now": now.run, "word": found.word, "why": list(map(str, found.why))}
