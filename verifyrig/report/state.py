"""The state that a report was made from, as one digest: all editions of one state print the same.

The state is what is said, not how: language, unit and paper may differ between editions, and so may the day of issue.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict

from verifyrig.core.plain_json import plain_json
from verifyrig.report.inputs import ReportInput

SHOWN_DIGITS = 16


def state_digest(report: ReportInput) -> str:
    """Return the SHA-256 of job, records, photos, shop and instruments as they are known now, hexadecimal."""
    job, opinion = report.job, report.opinion
    state: dict[str, object] = {
        "number": report.number,
        "job": job.digest if job is not None else "",
        "same_cause": list(job.same_cause) if job is not None else [],
        "photos": [[photo.name, photo.digest] for photo in (job.photos if job is not None else ())],
        "records": [[run.run_id, run.digest, str(run.integrity), [*run.signatures]] for run in report.runs],
        "unreadable": [list(one) for one in report.unreadable],
        "pair": [report.before, report.after],
        "shop": asdict(report.shop),
        "instruments": [plain_json(dict(one)) for one in report.instruments],
        "suspects": [[one.cause, one.probability] for one in (opinion.suspects if opinion is not None else ())],
        "version": report.tool_version,
    }
    return hashlib.sha256(json.dumps(state, sort_keys=True, ensure_ascii=True).encode()).hexdigest()
