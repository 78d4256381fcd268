"""Putting a job right and putting it away: correct, take back, cancel, delete, clear. Each leaves its line.

What is done to a job that stays is an entry of its own list. What takes a job or its personal data away leaves a line
in `jobs/log.toml`: time, job, what, who and why, and nothing of the customer.
"""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import UsageError
from verifyrig.jobs.corrections import check_taken_back, correction_of
from verifyrig.jobs.dangers import standing_dangers
from verifyrig.jobs.keeping import cleared, is_due, keep_days
from verifyrig.jobs.log import CLEARED, DELETED, note_gone
from verifyrig.jobs.model import EntryKind, Job
from verifyrig.jobs.store import append, change_file, new_entry, read_job, read_jobs, writing
from verifyrig.jobs.text import entry_data


def correct(bench: Bench, job: Job, pairs: Sequence[tuple[str, str]], *, why: str, by: str, now: datetime) -> Job:
    """Put facts of the intake right; raise `UsageError` where one is not valid, and nothing is written then."""
    reason = {"reason": why} if why else {}
    facts = [(key, correction_of(job, key, value) | reason) for key, value in pairs]
    entries = [new_entry(EntryKind.CORRECTION, key, now=now, by=by, detail=detail) for key, detail in facts]
    return append(bench, job.job_id, entries)


def take_back(bench: Bench, job: Job, entry_id: str, *, why: str, by: str, now: datetime) -> Job:
    """Take an entry back that was written by mistake; raise `UsageError` where it has to stand."""
    entry = check_taken_back(job, entry_id)
    detail = {"reason": why} if why else {}
    return append(bench, job.job_id, [new_entry(EntryKind.WITHDRAWAL, entry.entry_id, now=now, by=by, detail=detail)])


def cancel(bench: Bench, job: Job, *, why: str, by: str, now: datetime) -> Job:
    """End a job without a repair.

    Raises:
        UsageError: No reason is given, or it is over already.
    """
    if not why.strip():
        raise UsageError("it is not said why", where="job cancel", mend="Add --reason TEXT.")
    if not job.is_open:
        raise UsageError(f"job {job.job_id} is over already", where="job cancel", mend="Nothing is to be done.")
    unsafe = {"not_safe": [str(found.code) for found in standing_dangers(job)]} if standing_dangers(job) else {}
    entry = new_entry(EntryKind.CANCEL, "cancelled", now=now, by=by, detail={"reason": why, **unsafe})
    return append(bench, job.job_id, [entry])


def delete(bench: Bench, job: Job, *, why: str, with_records: bool, by: str, now: datetime) -> list[Path]:
    """Take a job away with all that belongs to it; return the files of reports that went with it.

    Raises:
        UsageError: No reason is given, it has records and nobody said so, or a customer has signed.
    """
    where = "job delete"
    if not why.strip():
        raise UsageError("it is not said why", where=where, mend="Add --reason TEXT; it stands in the log.")
    if job.signed:
        raise UsageError(
            f"a customer has signed job {job.job_id}, and what was signed stays",
            where=where,
            mend="`job cancel` ends it; `job clear` takes the personal data away once it is over.",
        )
    records = bench.records(job.job_id)
    if records and not with_records:
        raise UsageError(f"it has {len(records)} records", where=where, mend="Add --with-records to delete them too.")
    folder = bench.writable(bench.job_dir(job.job_id))
    note_gone(bench, job.job_id, DELETED, why=why, by=by, now=now, records=len(records))
    with writing(folder):
        shutil.rmtree(folder)
    return _remove_pages(bench, job.job_id)


def clear(bench: Bench, job: Job, *, why: str, by: str, now: datetime) -> Job:
    """Take the personal data of a job away: from its file, its photos, and its pages in `reports/`.

    Records hold none, and stay as they are.

    Raises:
        UsageError: It is not over.
    """
    if job.is_open:
        raise UsageError(
            f"job {job.job_id} is still open", where="job clear", mend="Close it and hand it over, or cancel it, first."
        )
    if job.is_cleared:
        return job
    entry = new_entry(EntryKind.CLEARING, "personal data", now=now, by=by, detail={"reason": why})
    note_gone(bench, job.job_id, CLEARED, why=why, by=by, now=now)

    def changed(data: dict[str, Any]) -> dict[str, Any]:
        left = cleared(data)
        return left | {"entry": [*left.get("entry", []), entry_data(entry)]}

    change_file(bench, job.job_id, changed)
    photos = bench.writable(bench.job_dir(job.job_id) / "photos")
    with writing(photos):
        if photos.is_dir():
            shutil.rmtree(photos)
    _remove_pages(bench, job.job_id)
    return read_job(bench, job.job_id)


def clear_due(bench: Bench, now: datetime) -> list[str]:
    """Clear every job whose time has come by `[privacy] keep_days`; return their ids."""
    days = keep_days(bench.config)
    if days is None:
        return []
    jobs, _ = read_jobs(bench)
    due = [job for job in jobs if is_due(job, days, now)]
    for job in due:
        clear(bench, job, why=f"keep_days = {days}", by="", now=now)
    return [job.job_id for job in due]


def _remove_pages(bench: Bench, job_id: str) -> list[Path]:
    """Remove the pages, PDFs and labels of a job; ids have no dot, so that no other job's are among them."""
    pages = sorted(bench.reports_dir.glob(f"{job_id}.*"))
    if job_id == "index":
        pages = sorted(bench.reports_dir.glob("index.*.*"))
    with writing(bench.reports_dir):
        for page in pages:
            page.unlink()
    return pages
