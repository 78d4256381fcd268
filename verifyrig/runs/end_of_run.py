"""The post-mortem of a record on disk: its trace, and what was noted at the first start after it was interrupted."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import RecordError, kept_to
from verifyrig.core.outcome import Outcome
from verifyrig.core.trace import Trace
from verifyrig.record import read_head, read_trace
from verifyrig.record.restart_note import read_aftermath
from verifyrig.runs.interruptions import Pattern, pattern_of
from verifyrig.runs.post_mortem import PostMortem, explain_end


def post_mortem_of(path: Path, trace: Trace | None = None) -> PostMortem | None:
    """Return what ended the run; None where it was not interrupted. Raises `RecordError` as `read_trace`.

    Args:
        trace: What the record holds, where it was read already.
    """
    trace, note = trace or read_trace(path), read_aftermath(path)
    with kept_to(path):
        if note is None:
            return explain_end(trace)
        return explain_end(trace, note.remembered, note.restarted_utc_s)


def post_mortems(traces: Mapping[Path, Trace]) -> dict[str, PostMortem]:
    """Return what ended the interrupted runs, by run, from their traces by path, where that is known."""
    found = {}
    for path, trace in traces.items():
        with contextlib.suppress(RecordError):
            ending = post_mortem_of(path, trace)
            if ending is not None:
                found[trace.run_id] = ending
    return found


def pattern_in_job(bench: Bench, job: str) -> Pattern | None:
    """Return what interruptions of a job have in common; None for fewer than two. Unreadable records are left out."""
    found = []
    for path in bench.records(job):
        try:
            if read_head(path).recorded.outcome == Outcome.INTERRUPTED:
                found.append(post_mortem_of(path))
        except RecordError:
            continue
    return pattern_of([one for one in found if one is not None])
