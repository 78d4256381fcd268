"""What a customer signs at intake, as one digest, and whether it still stands as it was signed. Pure."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict

from verifyrig.jobs.model import EntryKind, Job, JobEntry
from verifyrig.jobs.vocabulary import CONSENTS

INTAKE_SLIP = "intake"
CONDITION = "condition-at-intake"
SHOWN_DIGITS = 16


def signed_digest(job: Job) -> str:
    """Return the digest of what the intake slip says: machine, condition, photos, complaint, consent, price frame.

    SHA-256 of canonical JSON, so that any later change of one of these gives another one.
    """
    intake = job.intake
    said = {
        "job": job.job_id,
        "opened": job.opened.isoformat(),
        "customer": asdict(intake.customer),
        "machine": asdict(intake.machine),
        "complaint": intake.complaint,
        "answers": dict(intake.answers),
        "consent": {key: job.consent(key) for key in CONSENTS},
        "price_ceiling": intake.price_ceiling,
        "accessories": intake.accessories,
        "condition": intake.condition,
        "photos": list(intake_photos(job)),
    }
    return hashlib.sha256(json.dumps(said, sort_keys=True, ensure_ascii=True).encode()).hexdigest()


def intake_photos(job: Job) -> tuple[str, ...]:
    """Return the photos of the condition as it came in, as places in the job's folder."""
    return tuple(
        photo
        for entry in job.of_kind(EntryKind.NOTE)
        if entry.what == CONDITION
        for photo in entry.detail.get("photos", ())
        if isinstance(photo, str)
    )


def intake_signature(job: Job) -> JobEntry | None:
    """Return the newest signature under the intake slip, None where nobody signed."""
    signed = [entry for entry in job.of_kind(EntryKind.SIGNATURE) if entry.what == INTAKE_SLIP]
    return signed[-1] if signed else None


def is_signed_as_it_stands(job: Job) -> bool:
    """Return whether the intake slip was signed, and says today what was signed."""
    signature = intake_signature(job)
    return signature is not None and signature.text("digest") == signed_digest(job)
