"""Places of the bench: which open job stands on which. Pure.

A place is remembered in the job that stands there, as an entry of its list: nothing else has to be kept in step, and
who moved what when stays on record. The newest entry decides; a job put on a place displaces the one that stood there,
and a job that is over stands nowhere.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from verifyrig.bench.text import NOWHERE
from verifyrig.core.errors import UsageError
from verifyrig.files.toml_table import meant, shown
from verifyrig.jobs.model import EntryKind, Job


def place_names(config: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the names of the places that bench.toml knows; none for a bench with one place."""
    return tuple(config.get("place", {}).get("names", ()))


def check_place(config: Mapping[str, Any], name: str, where: str) -> str:
    """Return a place's name; raise `UsageError` where the bench has no such place."""
    names = place_names(config)
    if name not in names:
        mend = meant(name, names) if names else 'Name the places in bench.toml: [place] names = ["left", "right"].'
        raise UsageError(f"there is no place {shown(name)} on this bench", where=where, mend=mend)
    return name


def places_of(jobs: Sequence[Job]) -> dict[str, str]:
    """Return the place of each open job that stands on one, by the job's id."""
    newest = {}
    for job in jobs:
        moves = job.of_kind(EntryKind.PLACE)
        if moves and job.is_open and moves[-1].what != NOWHERE:
            newest[job.job_id] = moves[-1]
    held: dict[str, str] = {}
    for job_id, _ in sorted(newest.items(), key=lambda item: (item[1].time, item[1].entry_id)):
        held[newest[job_id].what] = job_id
    return {job_id: place for place, job_id in held.items()}
