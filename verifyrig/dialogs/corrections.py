"""Asks what is to be put right: a fact of the intake or an entry of the list."""

from __future__ import annotations

from verifyrig.dialogs.checked import ask_checked
from verifyrig.dialogs.prompt import Asker
from verifyrig.jobs.corrections import KEYS, correctable, correction_of, fact_of
from verifyrig.jobs.model import Job
from verifyrig.jobs.screen import entry_line


def ask_correction(asker: Asker, job: Job) -> tuple[list[tuple[str, str]], list[str]]:
    """Return facts to be put right as (key, value), and ids of entries to be taken back; none of both for nothing."""
    entries = correctable(job)
    facts = [f"{key.replace('-', ' ').replace('_', ' ')}: {fact_of(job.intake, key) or '–'}" for key in KEYS]
    rows = [*facts, *(f"take back: {entry_line(entry)}" for entry in entries.values())]
    row = asker.row("What is wrong?", [*rows, "nothing"])
    if row < len(KEYS):
        key = KEYS[row]
        value = ask_checked(asker, "What is right?", lambda text: correction_of(job, key, text))
        return ([(key, value)] if value else []), []
    return [], [list(entries)[row - len(KEYS)]] if row < len(rows) else []
