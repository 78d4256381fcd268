"""The stick's part of the first screen: what it is, what is recorded, the clock, and how the machine is left."""

from __future__ import annotations

import contextlib
import subprocess
import textwrap
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, tzinfo
from typing import Any

from verifyrig.bench.folder import Bench
from verifyrig.core.plain_text import plain_line
from verifyrig.dialogs.checked import ask_checked
from verifyrig.dialogs.prompt import Asker, Option
from verifyrig.record.pullable import write_back
from verifyrig.stick import clock
from verifyrig.stick.cable_desk import CableDesk
from verifyrig.stick.clock import ClockWord, Trust
from verifyrig.stick.first_minutes import FirstMinutes
from verifyrig.stick.medium import MEDIUM, Medium
from verifyrig.stick.settings import ask_once
from verifyrig.system.stick import Stick

_TRUST = {
    Trust.UNCHECKED: "not checked",
    Trust.WRONG: "WRONG: earlier than this stick was made",
    Trust.CONFIRMED: "looked at and found right",
    Trust.TYPED: "typed in",
}
_LOOK_S = 2.0
_OFF_WITHIN_S = 60.0
# While a graphics driver takes over, the kernel keeps the text on a console of 80 columns: what stands further right is
# cut off (Linux, drivers/video/console/dummycon.c).
_FIRST_COLUMNS = 79
_YES_NO = (Option(key="y", label="yes"), Option(key="n", label="no"))


class StickDesk:
    """What the bare command shows and asks besides, where it runs from the stick."""

    def __init__(self, stick: Stick, bench: Bench, asker: Asker, medium: Medium = MEDIUM) -> None:
        self._stick = stick
        self._bench = bench
        self._asker = asker
        self._medium = medium
        self._minutes: FirstMinutes | None = None
        self.cable = CableDesk(stick, bench, asker)

    def begin(self) -> None:
        """Show what this is, begin to record, let the drivers come, then ask what has to be asked."""
        for line in self.greeting():
            self._asker.say(line)
        self._stick.say_up()
        self._minutes = FirstMinutes(
            self._bench, drivers_loaded=lambda: bool(self._stick.drivers()), facts={}, medium=self._medium
        )
        self._minutes.start()
        threading.Thread(target=self._keep_writing_back, name="write back", daemon=True).start()
        with self._medium.writing():
            ask_once(self._bench, self._asker)
            self._ask_clock()

    def _keep_writing_back(self) -> None:
        """Copy what ended while the stick was away onto it, once it is back."""
        while True:
            time.sleep(_LOOK_S)
            if any(self._stick.twins.glob("*.target")) and self._stick.is_plugged_in:
                with self._medium.writing(), contextlib.suppress(OSError):
                    self._stick.make_writable()
                    write_back(self._stick.twins)

    def greeting(self) -> list[str]:
        """Return the first lines: version, commit, root hash, the stick's state, the cable."""
        build = self._stick.build
        lines = [
            f"verifyrig {build.get('version', '?')} ({build.get('commit', '?')}, {build.get('built', '?')}), "
            f"root {build['root_hash'][:16]}. Runs from memory; no disk of this machine is written.",
        ]
        if self._stick.data_text:
            lines.append(f"Stick: {plain_line(self._stick.data_text, 200)}.")
        return [part for line in [*lines, *self.cable.lines()] for part in textwrap.wrap(line, _FIRST_COLUMNS)]

    # ---- the clock

    def clock_word(self) -> ClockWord:
        """Return how far the clock is trusted now."""
        return clock.clock_word(self._stick.folder, self._built_utc_s(), time.time())

    def _built_utc_s(self) -> float:
        try:
            return datetime.strptime(self._stick.build.get("built", ""), "%Y-%m-%d").replace(tzinfo=UTC).timestamp()
        except ValueError:
            return 0.0

    def _zone(self) -> tzinfo:
        from verifyrig.files.time_zone import zone_of

        try:
            return zone_of(str(self._bench.config.get("report", {}).get("time_zone", "UTC")))
        except ValueError:
            return UTC

    def _ask_clock(self) -> None:
        now = clock.local(time.time(), self._zone())

        def check(text: str) -> None:
            if text.strip():
                clock.parse_time(text, now)

        question = f"Is it {now:%Y-%m-%d %H:%M} ({now.tzname()})? Enter: yes; else type the time, as 14:05"
        typed = ask_checked(self._asker, question, check)
        word = ClockWord(trust=Trust.CONFIRMED)
        if typed.strip():
            word = ClockWord(trust=Trust.TYPED, shifted_s=clock.set_clock(clock.parse_time(typed, now)))
        clock.keep(self._stick.folder, word)

    # ---- on every screen

    def lines(self) -> list[str]:
        """Return what stands above the menu."""
        lines = []
        minutes = self._minutes
        if minutes is not None and minutes.is_recording:
            lines.append(f"Recording the idle machine for {minutes.lasted_s / 60:.0f} min.")
        elif minutes is not None and minutes.fault:
            lines.append(f"Nothing is recorded yet: {plain_line(minutes.fault, 200)}")
        lines.append(
            f"Clock: {clock.local(time.time(), self._zone()):%Y-%m-%d %H:%M} ({_TRUST[self.clock_word().trust]})."
        )
        lines += self.cable.lines()
        lines += [f"Driver: {plain_line(text, 200)}." for text in self._driver_lines()]
        waiting = len(list(self._stick.twins.glob("*.target")))
        if waiting:
            lines.append(f"{waiting} records lie in memory until the stick is back and they are written to it.")
        if not self._stick.is_plugged_in:
            lines.append("THE STICK IS AWAY: what is recorded lies in memory. Plug the same stick in again.")
        elif self._medium.is_being_written:
            lines.append("Leave the stick in: it is being written.")
        else:
            lines.append("Nothing is open on the stick.")
        return lines

    def _driver_lines(self) -> list[str]:
        found: Any = self._stick.drivers()
        return [str(text) for text in found.get("missing", [])] + [str(text) for text in found.get("skipped", [])]

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Keep the stick writable while something is done."""
        with self._medium.writing():
            yield

    def before_run(self, job: str | None) -> None:
        """Ask what becomes of the first minutes: a run that follows measures for itself."""
        minutes, self._minutes = self._minutes, None
        if minutes is None:
            return
        lasted = f"{minutes.lasted_s / 60:.0f} min"
        keep = (
            job is not None
            and self._asker.choose(
                f"The idle machine was recorded since power-on ({lasted}). Keep it as the first record of this job?",
                _YES_NO,
                "y",
            )
            == "y"
        )
        with self._medium.writing():
            for record in minutes.end(job, keep=keep):
                self._asker.say(f"Kept: {record.stem}")

    def switch_off(self) -> None:
        """Close what is open, let go of the stick, say so, and switch the machine off."""
        if self._minutes is not None:
            with self._medium.writing():
                self._minutes.end(None, keep=self._wants_minutes())
            self._minutes = None
        subprocess.run(["sync"], check=False)
        self._medium.remount("ro")
        self._asker.say("Nothing is open on the stick. The machine switches itself off now: then pull the stick.")
        subprocess.run(["poweroff"], check=False)
        # It goes off within seconds. Until then nothing is offered that would write to the stick again.
        time.sleep(_OFF_WITHIN_S)
        self._asker.say("It does not go off: hold its power button for four seconds. Nothing is open on the stick.")

    def _wants_minutes(self) -> bool:
        question = "The idle machine was recorded since power-on, and nobody asked for it. Keep the record?"
        return self._asker.choose(question, _YES_NO, "n") == "y"
