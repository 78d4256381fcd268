"""`verifyrig diagnose`: which causes the evidence speaks for, how sure that is, and the most informative next test."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.evidence import code_of, warned_integrity
from verifyrig.commands.which_job import add_job_words, heading, job_meant, records_meant
from verifyrig.core.errors import ExitCode, RecordError, UsageError, first_code
from verifyrig.core.plain_text import plain_lines

if TYPE_CHECKING:
    from verifyrig.commands.contract import DiagnoseObject, ExperienceObject
    from verifyrig.core.contract import LeftOut
    from verifyrig.core.trace import Trace
    from verifyrig.diagnosis import Diagnosis
    from verifyrig.diagnosis.experience import Experience
    from verifyrig.diagnosis.next_test import RankedTest
    from verifyrig.jobs.model import Job


_ADVICE = "This is advice from measurements. Never open a power supply; local codes and licensed practice come first."
_OUTCOMES = {"cured": "the fault is gone", "same": "nothing altered"}
_MOST_MOVED = 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `diagnose`."""
    parser.add_argument(
        "records", nargs="*", metavar="RECORD", help="records of one machine, in any order (default: of the open job)"
    )
    parser.add_argument("--out", metavar="FILE.svg", help="draw the thermal path, each link beside its usual range")
    add_job_words(parser)


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Diagnose the records named, with their job's intake and findings; without names, the open job."""
    from verifyrig.diagnosis.each_run import diagnose_each
    from verifyrig.diagnosis.experience import experience_of
    from verifyrig.files.output_file import Output, check_place, write_output
    from verifyrig.jobs.store import read_jobs
    from verifyrig.runs.end_of_run import post_mortems

    picture = _picture_path(args.out)
    if picture is not None:
        check_place(picture, Output.PICTURE)
    job, paths = _chosen(context, args)
    traces, left_out = _read(paths, all_or_none=bool(args.records))
    ordered = sorted(traces.values(), key=_began)
    experience = experience_of(read_jobs(context.bench)[0], context.bench.config, job)
    found, faulty = diagnose_each(ordered, job=job, prior=experience.prior, endings=post_mortems(traces))
    left_out += [{"run": run, "why": why} for run, why in faulty.items()]
    integrity = warned_integrity(paths)
    code = first_code(code_of(integrity), ExitCode.DONE if found.is_clear else ExitCode.NOT_PROVEN)
    data, lines = data_of(found), [*lines_of(found), *experience_lines(experience)]
    data["experience"] = experience_data(experience)
    data["left_out"] = left_out
    data["integrity"] = {path.stem: one for path, one in integrity.items()}
    lines += [_ADVICE]
    lines += [f"Left out: {one['run']}: {one['why']}" for one in left_out]
    if picture is not None:
        write_output(picture, found.picture(), Output.PICTURE)
        data["picture"] = str(picture)
        lines.append(f"The thermal path, drawn: {picture}")
    head = heading(context, job, named=args.records)
    return Answer(data=data, text=plain_lines([*head, *lines]), code=code)


def _read(paths: Sequence[Path], *, all_or_none: bool) -> tuple[dict[Path, Trace], list[LeftOut]]:
    """Return the traces by path, and of a job those records that cannot be read, with the reason.

    Raises:
        RecordError: A record cannot be read, and `all_or_none`: it was named.
    """
    from verifyrig.record import read_trace

    traces: dict[Path, Trace] = {}
    left_out: list[LeftOut] = []
    for path in paths:
        try:
            traces[path] = read_trace(path)
        except RecordError as error:
            if all_or_none:
                raise
            left_out.append({"run": path.stem, "why": error.what})
    return traces, left_out


def _picture_path(text: str | None) -> Path | None:
    if text is not None and Path(text).suffix.lower() != ".svg":
        raise UsageError(f"{text!r} is no name for a picture", where="--out", mend="Let it end in .svg.")
    return None if text is None else Path(text)


def _chosen(context: Context, args: argparse.Namespace) -> tuple[Job | None, list[Path]]:
    if args.records:
        return records_meant(context, args.records, args.job, args.place)
    job = job_meant(context, args.job, args.place)
    if job is None:
        raise RecordError(
            "no job is open, and no record is named",
            where="diagnose",
            mend="Name records, or take a machine in with `verifyrig job open`.",
        )
    return job, context.bench.records(job.job_id)


def _began(trace: Trace) -> tuple[float, str]:
    return (float(trace.utc_s[0]) if len(trace.utc_s) else 0.0, trace.run_id)


