"""Keys of a terminal: one reader for questions and for a run, each key whole."""

from __future__ import annotations

import os
import pty
import termios
import threading
from collections.abc import Iterator

import pytest

from verifyrig.core.interfaces import Controls
from verifyrig.dialogs.keyboard import people_in_control
from verifyrig.dialogs.prompt import ask_key
from verifyrig.dialogs.raw_keys import key_waits, read_key, single_keys

HANG_S = 60.0


class Keyboard:
    """A pseudo-terminal that stands in for stdin."""

    def __init__(self) -> None:
        self.ours, self.theirs = pty.openpty()

    def fileno(self) -> int:
        return self.theirs

    def isatty(self) -> bool:
        return True

    def type(self, keys: bytes) -> None:
        os.write(self.ours, keys)


@pytest.fixture
def keyboard(monkeypatch: pytest.MonkeyPatch) -> Iterator[Keyboard]:
    stand_in = Keyboard()
    monkeypatch.setattr("sys.stdin", stand_in)
    yield stand_in
    os.close(stand_in.ours)
    os.close(stand_in.theirs)


def keys_of(keyboard: Keyboard, typed: bytes, count: int) -> list[str]:
    with single_keys(keyboard.theirs):
        keyboard.type(typed)
        return [read_key(keyboard.theirs) for _ in range(count)]


# ECMA-48 (control sequences): ESC [ parameters (0x30 to 0x3F), final byte (0x40 to 0x7E). The console's function keys
# (ESC [ [ A) and the SS3 form (ESC O P) are from the kernel's and the terminals' key tables, from memory.
@pytest.mark.parametrize(
    ("typed", "keys"),
    [
        (b"ab", ["a", "b"]),
        (b"\x1b[Ax", ["\x1b[A", "x"]),
        (b"\x1b[15~x", ["\x1b[15~", "x"]),
        (b"\x1b[1;5Cx", ["\x1b[1;5C", "x"]),
        (b"\x1bOPx", ["\x1bOP", "x"]),
        (b"\x1b[[Ax", ["\x1b[[A", "x"]),
        ("ß€x".encode(), ["ß", "€", "x"]),
        (b"\x1bx", ["x"]),
        (b"\x1b\x1b[Ax", ["\x1b[A", "x"]),
    ],
)
def test_a_key_is_read_whole_and_no_part_of_it_is_a_key(keyboard: Keyboard, typed: bytes, keys: list[str]) -> None:
    assert keys_of(keyboard, typed, len(keys)) == keys


@pytest.mark.parametrize("before", [b"\x1b", b"\x1b[", b"\x1b[1", b"\x1bO", b"\x1b\x1b", b"\x1b[["])
def test_a_space_is_heard_whatever_stands_before_it(keyboard: Keyboard, before: bytes) -> None:
    assert keys_of(keyboard, before + b" ", 1) == [" "]


def test_a_run_hears_keys_and_takes_no_arrow_for_its_last_letter(keyboard: Keyboard) -> None:
    controls = Controls()
    with people_in_control(controls, keys=True):
        # Left: up, and a key of several bytes; then L, which is heard, and wakes the run.
        keyboard.type(b"\x1b[A\x1b[15~\x1bOPl")
        assert controls.wake.wait(HANG_S)
    assert list(controls.keys) == ["l"]


def test_a_question_hears_what_was_typed_ahead_and_a_run_does_not(keyboard: Keyboard) -> None:
    before = termios.tcgetattr(keyboard.theirs)
    with single_keys(keyboard.theirs):
        keyboard.type(b"y")
        assert ask_key() == "y"
        keyboard.type(b"z")
        assert key_waits(keyboard.theirs, HANG_S)
        with people_in_control(controls := Controls(), keys=True):
            keyboard.type(b"l")
            assert controls.wake.wait(HANG_S)
        assert list(controls.keys) == ["l"]
    assert termios.tcgetattr(keyboard.theirs) == before
    assert not [thread for thread in threading.enumerate() if thread.name == "keys"]
