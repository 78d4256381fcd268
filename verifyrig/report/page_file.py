"""Edge: puts one finished page into its file, whole or not at all."""

from __future__ import annotations

from pathlib import Path

from verifyrig.core.errors import BenchError
from verifyrig.files.atomic_write import write_whole


def write_page(path: Path, text: str) -> None:
    """Write a file whole or not at all; raise `BenchError` where that cannot be."""
    try:
        write_whole(path, text)
    except OSError as error:
        raise BenchError(
            f"it cannot be written ({error.strerror or error})",
            where=str(path),
            mend="Check the rights of the folder and the space on the disk.",
        ) from error
