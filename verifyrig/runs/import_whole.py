"""An import comes into the bench whole or not at all: written aside, sealed, read back and judged, then moved in."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterator
from pathlib import Path

from verifyrig.core.errors import FaultWithRecord, ImportFault, RecordError, kept_to
from verifyrig.core.integrity import Integrity
from verifyrig.files.atomic_write import sync_folder
from verifyrig.record import read_trace
from verifyrig.record.check import integrity_of
from verifyrig.record.store import record_errors
from verifyrig.runs.contract import RunObject
from verifyrig.runs.csv_import import Imported
from verifyrig.runs.import_record import ImportOrder, write_imported
from verifyrig.runs.summary import summary_of

__all__ = ["bring_in"]


def bring_in(runs_dir: Path, samples: Imported, order: ImportOrder) -> tuple[Path, RunObject]:
    """Put the samples into `runs_dir` as a sealed record of a new run; return its path and its figures.

    Raises:
        UsageError: A stage lies behind the last sample.
        ImportFault: The record could not be read back and judged as every other one; nothing was left of it.
        RecordError: The record cannot be written.
    """
    with _aside(runs_dir) as folder:
        written = write_imported(folder, samples, order)
        path = runs_dir / written.name
        summary = _judged(written, path, order.origin)
        with record_errors(path):
            if path.exists():
                raise FileExistsError(path.name)
            written.replace(path)
            sync_folder(runs_dir)
    return path, summary


def _judged(written: Path, path: Path, origin: str) -> RunObject:
    try:
        integrity, fault = integrity_of(written)
        if integrity is not Integrity.SEALED:
            raise RecordError(fault, where=str(written), mend="")
        with kept_to(written):
            return summary_of(read_trace(written), str(path), integrity=integrity)
    except FaultWithRecord as error:
        mend = "Nothing was imported; send the file and the command line to the makers."
        raise FaultWithRecord(error.what, where=origin, mend=mend) from error
    except RecordError as error:
        raise ImportFault(
            f"it makes no record that can be read again ({error.what})",
            where=origin,
            mend="Nothing was imported; check times and values for figures that cannot be.",
        ) from error


@contextlib.contextmanager
def _aside(runs_dir: Path) -> Iterator[Path]:
    """Give a folder on the same disk that no search for records looks into; it goes with all that is left in it."""
    with record_errors(runs_dir):
        runs_dir.mkdir(parents=True, exist_ok=True)
        folder = tempfile.TemporaryDirectory(prefix=".import-", dir=runs_dir, ignore_cleanup_errors=True)
    try:
        with folder as name:
            yield Path(name)
    except BaseException:
        with contextlib.suppress(OSError):
            runs_dir.rmdir()  # goes only where it was made for this import
        raise
