"""`verifyrig inspect`: is a record whole, sealed, unaltered; how did its run end."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verifyrig.commands import Answer, Context
from verifyrig.core.errors import ExitCode, RecordError

if TYPE_CHECKING:
    from verifyrig.record.check import RecordCheck


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `inspect`."""
    parser.add_argument("record", metavar="RECORD", help="path, run id, unique prefix of one, `first` or `last`")


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Hold the record against its digests; exit code 1 where altered or damaged, 4 where its log is missing."""
    from verifyrig.record.check import check_record

    path = context.bench.find_record(args.record)
    check = check_record(path)
    data, lines = _as_json(check), _sentences(check)
    if check.outcome == "interrupted" and check.digest is not None:
        more, words = _post_mortem(path, context)
        data |= more
        lines += words
    return Answer(data=data, text="\n".join(map(_printable, lines)), code=_code(check))


def _post_mortem(path: Path, context: Context) -> tuple[dict[str, Any], list[str]]:
    """Return what ended the run, and what the break-offs of its job have in common, as JSON and as sentences."""
    from verifyrig.runs.end_of_run import pattern_in_job, post_mortem_of
    from verifyrig.runs.post_mortem import as_json
    from verifyrig.runs.run_list import job_of

    try:
        found, job = post_mortem_of(path), job_of(path)
    except RecordError:
        return {}, []  # what is wrong with the record was said above
    if found is None:
        return {}, []
    lines = ["", found.sentence]
    lines += [f"  for it: {'; '.join(found.reasons)}"] if found.reasons else []
    lines += [f"  against it: {'; '.join(found.against)}"] if found.against else []
    pattern = pattern_in_job(context.bench, job) if job is not None else None
    if pattern is None:
        return {"post_mortem": as_json(found)}, lines
    return {"post_mortem": {**as_json(found), "pattern": pattern.sentence}}, [*lines, pattern.sentence]


def _printable(line: str) -> str:
    """Return a line without anything that drives a terminal; names in a record come from outside."""
    return "".join(c if c.isprintable() else "?" for c in line)


def _code(check: RecordCheck) -> ExitCode:
    if check.altered is not None or check.damage:
        return ExitCode.FAILED
    return ExitCode.DONE if check.whole else ExitCode.NOT_PROVEN


def _as_json(check: RecordCheck) -> dict[str, Any]:
    altered = None if check.altered is None else {"row": check.altered.row, "what": check.altered.what}
    return {
        "run": check.run,
        "whole": check.whole,
        "sealed": check.sealed,
        "altered": altered,
        "digest": check.digest,
        "outcome": check.outcome,
        "cause": None if check.cause is None else dict(check.cause),
        "last_sample_s": check.last_sample_s,
        "largest_lag_s": check.largest_lag_s,
        "damage": check.damage or None,
        "notes": list(check.notes),
    }


def _sentences(check: RecordCheck) -> list[str]:
    lines = [f"Record of run {check.run}", _state(check), *(f"{note[0].upper()}{note[1:]}." for note in check.notes)]
    if check.outcome is not None:
        lines.append(_ending(check))
    if check.last_sample_s is not None:
        lines.append(f"{check.samples} samples, the last at {check.last_sample_s:.1f} s.")
    if check.largest_lag_s is not None:
        lines.append(f"The disk was at most {check.largest_lag_s:.2f} s behind.")
    if check.digest is not None:
        lines.append(f"Digest of what is there: {check.digest}")
    return lines


def _state(check: RecordCheck) -> str:
    if check.altered is not None:
        return f"ALTERED: {check.altered.what}."
    if check.damage:
        return f"DAMAGED: {check.damage}."
    if check.sealed:
        return "Whole, sealed and unaltered."
    if check.outcome == "running":
        return "Whole up to now; it is still being written, and therefore not sealed."
    kept = "Everything in it fits its digests." if check.whole else "What is in it fits its digests."
    return f"Not sealed: it was never closed. {kept}"


def _ending(check: RecordCheck) -> str:
    if check.cause is None:
        return f"The run: {check.outcome}."
    why = "; ".join(map(str, check.cause.get("why") or []))
    return f"The run: {check.outcome}, {check.cause.get('class')}{f' ({why})' if why else ''}."
