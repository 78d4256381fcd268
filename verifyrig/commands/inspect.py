"""`verifyrig inspect`: does a record fit its digests, is it sealed and signed; how did its run end."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.core.errors import ExitCode, RecordError, UsageError
from verifyrig.core.outcome import Outcome
from verifyrig.core.plain_text import plain_lines
from verifyrig.core.reason import sentence

if TYPE_CHECKING:
    from verifyrig.record.check import RecordCheck
    from verifyrig.record.signature import CheckedSignature
    from verifyrig.runs.contract import AlteredObject, InspectObject, PostMortemObject


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `inspect`."""
    parser.add_argument("record", metavar="RECORD", help="path, run id, unique prefix of one, `first` or `last`")
    parser.add_argument(
        "--printed", metavar="DIGEST", help="the digest on the printed and signed page, or its first 16 signs or more"
    )


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Hold the record against its digests; exit code 1 where altered or damaged, 4 where its log is missing."""
    from verifyrig.record.check import check_record

    printed = _printed(args.printed)
    path = context.bench.find_record(args.record)
    check = check_record(path)
    data, lines = _as_json(check), _sentences(check)
    if printed is not None:
        data["printed"] = fits = check.digest is not None and check.digest.startswith(printed)
        lines.append(
            "It is the record of the printed page: the digests agree."
            if fits
            else "NOT THE RECORD OF THE PRINTED PAGE: its digest is another."
        )
    if check.outcome == Outcome.INTERRUPTED and check.digest is not None:
        found, words = _post_mortem(path, context)
        if found is not None:
            data["post_mortem"] = found
        lines += words
    return Answer(data=data, text=plain_lines(lines), code=_code(check, data.get("printed")))


def _printed(text: str | None) -> str | None:
    """Return the digest as typed off a page, without blanks; raise `UsageError` for what is none."""
    if text is None:
        return None
    digits = "".join(text.split()).lower()
    if not 16 <= len(digits) <= 64 or any(sign not in "0123456789abcdef" for sign in digits):
        raise UsageError(
            f"{text[:80]!r} is no digest", where="--printed", mend="Type at least the first 16 signs of it (0-9, a-f)."
        )
    return digits


def _post_mortem(path: Path, context: Context) -> tuple[PostMortemObject | None, list[str]]:
    """Return what ended the run, and what the interruptions of its job have in common, as JSON and as sentences."""
    from verifyrig.runs.end_of_run import pattern_in_job, post_mortem_of
    from verifyrig.runs.post_mortem import as_json
    from verifyrig.runs.run_list import job_of

    try:
        found, job = post_mortem_of(path), job_of(path)
    except RecordError:
        return None, []  # what is wrong with the record was said above
    if found is None:
        return None, []
    lines = ["", str(found.conclusion)]
    lines += [f"  for it: {'; '.join(map(str, found.reasons))}"] if found.reasons else []
    lines += [f"  against it: {sentence(found.against)}"] if found.against else []
    pattern = pattern_in_job(context.bench, job) if job is not None else None
    answer = as_json(found)
    if pattern is None:
        return answer, lines
    answer["pattern"] = str(pattern.conclusion)
    return answer, [*lines, str(pattern.conclusion)]


def _code(check: RecordCheck, printed: bool | None) -> ExitCode:
    if check.integrity.is_broken or printed is False:
        return ExitCode.FAILED
    return ExitCode.DONE if check.whole else ExitCode.NOT_PROVEN


def _as_json(check: RecordCheck) -> InspectObject:
    altered: AlteredObject | None = (
        None if check.altered is None else {"row": check.altered.row, "what": check.altered.what}
    )
    return {
        "run": check.run,
        "whole": check.whole,
        "sealed": check.sealed,
        "altered": altered,
        "digest": check.digest,
        "outcome": check.outcome,
        "cause": check.cause,
        "last_sample_s": check.last_sample_s,
        "largest_lag_s": check.largest_lag_s,
        "damage": check.damage or None,
        "integrity": check.integrity,
        "signatures": [
            {
                "role": one.signature.role,
                "fingerprint": one.signature.fingerprint,
                "public_key": one.signature.key_text,
                "signed": one.signature.signed,
                "state": str(one.state),
            }
            for one in check.signatures
        ],
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
    lines += [_signed(one) for one in check.signatures]
    if check.sealed and not check.signatures:
        lines.append("Not signed.")
    return lines


def _signed(one: CheckedSignature) -> str:
    from verifyrig.record.signature import SignatureState

    by = f"Signed {one.signature.signed} ({one.signature.role}) with key {one.signature.fingerprint}"
    states = {
        SignatureState.FITS: "the signature fits; compare the key with the one on the printed page.",
        SignatureState.BROKEN: "THE SIGNATURE DOES NOT FIT.",
        SignatureState.NOT_CHECKED: "not checked, for want of a library (install verifyrig[sign]).",
    }
    return f"{by}: {states[one.state]}"


def _state(check: RecordCheck) -> str:
    if check.altered is not None:
        return f"ALTERED: {check.altered.what}."
    if check.damage:
        return f"DAMAGED: {check.damage}."
    if check.sealed:
        return (
            "Sealed, and it fits its digests. Anybody can compute digests anew: compare the one below with the "
            "printed and signed page (--printed DIGEST)."
        )
    if check.outcome == Outcome.RUNNING:
        return "Whole up to now; it is still being written, and therefore not sealed."
    kept = "Everything in it fits its digests." if check.whole else "What is in it fits its digests."
    return f"Not sealed: it was never closed. {kept}"


def _ending(check: RecordCheck) -> str:
    if check.cause is None:
        because = f" ({'; '.join(check.stopped)})" if check.stopped else ""
        return f"The run: {check.outcome}{because}."
    why = "; ".join(map(str, check.cause.get("why") or []))
    return f"The run: {check.outcome}, {check.cause.get('class')}{f' ({why})' if why else ''}."
