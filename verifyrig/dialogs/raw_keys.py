"""Single keys from a terminal, without Enter: the mode of the terminal, and the one reader of its bytes."""

from __future__ import annotations

import contextlib
import os
import select
from collections.abc import Iterator

__all__ = ["key_waits", "read_key", "read_windows_key", "single_keys"]

_ESCAPE = b"\x1b"
_LONGEST_CHARACTER = 4  # bytes in UTF-8
# A terminal sends a sequence at once; a person's next key comes later than this.
_REMAINDER_WITHIN_S = 0.02


@contextlib.contextmanager
def single_keys(fd: int, *, keep_typed_ahead: bool = True) -> Iterator[None]:
    """While inside, each key of the terminal can be read at once and is not shown.

    Args:
        keep_typed_ahead: Whether what was typed before counts; a key for an earlier question must not reach a run.

    Raises:
        OSError: The terminal is gone.
    """
    if os.name == "nt":
        yield
        return
    import termios
    import tty

    try:
        before = termios.tcgetattr(fd)
        tty.setcbreak(fd, termios.TCSADRAIN if keep_typed_ahead else termios.TCSAFLUSH)
    except termios.error as error:
        raise OSError(*error.args) from error
    try:
        yield
    finally:
        # The terminal may be gone by now (closed window); there is nothing to give back then.
        with contextlib.suppress(termios.error, OSError):
            termios.tcsetattr(fd, termios.TCSADRAIN, before)


def key_waits(fd: int, within_s: float = 0.0) -> bool:
    """Return whether a key waits to be read, or comes within the time."""
    return bool(select.select([fd], [], [], within_s)[0])


def read_key(fd: int) -> str:
    """Wait for one key; return its character, "" where the terminal is closed.

    A key that moves or edits (an arrow, a function key) comes as an escape with more behind it (ECMA-48, 5.4: control
    sequences) and is returned whole, so that its last letter is not taken for a key. What cannot belong to such a
    sequence is a key in its own right: a space right behind an escape still ends a load.
    """
    key = os.read(fd, 1)
    while key == _ESCAPE and key_waits(fd, _REMAINDER_WITHIN_S):
        key = _after_escape(fd)
    while key >= b"\x80" and len(key) < _LONGEST_CHARACTER and _is_cut(key) and key_waits(fd, _REMAINDER_WITHIN_S):
        more = os.read(fd, 1)
        if not more:
            break
        key += more
    return key.decode("utf-8", errors="replace")


def _after_escape(fd: int) -> bytes:
    """Return the sequence whole, or the key that an escape stood before."""
    key = os.read(fd, 1)
    if key not in (b"[", b"O"):
        return key
    sequence = _ESCAPE + key
    while key_waits(fd, _REMAINDER_WITHIN_S):
        key = os.read(fd, 1)
        if not b"0" <= key <= b"~":
            return key
        sequence += key
        # Parameters are 0 to ?, the last byte is @ to ~; a second [ opens the function keys of a Linux console.
        if key >= b"@" and not (key == b"[" and sequence == _ESCAPE + b"[["):
            break
    return sequence


def _is_cut(data: bytes) -> bool:
    return not data.decode("utf-8", errors="ignore")


def read_windows_key() -> str:
    """Wait for one key on Windows, and return its character."""
    import importlib

    key: str = importlib.import_module("msvcrt").getwch()
    return key
