"""A diagnosis that one run cannot take down: runs with which this program fails are left out and named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from verifyrig.core.errors import FaultWithRecord, kept_to
from verifyrig.diagnosis import Diagnosis, diagnose

if TYPE_CHECKING:
    from verifyrig.core.trace import FloatArray, Trace
    from verifyrig.jobs.model import Job
    from verifyrig.runs.post_mortem import PostMortem


def diagnose_each(
    traces: Sequence[Trace],
    *,
    job: Job | None = None,
    prior: FloatArray | None = None,
    endings: Mapping[str, PostMortem] | None = None,
) -> tuple[Diagnosis, dict[str, str]]:
    """Return the diagnosis, and which runs were left out of it with the reason; arguments as `diagnose`.

    Raises:
        FaultWithRecord: It fails without any of them, too.
    """
    try:
        with kept_to(", ".join(trace.run_id for trace in traces) or "diagnose"):
            return diagnose(traces, job=job, prior=prior, endings=endings), {}
    except FaultWithRecord:
        left_out = {trace.run_id: why for trace in traces if (why := _why_not(trace)) is not None}
        if not left_out:
            raise
    kept = [trace for trace in traces if trace.run_id not in left_out]
    return diagnose(kept, job=job, prior=prior, endings=endings), left_out


def _why_not(trace: Trace) -> str | None:
    try:
        with kept_to(trace.run_id):
            diagnose([trace])
    except FaultWithRecord as error:
        return error.what
    return None
