"""Edge: the one door for what a command was asked to write (`--out`): never over a file that is not such an output.

An earlier output is known by a mark in its first lines. Whatever else stands at the place is somebody's: a record,
a job, bench.toml, a letter. It stays, and the command says so. What is written comes whole or not at all.
"""

from __future__ import annotations

import contextlib
import io
import os
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import TextIO

from verifyrig.core.errors import BenchError, UsageError
from verifyrig.files.atomic_write import replacing
from verifyrig.files.foreign_file import FileKind, opened
from verifyrig.files.png_mark import PNG_MARK

_HEAD_BYTES = 8192


class Output(StrEnum):
    """What is written."""

    PAGE = "page"
    PDF = "PDF"
    PICTURE = "picture"
    PNG = "PNG"
    TOTAL = "total of a job"
    RECORD_TABLE = "table of a record"
    UNIT_TABLE = "table of units"
    UNIT_TESTS = "list of tests"


# What stands in the head of each (of a PDF at its end), as this program has always written it.
PDF_MARK = "% written by verifyrig\n"
PICTURE_MARK = "<desc>Drawn by verifyrig</desc>"
_MARKS: dict[Output, tuple[bytes, ...]] = {
    Output.PAGE: (b'<meta name="generator" content="verifyrig', b'<meta name="verifyrig-'),
    Output.PDF: (PDF_MARK.encode(),),
    Output.PNG: (PNG_MARK,),
    Output.TOTAL: (b"job,ticket,day,kind,what,",),
    Output.PICTURE: (PICTURE_MARK.encode(), b"<title>The path of the heat, link by link</title>"),
    Output.RECORD_TABLE: (b"t_s [s],",),
    Output.UNIT_TABLE: (b"unit,batch,model,run,started,attempt,of,",),
    Output.UNIT_TESTS: (b'<testsuite name="verifyrig ',),
}
# A new file of such a name would be taken for a record, a job, a profile or settings, or for what belongs to one.
_NAMES_OF_OTHERS = (".sqlite", ".toml", "-wal", "-shm", "-journal", ".after.json")


def check_place(path: Path, kind: Output) -> None:
    """Raise `UsageError` where an output of this kind must not be written; nothing is written here.

    Args:
        path: The file that is to be written.
        kind: What it would hold: only an output of the same kind may be replaced.
    """
    if path.name.lower().endswith(_NAMES_OF_OTHERS):
        raise _refused(path, "a file of this name is a record, a job, a profile or settings", "Choose another ending.")
    try:
        with opened(path, FileKind.RECORD) as file:
            head = file.read(_HEAD_BYTES)
            if kind is Output.PDF and head:
                file.seek(max(0, file.seek(0, os.SEEK_END) - _HEAD_BYTES))
                head = file.read(_HEAD_BYTES)
    except (FileNotFoundError, NotADirectoryError):
        return
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise _refused(path, f"this cannot be written over ({why})", "Name another file.") from error
    if head and not any(mark in head for mark in _MARKS[kind]):
        raise _refused(
            path, f"there is a file already, and it is no {kind} of ours", "Name another file, or move that one away."
        )


@contextlib.contextmanager
def output(path: Path, kind: Output, *, encoding: str = "utf-8") -> Iterator[TextIO]:
    """Yield a file to write into, which gets its name when it is whole; line ends are written as they come.

    Raises:
        UsageError: Something else stands at the place.
        BenchError: It cannot be written; what stood there stays.
    """
    check_place(path, kind)
    try:
        with replacing(path) as raw:
            file = io.TextIOWrapper(raw, encoding=encoding, errors="replace", newline="")
            yield file
            file.flush()
            file.detach()
    except OSError as error:
        why = error.strerror or str(error)
        mend = "Check the folder, its rights, and the space on the disk."
        raise BenchError(f"it cannot be written ({why})", where=str(path), mend=mend) from error


def write_output(path: Path, text: str, kind: Output) -> None:
    """Write a text, arguments and errors as `output`; its folder is made where it is missing."""
    check_place(path, kind)
    with contextlib.suppress(OSError):  # what is wrong with the folder is said where the file is written
        path.parent.mkdir(parents=True, exist_ok=True)
    with output(path, kind) as file:
        file.write(text)


def _refused(path: Path, what: str, mend: str) -> UsageError:
    shown = str(path)
    return UsageError(what, where=f"--out {shown if len(shown) <= 200 else shown[:200] + '...'}", mend=mend)