def data_of(found: Diagnosis) -> DiagnoseObject:
    """Return the contract's object without `schema`."""
    test = found.next_test
    return {
        "suspects": [
            {
                "cause": suspect.cause,
                "probability": round(suspect.probability, 4),
                "for": list(map(str, suspect.reasons_for)),
                "against": list(map(str, suspect.reasons_against)),
            }
            for suspect in found.suspects
        ],
        "next_test": None
        if test is None
        else {
            "do": test.plan.do,
            "separates": list(test.separates),
            "gain_bits": round(test.gain_bits, 3),
            "minutes": test.plan.minutes,
            "tools": test.plan.tools,
            "outcomes": [
                {"outcome": one.outcome, "cause": one.cause, "probability": round(one.probability, 4)}
                for one in test.points_to
            ],
        },
        "customer": str(found.for_customer),
        "not_measured": list(map(str, found.not_measured)),
        "advice": [] if found.advice is None else [str(found.advice)],
        "substitutions": [{"part": s.part, "rating": s.rating, "says": str(s.says)} for s in found.substitutions],
    }


def _share(probability: float) -> str:
    """Never 100 %: no measurement is as sure as that."""
    return ">99.9%" if probability > 0.999 else f"{probability:6.1%}"


def experience_data(found: Experience) -> ExperienceObject:
    """Return the contract's object: how the shop's own cases move the table's first guess."""
    from verifyrig.diagnosis.experience import LEAST_CASES, TABLE_WORTH_CASES

    return {
        "used": found.used,
        "on": found.on,
        "cases": found.cases,
        "least_cases": LEAST_CASES,
        "table_worth_cases": TABLE_WORTH_CASES,
        "causes": [
            {
                "cause": one.cause,
                "prior": round(one.prior, 5),
                "count": one.count,
                "posterior": round(one.posterior, 5),
            }
            for one in found.shares
        ],
    }


def experience_lines(found: Experience) -> list[str]:
    """Return what moves the first guess where the shop's cases do, and by how much."""
    if not found.used:
        return []
    moved = sorted((one for one in found.shares if one.count), key=lambda one: -abs(one.posterior - one.prior))
    shown = ", ".join(f"{one.cause} {one.prior:.0%} to {one.posterior:.0%}" for one in moved[:_MOST_MOVED])
    return [
        "",
        f"Own experience: {found.cases} proved cases of this bench move how common each cause is taken to be: {shown}. "
        "`[diagnosis] experience = false` in bench.toml leaves them out.",
    ]


def lines_of(found: Diagnosis) -> list[str]:
    """Return what a person reads."""
    lines = []
    for suspect in found.suspects:
        lines.append(f"{_share(suspect.probability)}  {_cause_words(suspect.cause)} ({suspect.cause})")
        if suspect.probability >= 0.05:
            lines += [f"          for: {reason}" for reason in suspect.reasons_for]
            lines += [f"          against: {reason}" for reason in suspect.reasons_against]
    lines += ["", f"For the customer: {found.for_customer}"]
    says = [str(s.says) for s in found.substitutions]
    lines += [f"{one[0].upper()}{one[1:]}." for one in says]
    if found.next_test is not None:
        lines += ["", *_next_lines(found.next_test)]
    if found.advice is not None:
        said = str(found.advice)
        lines += ["", f"{said[0].upper()}{said[1:]}."]
    if found.not_measured:
        lines += ["", "Not measured: " + ", ".join(map(str, found.not_measured)) + "."]
    return lines


def _next_lines(test: RankedTest) -> list[str]:
    """Return what to do by hand, why it is this, and what each outcome would mean."""
    plan, (one, other) = test.plan, test.separates
    tools = "no tools" if plan.tools == "none" else plan.tools
    lines = [
        f"Do next, by hand ({plan.minutes:.0f} min, {tools}):",
        f"  {plan.do}",
        f"  Why this: of what is safe now it tells most for the time it takes. It parts “{_cause_words(one)}” from "
        f"“{_cause_words(other)}”.",
    ]
    for point in test.points_to:
        words = _OUTCOMES.get(point.outcome, point.outcome.replace("-", " "))
        lines.append(f"  If {words}: most probably {_cause_words(point.cause)} ({_share(point.probability).strip()}).")
    return lines


def _cause_words(cause: str) -> str:
    from verifyrig.jobs.vocabulary import CAUSES

    return "not clear yet, or none of these" if cause == "unknown" else CAUSES[cause]
