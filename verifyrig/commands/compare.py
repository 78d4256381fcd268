"""`verifyrig compare`: two runs, before and after, stage by stage."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.evidence import code_of, warned_integrity
from verifyrig.commands.which_job import add_job_words, name_at_place, records_meant
from verifyrig.core.errors import ExitCode, RecordError, UsageError, first_code, kept_to
from verifyrig.core.plain_text import plain_lines

if TYPE_CHECKING:
    from verifyrig.analysis import Comparison, MetricDifference
    from verifyrig.analysis.results import StageComparison
    from verifyrig.runs.contract import ComparedStage, CompareObject


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `compare`."""
    parser.add_argument("before", nargs="?", metavar="BEFORE", help="record before the change (default: first)")
    parser.add_argument("after", nargs="?", metavar="AFTER", help="record after it (default: last)")
    add_job_words(parser)


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Compare two records; without names, the first and the last of the job."""
    from verifyrig.analysis import compare
    from verifyrig.jobs.changed_parts import changed_channels
    from verifyrig.record import read_trace
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
    head = [name_at_place(context, job)] if job is not None else []
    return Answer(data=data, text=plain_lines([*head, *_lines(found)]), code=code)


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


def _lines(found: Comparison) -> list[str]:
    lines = [f"Before {found.before}, after {found.after}"]
    for name, stage in found.stages.items():
        word = "comparable" if stage.comparable else "not comparable"
        lines += ["", f"{name}: {word}" + (f" (before: {stage.before})" if stage.before else "")]
        lines += [f"  {why}" for why in stage.why]
        own = {key: m for key, m in found.metrics.items() if key.split(".", 1)[0] == name}
        lines += [_metric_line(key, m) for key, m in own.items() if m.difference is not None]
    if not found.comparable:
        lines += ["", "Not comparable."]
    return lines


def _metric_line(name: str, m: MetricDifference) -> str:
    spread = "" if m.u95 is None else f" ± {m.u95:.2g}"
    word = {True: "", False: ", within the uncertainty", None: ", uncertainty unknown"}[m.significant]
    return f"  {name}: {m.before:.4g} -> {m.after:.4g} {m.unit}, {m.difference:+.3g}{spread}{word}"
