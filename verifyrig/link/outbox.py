"""Which records the bench computer does not have whole yet: a small file for each, until it has.

A machine that went dark finds them when it is up again, and sends the rest; the record itself is what is sent.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from verifyrig.bench.folder import ID_PATTERN
from verifyrig.files.atomic_write import write_whole
from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.link.keys import link_folder


class Unsent(NamedTuple):
    """A record that is not whole at a bench computer, known by the fingerprint of its certificate."""

    run: str
    record: Path
    fingerprint: str


def remember(unsent: Unsent) -> None:
    """Note that a record is to be sent whole; raise `OSError` where that cannot be written."""
    data = {"record": str(unsent.record.absolute()), "fingerprint": unsent.fingerprint}
    write_whole(_path(unsent.run), json.dumps(data))


def moved(run: str, record: Path) -> None:
    """Note that a record lies elsewhere now; nothing where it was sent whole, or was never to be sent."""
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError, RecursionError):
        data = json.loads(read_text(_path(run), FileKind.NOTE))
        write_whole(_path(run), json.dumps({**data, "record": str(record.absolute())}))


def forget(run: str) -> None:
    """Note that the bench computer has a record whole."""
    with contextlib.suppress(OSError):
        _path(run).unlink()


def unsent(fingerprint: str) -> Iterator[Unsent]:
    """Yield what a bench computer does not have whole, oldest first; what cannot be read is passed over."""
    for path in sorted((link_folder() / "outbox").glob("*.json")):
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError, RecursionError):
            data = json.loads(read_text(path, FileKind.NOTE))
            found = Unsent(path.stem, Path(data["record"]), str(data["fingerprint"]))
            if found.fingerprint == fingerprint and ID_PATTERN.fullmatch(found.run):
                yield found


def _path(run: str) -> Path:
    return link_folder() / "outbox" / f"{run}.json"
