"""Keys and signals of a run: Space ends the load, Ctrl-C, SIGTERM and a closed terminal end the run."""

from __future__ import annotations

import _thread
import contextlib
import os
import select
import signal
import sys
import threading
from collections.abc import Iterator
from types import FrameType
from typing import Any

from verifyrig.core.interfaces import Controls
from verifyrig.core.outcome import CauseClass
from verifyrig.dialogs.raw_keys import read_key, read_windows_key, single_keys

EXTERNAL_KEY = "l"  # the load that a person runs goes on or off with it, at this very moment
_MOST_KEYS = 4096  # that nobody has looked at yet
_POLL_S = 0.1  # on Windows, where a keyboard cannot be waited for


@contextlib.contextmanager
def people_in_control(controls: Controls, *, keys: bool) -> Iterator[None]:
    """While inside, signals and (where stdin is a terminal and `keys`) single keys reach `controls`."""
    with _signals(controls), _keys(controls) if keys and sys.stdin.isatty() else contextlib.nullcontext():
        yield


@contextlib.contextmanager
def _signals(controls: Controls) -> Iterator[None]:
    reasons: dict[signal.Signals, str] = {signal.SIGINT: CauseClass.OPERATOR, signal.SIGTERM: CauseClass.TERMINATED}
    if hasattr(signal, "SIGHUP"):
        reasons[signal.SIGHUP] = "hangup"
    if hasattr(signal, "SIGQUIT") and signal.getsignal(signal.SIGQUIT) is not signal.SIG_IGN:
        reasons[signal.SIGQUIT] = CauseClass.OPERATOR  # Ctrl-\\, which would leave the terminal without its echo

    def handler(number: int, _frame: FrameType | None) -> None:
        # Not called in the handler itself: it may interrupt this very thread inside wake.wait(), which holds
        # the event's lock, and would then wait for itself for ever.
        _thread.start_new_thread(controls.quit, (reasons[signal.Signals(number)],))

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before: dict[signal.Signals, Any] = {number: signal.signal(number, handler) for number in reasons}
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)


@contextlib.contextmanager
def _keys(controls: Controls) -> Iterator[None]:
    if os.name == "nt":
        with _windows_keys(controls):
            yield
        return
    fd = sys.stdin.fileno()
    woken, wake = os.pipe()
    reader = threading.Thread(target=_read_keys, args=(fd, woken, controls), name="keys", daemon=True)
    # A key that was pressed for an earlier question must not end a load.
    with single_keys(fd, keep_typed_ahead=False):
        try:
            reader.start()
            yield
        finally:
            # Whoever reads keys next must be the only one: a reader left behind would swallow the key for the menu.
            os.close(wake)
            if reader.ident is not None:
                reader.join()
            os.close(woken)


def _read_keys(fd: int, woken: int, controls: Controls) -> None:
    """Hand on keys until the other end of `woken` is closed."""
    while True:
        try:
            ready, _, _ = select.select([fd, woken], [], [])
            if woken in ready:
                return
            key = read_key(fd)
        except OSError:
            key = ""
        if not key:
            # End of file on a terminal that we read keys from: it was closed.
            controls.quit("hangup")
            return
        _press(controls, key)


@contextlib.contextmanager
def _windows_keys(controls: Controls) -> Iterator[None]:
    import importlib

    msvcrt = importlib.import_module("msvcrt")
    done = threading.Event()

    def read() -> None:
        while not done.wait(_POLL_S):
            while msvcrt.kbhit():
                _press(controls, read_windows_key())

    threading.Thread(target=read, name="keys", daemon=True).start()
    try:
        yield
    finally:
        done.set()


def _press(controls: Controls, key: str) -> None:
    if key == " ":
        controls.press_end_load()
    elif len(key) == 1 and key.isprintable() and len(controls.keys) < _MOST_KEYS:
        controls.keys.append(key.lower())
        # What is only noted waits for the next sample: pasted text must not keep the run awake.
        if key.lower() == EXTERNAL_KEY:
            controls.wake.set()
