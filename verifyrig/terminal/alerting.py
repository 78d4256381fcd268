"""Calls somebody who does not look at the screen: the terminal's bell, and a command of the shop's from bench.toml.

    [alert]
    command = ["/usr/local/bin/ring"]   # called with one more word: trip, gate, stop, question or end
    bell = true

The command gets no name of a customer or machine. It is started beside the run and never waited for; what it does, and
whether it can be started at all, changes nothing of the run.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.profile import Profile, Stage
from verifyrig.files.own_settings import why_not_own
from verifyrig.files.streams import tell
from verifyrig.rig.observer import Attention, Observer, TickView

ASK_EVERY_S = 5.0
_BELL, _STDERR = b"\a", 2
_ALARMS = (Attention.TRIP, Attention.GATE, Attention.STOP)


def ring_bell() -> None:
    """Ring the terminal's bell, where stderr is one.

    By the descriptor: a panel that draws takes what goes to `sys.stderr` in, and holds back what ends no line.
    """
    with contextlib.suppress(OSError):
        if os.isatty(_STDERR):
            os.write(_STDERR, _BELL)


class Alerting:
    """A face that calls as well: hands on everything, and rings at what a person must hear of."""

    def __init__(
        self,
        face: Observer,
        command: Sequence[str] = (),
        ring: Callable[[], None] = ring_bell,
        alarm: Callable[[Attention], None] | None = None,
    ) -> None:
        self._face = face
        self._alarm = alarm
        self._command = tuple(command)
        self._ring = ring
        self._asks_since_s: float | None = None
        self._started: list[threading.Event] = []

    def begin(self, profile: Profile, infos: Mapping[str, ChannelInfo], notes: list[str]) -> None:
        """Hand it on."""
        self._face.begin(profile, infos, notes)

    def stage(self, stage: Stage, index: int, t_s: float) -> None:
        """Hand it on."""
        self._face.stage(stage, index, t_s)

    def tick(self, view: TickView) -> None:
        """Hand it on; ring again while a question stands."""
        self._face.tick(view)
        if self._asks_since_s is not None and time.monotonic() - self._asks_since_s >= ASK_EVERY_S:
            self._asks_since_s = time.monotonic()
            self._ring()

    def say(self, text: str, *, loud: bool = False) -> None:
        """Hand it on."""
        self._face.say(text, loud=loud)

    def attend(self, what: Attention | None) -> None:
        """Show it, ring, and start the shop's command."""
        self._face.attend(what)
        self._asks_since_s = time.monotonic() if what is Attention.QUESTION else None
        if what is not None:
            self.call(what)

    def call(self, what: Attention) -> None:
        """Ring, start the shop's command, and hand an alarm over; nothing of it is waited for."""
        self._ring()
        if self._command:
            # Starting a program takes tens of milliseconds, in which a run takes samples and may have to trip.
            started = threading.Event()
            words = [*self._command, str(what)]
            threading.Thread(target=_start, args=(words, started), daemon=True).start()
            self._started.append(started)
        if self._alarm is not None and what in _ALARMS:
            kept = threading.Event()
            threading.Thread(target=_keep, args=(self._alarm, what, kept), daemon=True).start()
            self._started.append(kept)

    def end(self) -> None:
        """Hand it on."""
        self._face.end()

    def join(self, within_s: float = 2.0) -> None:
        """Wait a little until every command was started: the program's own end must not forestall the last one."""
        for started in self._started:
            started.wait(within_s)


def _keep(alarm: Callable[[Attention], None], what: Attention, kept: threading.Event) -> None:
    try:
        alarm(what)
    finally:
        kept.set()


def _start(words: Sequence[str], started: threading.Event) -> None:
    try:
        process = subprocess.Popen(
            words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        tell(f"verifyrig: [alert] command: {words[0]} cannot be started ({getattr(error, 'strerror', None) or error}).")
        started.set()
        return
    started.set()
    process.wait()  # reaped where it ends while the run lasts


def alert_command(config: Mapping[str, Any], settings: Path) -> tuple[tuple[str, ...], str]:
    """Return the shop's command, and why it is not taken; both empty where there is none.

    What may be started is said by whoever may log in here: a bench.toml that others may write to, or that belongs to
    somebody else, as on a stick, starts nothing.
    """
    command = tuple(config.get("alert", {}).get("command", ()))
    refused = why_not_own(settings) if command else ""
    return ((), refused) if refused else (command, "")
