"""`verifyrig job close | handover`: a job is closed with its cause, and the machine handed over."""

from __future__ import annotations

import argparse
from dataclasses import replace

from verifyrig.commands import Answer, Context
from verifyrig.commands.job_answer import job_of, now, releasing_answer, said_by
from verifyrig.core.errors import UsageError
from verifyrig.dialogs.prompt import Asker
from verifyrig.jobs.vocabulary import CAUSES, OLD_PARTS


def add_close(sub: argparse.ArgumentParser) -> None:
    """Declare the cause, and what is closed over."""
    sub.add_argument("--cause", choices=list(CAUSES), metavar="CAUSE", help=", ".join(CAUSES))
    sub.add_argument("--override", default="", metavar="REASON", help="close although something is open; is printed")
    sub.add_argument("--not-safe", action="store_true", help="close it as not safe to use: a danger stands")
    sub.add_argument("--tick", action="append", default=[], metavar="STEP", help="tick a protective step first")


def add_handover(sub: argparse.ArgumentParser) -> None:
    """Declare who takes the machine."""
    sub.add_argument("--to", metavar="NAME", help="who takes the machine")
    sub.add_argument("--old-parts", choices=list(OLD_PARTS), help="what became of the old parts, offered back")
    sub.add_argument("--signature", metavar="NAME", help="who signed (default: who takes it)")
    sub.add_argument("--not-safe", action="store_true", help="hand it over as not safe to use: a danger stands")


def close(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Close the job with its cause; refused where it is not finished."""
    from verifyrig.dialogs.job_interview import ask_cause, ask_not_safe, ask_override, ask_steps
    from verifyrig.jobs.actions import note_findings, tick_steps
    from verifyrig.jobs.dangers import standing_dangers
    from verifyrig.jobs.earlier import same_cause
    from verifyrig.jobs.ending import close_job
    from verifyrig.jobs.fitness import fitness_of, points_to_close
    from verifyrig.jobs.proof import proved_changes
    from verifyrig.jobs.runs import comparable_in, runs_of
    from verifyrig.jobs.store import read_jobs

    job = job_of(args, context, asker)
    by = said_by(args, context)
    job = tick_steps(context.bench, job, args.tick, by=by, now=now())
    if asker is not None and not args.override:
        done, given = ask_steps(asker, job)
        job = tick_steps(context.bench, job, done, by=by, now=now())
        job = note_findings(context.bench, job, given, by=by, now=now()) if given else job
    runs = runs_of(context.bench, job.job_id, kept=False)
    obstacles = list(map(str, points_to_close(fitness_of(job, runs))))
    standing, not_safe = standing_dangers(job), args.not_safe
    if standing and not not_safe and asker is not None:
        not_safe = ask_not_safe(asker, standing)
    refused = bool(standing) and not not_safe  # whatever else is answered: nothing is asked for then
    override = args.override
    if obstacles and not override and asker is not None and not refused:
        override = ask_override(asker, obstacles)
    cause = args.cause
    if cause is None and (override or not obstacles) and not refused:
        if asker is None:
            raise UsageError("the cause is not named", where="job close", mend=f"--cause {'|'.join(CAUSES)}.")
        cause = ask_cause(asker)
    job = close_job(
        context.bench,
        job,
        runs,
        cause or "unknown",
        override=override[:2000],
        not_safe=not_safe,
        by=by,
        now=now(),
        comparable=comparable_in(context.bench, job),
    )
    again = same_cause(read_jobs(context.bench)[0], job)
    said = f"Job {job.job_id} is closed: {CAUSES[cause or 'unknown']}."
    said += " Before and after prove it: it counts as a case of this bench." if proved_changes(job) else ""
    said += f" The same cause again, as in job {', '.join(again)}." if again else ""
    answer = releasing_answer(job, runs, context, said)
    return replace(answer, data={**answer.data, "same_cause": again})


def handover(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Note the pickup."""
    from verifyrig.dialogs.job_interview import ask_handover, ask_not_safe
    from verifyrig.jobs.dangers import standing_dangers
    from verifyrig.jobs.ending import hand_over
    from verifyrig.jobs.runs import runs_of

    job = job_of(args, context, asker)
    standing, not_safe = standing_dangers(job), args.not_safe
    if standing and not not_safe and asker is not None:
        not_safe = ask_not_safe(asker, standing)
    answers = {"to": args.to or "", "old_parts": args.old_parts or "", "signature": args.signature or ""}
    if not args.to and asker is not None:
        answers |= ask_handover(asker, job)
    runs = runs_of(context.bench, job.job_id, kept=False)
    answers = {key: value[:200] for key, value in answers.items()}
    job = hand_over(context.bench, job, runs, not_safe=not_safe, by=said_by(args, context), now=now(), **answers)
    return releasing_answer(job, runs, context, f"Job {job.job_id} is handed over.")
