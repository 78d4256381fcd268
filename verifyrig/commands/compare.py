"""`verifyrig compare`: two runs, before and after, stage by stage."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.evidence import code_of, warned_integrity
from verifyrig.commands.which_job import add_job_words, heading, records_meant
from verifyrig.core.errors import ExitCode, RecordError, UsageError, first_code, kept_to
from verifyrig.core.plain_text import plain_lines
from verifyrig.core.profile import StageKind

if TYPE_CHECKING:
    from verifyrig.analysis import Comparison
    from verifyrig.analysis.results import StageComparison
    from verifyrig.core.trace import Trace
    from verifyrig.runs.contract import ComparedStage, CompareObject


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `compare`."""
    parser.add_argument("before", nargs="?", metavar="BEFORE", help="record before the change (default: first)")
    parser.add_argument("after", nargs="?", metavar="AFTER", help="record after it (default: last)")
    parser.add_argument("--table", action="store_true", help="every figure by its name, in place of ten lines")
    add_job_words(parser)


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Compare two records; without names, the first and the last of the job."""
    from verifyrig.analysis import compare
    from verifyrig.commands.compare_text import summary_lines, table_lines
    from verifyrig.jobs.changed_parts import changed_channels
    from verifyrig.record import read_trace
    from verifyrig.report.wording import words_for
    from verifyrig.runs.summary import exposure_object

    if (args.before is None) != (args.after is None):
        raise UsageError("one record is named", where="compare", mend="Name both records, before and after, or none.")
    names = (args.before or "first", args.after or "last")
    job, (before, after) = records_meant(context, names, args.job, args.place)
    if before == after:
        raise RecordError("before and after are one record", where=str(before), mend="Name two runs.")
    changed = changed_channels(job) if job is not None else ()
    old, new = read_trace(before), read_trace(after)
    with kept_to(f"{before}, {after}"):
        found = compare(old, new, changed_parts=changed)
        exposure = (exposure_object(old), exposure_object(new))
    integrity = warned_integrity((before, after))
    code = first_code(code_of(integrity), ExitCode.DONE if found.comparable else ExitCode.NOT_PROVEN)
    data = data_of(found)
    data["exposure"] = {"before": exposure[0], "after": exposure[1]}
    data["integrity"] = {"before": integrity[before], "after": integrity[after]}
    head = heading(context, job, named=names)
    step, words = step_of(old, new), words_for("en")
    lines = table_lines(found, step, words) if args.table else summary_lines(found, step, words, _by_kind(new))
    return Answer(data=data, text=plain_lines([*head, *lines]), code=code)


def data_of(found: Comparison) -> CompareObject:
    """Return the contract's object without `schema`."""
    return {
        "before": found.before,
        "after": found.after,
        "stages": {name: _stage(stage) for name, stage in found.stages.items()},
        "comparable": found.comparable,
        "metrics": {
            name: {
                "before": m.before,
                "after": m.after,
                "difference": m.difference,
                "u95": m.u95,
                "significant": m.significant,
            }
            for name, m in found.metrics.items()
        },
    }


def _stage(stage: StageComparison) -> ComparedStage:
    entry: ComparedStage = {"comparable": stage.comparable, "why": list(map(str, stage.why))}
    if stage.before:
        entry["before"] = stage.before
    return entry


def step_of(*traces: Trace) -> Callable[[str], float | None]:
    """Return what gives the coarsest step of the sensors behind a metric that is in its channel's unit, else None."""
    from verifyrig.analysis.signals import sensor_facts

    def step(metric: str) -> float | None:
        channel = metric.split(".")[1]
        steps = [sensor_facts(trace, channel).resolution or 0.0 for trace in traces]
        return max(steps) or None if metric.count(".") == 2 else None

    return step


def _by_kind(trace: Trace) -> list[str]:
    """Return the stages of a run, loads first."""
    order = (StageKind.LOAD, StageKind.IDLE, StageKind.COOLDOWN)
    return [stage.name for kind in order for stage in trace.stages if stage.kind == kind]
