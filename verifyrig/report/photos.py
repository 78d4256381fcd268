"""Photos on a page: two of before and two of after for the customer, all of them in the archive."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from verifyrig.core.plain_text import plain_line
from verifyrig.report.done import change_words
from verifyrig.report.inputs import Photo, PhotoTime, ReportInput
from verifyrig.report.wording import Words

_EACH_SIDE = 2


class PhotoCell(NamedTuple):
    """One photo with what stands below it; `side` names its colour."""

    uri: str
    side: str
    when: str
    caption: str


def photo_cells(report: ReportInput, words: Words, *, archive: bool) -> list[PhotoCell]:
    """Return the photos that an edition shows, those of before first."""
    photos = [photo for photo in (report.job.photos if report.job is not None else ()) if photo.uri]
    before = [photo for photo in photos if photo.when is PhotoTime.BEFORE]
    after = [photo for photo in photos if photo.when is PhotoTime.AFTER]
    if not archive:
        before, after = _chosen_before(before), after[-_EACH_SIDE:]
    return [_cell(photo, words) for photo in (*before, *after)]


def _chosen_before(photos: Sequence[Photo]) -> list[Photo]:
    """Return one of the condition at intake and one of what was found; of one kind two where there is no other."""
    condition = [photo for photo in photos if not photo.shows]
    found = [photo for photo in photos if photo.shows]
    first = [*condition[:1], *found[:1]]
    return [*first, *(photo for photo in photos if photo not in first)][:_EACH_SIDE]


def photos_not_shown(report: ReportInput, words: Words, *, archive: bool) -> str:
    """Return how many photos an edition does not show, and why; empty where it shows all."""
    photos = report.job.photos if report.job is not None else ()
    shown = len(photo_cells(report, words, archive=archive))
    broken = [photo.name for photo in photos if not photo.uri]
    said = []
    left = len(photos) - len(broken) - shown
    if left:
        said.append(
            words.n("{count} further photo lies with the shop.", "{count} further photos lie with the shop.", left)
        )
    if broken and archive:
        names = ", ".join(plain_line(name, 80) for name in broken)
        said.append(words.t("These photos cannot be shown: {names}.", names=names))
    return " ".join(said)


def _cell(photo: Photo, words: Words) -> PhotoCell:
    before = photo.when is PhotoTime.BEFORE
    what = words.t("as it came in") if not photo.shows else change_words(photo.shows, words)
    named = f"{what} ({plain_line(photo.part, 60)})" if photo.part else what
    return PhotoCell(
        photo.uri,
        str(photo.when),
        words.t("before") if before else words.t("after"),
        f"{named}, {words.date(photo.utc_s)}",
    )
