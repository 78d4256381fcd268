"""Edge: the standard streams. Answers go out on stdout, messages on stderr, and neither ends the program.

A stream may be closed, full, without a reader, or of a code page that lacks a character. None of that may change what
was found: the exit code is the answer's, unless the answer could not be written at all.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import stat
import sys
from collections.abc import Callable
from typing import TextIO

from verifyrig.core.plain_text import plain_block

__all__ = ["ReaderGone", "Unwritable", "prepare_streams", "put", "release_streams", "steer", "tell"]


class ReaderGone(Exception):
    """Whoever read stdout has read enough."""


class Unwritable(Exception):
    """Stdout takes nothing; the text says why."""


def prepare_streams() -> None:
    """Put something harmless in the place of closed streams, and let a code page replace what it cannot show.

    The numbers 0 to 2 are taken at once: the next file opened would get the number of a closed stream, and a record
    would take in what a library prints there.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is None:
            setattr(sys, name, _stand_in(number))
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _stand_in(number: int) -> TextIO:
    # A closed stdout stays one that cannot be written to, so that an answer is not taken for delivered.
    opened = os.open(os.devnull, os.O_WRONLY if number == 2 else os.O_RDONLY)
    if opened != number:
        os.dup2(opened, number)
        os.close(opened)
    os.set_inheritable(number, True)
    return open(number, "r" if number == 0 else "w", encoding="utf-8", errors="replace", closefd=False)


def tell(text: object = "", *, end: str = "\n") -> None:
    """Write a message to stderr, harmless for a terminal; where nobody can read it, it is lost in silence."""
    with contextlib.suppress(OSError, ValueError):
        print(plain_block(text), end=end, file=sys.stderr, flush=True)


def steer(sequence: str) -> None:
    """Write a control sequence of our own to stderr, and what it places; in silence where that fails."""
    with contextlib.suppress(OSError, ValueError):
        print(sequence, end="", file=sys.stderr, flush=True)


def put(write: Callable[[TextIO], object]) -> None:
    """Let `write` put something on stdout, and see it off.

    Raises:
        ReaderGone: Nobody reads the pipe any more.
        Unwritable: Stdout is closed, full or broken.
    """
    try:
        write(sys.stdout)
        sys.stdout.flush()
    except OSError as error:
        gone = _is_reader_gone(error)
        _mute(sys.stdout)
        if gone:
            raise ReaderGone from error
        raise Unwritable(error.strerror or type(error).__name__) from error


def _is_reader_gone(error: OSError) -> bool:
    # Windows says EINVAL for a pipe without a reader, Linux EIO for a terminal that was closed.
    if os.name == "nt":
        return isinstance(error, ConnectionError) or error.errno == errno.EINVAL
    return isinstance(error, ConnectionError) or (error.errno == errno.EIO and _is_a_device(sys.stdout))


def _is_a_device(stream: TextIO) -> bool:
    try:
        return stat.S_ISCHR(os.fstat(stream.fileno()).st_mode)
    except (OSError, ValueError):
        return False


def _mute(stream: TextIO) -> None:
    """Lead what is still to be written into nothing: Python would complain of it once more at its end."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def release_streams() -> None:
    """Write what is left in the streams; what they do not take changes no exit code any more."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            _mute(stream)
