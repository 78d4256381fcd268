"""Edge: photos of a job as they come in: drawn anew without metadata, in its folder under names of our own."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import JobError
from verifyrig.files.atomic_write import replacing
from verifyrig.files.foreign_file import FileKind, copy_new
from verifyrig.files.picture import PlainPhoto, UnfitPicture, read_picture
from verifyrig.jobs.store import writing

FOLDER = "photos"
_ENDING = re.compile(r"\.[a-z0-9]{1,5}")


def keep_photos(bench: Bench, job_id: str, entry_id: str, paths: Sequence[Path]) -> list[str]:
    """Keep photos in the job's folder; return their places relative to it.

    They are scaled, upright and without metadata. With `[privacy] keep_original_photos` the file as it came lies beside
    each of them; no page ever shows it.

    Raises:
        JobError: A file is missing, is no plain file, or no picture; nothing is kept then.
    """
    folder = bench.writable(bench.job_dir(job_id) / FOLDER)
    pictures = [_picture(path) for path in paths]
    originals = bench.config.get("privacy", {}).get("keep_original_photos") is True
    kept = []
    for n, (path, picture) in enumerate(zip(paths, pictures, strict=True), start=1):
        place = folder / f"{entry_id}-{n}.jpg"
        with writing(folder):
            folder.mkdir(parents=True, exist_ok=True)
            with replacing(place) as file:
                file.write(picture.data)
            if originals:
                copy_new(path, folder / f"{entry_id}-{n}.original{_ending(path)}", FileKind.PHOTO)
        kept.append(f"{FOLDER}/{place.name}")
    return kept


def _ending(path: Path) -> str:
    ending = path.suffix.lower()
    return ending if _ENDING.fullmatch(ending) else ""


def check_photo(path: Path) -> None:
    """Raise `JobError` where a path leads to nothing that can be kept as a photo."""
    _picture(path)


def _picture(path: Path) -> PlainPhoto:
    where = f"photo {str(path)[:200]!r}"
    try:
        return read_picture(path)
    except UnfitPicture as error:
        raise JobError(str(error), where=where, mend="Save it as JPEG, smaller if need be, and name that.") from error
    except OSError as error:
        raise JobError(
            f"this is no file of at most 50 MB ({error.strerror or error})", where=where, mend="Check the file's path."
        ) from error
