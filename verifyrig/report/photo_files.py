"""Edge: the photos of a job as pictures for a page, each drawn anew: what lies in the folder may come from anywhere."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path
from typing import NamedTuple

from verifyrig.files.picture import PAGE_SIDE_PX, UnfitPicture, read_picture
from verifyrig.jobs.model import PHOTOS, PHOTOS_BEFORE, EntryKind, Job, JobEntry
from verifyrig.jobs.signing import CONDITION
from verifyrig.report.inputs import Photo, PhotoTime


class PagePicture(NamedTuple):
    """A picture as a `data:` address, and the SHA-256 of its bytes, hexadecimal."""

    uri: str
    digest: str


def page_picture(path: Path, inside: Path) -> PagePicture | None:
    """Return a photo for a page; None where it cannot be shown (gone, out of its folder, no picture)."""
    try:
        data = read_picture(path, PAGE_SIDE_PX, inside=inside).data
    except (UnfitPicture, OSError):
        return None
    uri = f"data:image/jpeg;base64,{base64.b64encode(data).decode('ascii')}"
    return PagePicture(uri, hashlib.sha256(data).hexdigest())


def photos_of(job: Job, folder: Path) -> tuple[Photo, ...]:
    """Return all photos of a job; one that cannot be shown is named all the same."""
    found: list[Photo] = []
    for entry in job.entries:
        if entry.entry_id in job.withdrawn:
            continue
        if entry.kind == EntryKind.NOTE and entry.what == CONDITION:
            found += _photos(entry, PHOTOS, PhotoTime.BEFORE, folder)
        elif entry.kind == EntryKind.CHANGE:
            found += _photos(entry, PHOTOS_BEFORE, PhotoTime.BEFORE, folder)
            found += _photos(entry, PHOTOS, PhotoTime.AFTER, folder)
    return tuple(found)


def _photos(entry: JobEntry, key: str, when: PhotoTime, folder: Path) -> list[Photo]:
    places = entry.detail.get(key)
    return [
        _photo(entry, place, when, folder)
        for place in (places if isinstance(places, list | tuple) else ())
        if isinstance(place, str)
    ]


def _photo(entry: JobEntry, place: str, when: PhotoTime, folder: Path) -> Photo:
    picture = page_picture(folder / place, folder)
    return Photo(
        when=when,
        shows=entry.what if entry.kind == EntryKind.CHANGE else "",
        part=entry.text("part"),
        utc_s=entry.time.timestamp(),
        name=Path(place).name,
        uri=picture.uri if picture is not None else "",
        digest=picture.digest if picture is not None else "",
    )
