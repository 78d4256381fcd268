"""What becomes of a run whose record can no longer be written: how it ended is kept beside it, or what is lost is said.

A full disk takes no last word. A little room is therefore kept free from the start, and given back for it.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig.core.errors import RecordError
from verifyrig.core.outcome import Outcome
from verifyrig.record.restart_note import Aftermath, write_aftermath

if TYPE_CHECKING:
    from verifyrig.rig.parts import RunEnd

_SPARE_BYTES = 16_384  # the note has less than 2 kB; file systems give room in blocks of up to 16 kB


def spare_path(record: Path) -> Path:
    """Return where the room for the last word about a record is kept."""
    return record.with_name(f".{record.stem}.spare")


@contextlib.contextmanager
def spare_space(record: Path) -> Iterator[None]:
    """Keep some room on the disk of a record while inside; where that cannot be, the run goes on without."""
    place = spare_path(record)
    with contextlib.suppress(OSError), place.open("xb") as file:
        file.write(bytes(_SPARE_BYTES))
        file.flush()
        os.fsync(file.fileno())
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            place.unlink(missing_ok=True)


def note_end(record: Path, run: str, end: RunEnd, samples: int) -> None:
    """Keep beside a record how its run ended, where the record itself does not say.

    Raises:
        RecordError: The record is no longer there; it says what is lost with it.
    """
    if not record.exists():
        why = f" ({'; '.join(map(str, end.reasons))})" if end.reasons else ""
        raise RecordError(
            f"the record was deleted or moved away while the run lasted, and with it its {samples} samples; "
            f"the run ended: {end.outcome}{why}",
            where=str(record),
            mend="Put its files back where they were moved, else run it again; leave them alone until a run is over.",
        )
    # A run whose last word alone was not taken is no completed one: its record proves nothing.
    outcome = Outcome.STOPPED if end.outcome == Outcome.COMPLETED else end.outcome
    note = Aftermath(run=run, seen_utc_s=time.time(), outcome=outcome, cause=end.cause, trip=end.trip, why=end.reasons)
    write_aftermath(record, note)
