"""The run's end of the link: starts the program that sends, and hears what the bench computer wants.

Nothing here makes the run wait: what is said goes to a thread, of views only the newest, and what comes is taken by
another thread, which only sets the run's controls.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from verifyrig.core.errors import SensorError, UsageError
from verifyrig.core.interfaces import Controls, LoadEndedBy, Sensor
from verifyrig.core.kept_facts import BenchComputerFact
from verifyrig.core.run_view import LinkNews, RunView
from verifyrig.link.keys import BenchComputer
from verifyrig.link.messages import OBEYED_WITHIN_S
from verifyrig.link.outbox import Unsent, remember
from verifyrig.link.probes import ProbeValues, link_sensors
from verifyrig.loads.worker_process import worker_environment

_PROGRAM = (sys.executable, "-P", "-m", "verifyrig.link.sender")
_FIRST_LINK_S = 8.0
_FIRST_PROBE_S = 5.0
_WAIT_AT_END_S = 5.0
_WATCH_EVERY_S = 0.1
_AGAIN_AFTER_S = 0.3
_PAIR = "Pair this machine with it: verifyrig bench pair HOST."
_LEND = "Name a probe that is free and in its bench.toml: --bench-probe CHANNEL."


class RunLink:
    """One run's link to the bench computer.

    Args:
        bench_computer: Where it goes.
        want: Channels that its probes measure for this run.
        obeyed: Whether the load ends where the link falls silent.
        program: What is started to send; another one only in tests.
    """

    def __init__(
        self,
        bench_computer: BenchComputer,
        *,
        want: Sequence[str] = (),
        obeyed: bool = False,
        program: Sequence[str] = _PROGRAM,
    ) -> None:
        self._bench_computer = bench_computer
        self._want = list(want)
        self._obeyed = obeyed
        self._values = ProbeValues()
        self._changed = threading.Condition()
        self._linked: dict[str, Any] | None = None
        self._is_up = False
        self._refused = self._mend = ""
        self._sent: tuple[int, bool] = (0, False)
        self._over = False
        self._news: list[LinkNews] = []
        self._controls: Controls | None = None
        self._heard_s = time.monotonic()
        self._lines: list[str] = []
        self._view: RunView | None = None  # what changed since the last was said
        self._shows: RunView = {}
        self._closing = False
        self._follows = False
        self._number = 0
        self._program = tuple(program)
        self._borrower = secrets.token_hex(8)
        self._first: list[str] = [self._who()]
        self._start()
        for work in (self._write, self._read, self._watch):
            threading.Thread(target=work, name="link", daemon=True).start()

    @property
    def follows(self) -> bool:
        """Whether a record was begun and is sent."""
        return self._follows

    @property
    def name(self) -> str:
        """What the bench computer is called."""
        return self._bench_computer.name

    def facts(self) -> BenchComputerFact:
        """Return what the record says of the link."""
        return {"name": self.name, "fingerprint": self._bench_computer.fingerprint, "obeyed": self._obeyed,
                "probes": self._want}  # fmt: skip

    def connect(self) -> None:
        """Wait for the first connection where the run needs it: for a probe, or since it obeys the link.

        Raises:
            UsageError: It did not come, or the bench computer refuses this machine.
            SensorError: A probe that was asked for gives nothing.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._linked is not None or self._refused or self._over, _FIRST_LINK_S)
        where = f"bench computer {self.name} at {self._bench_computer.host}"
        if self._refused:
            raise UsageError(self._refused, where=where, mend=self._mend)
        if self._linked is None and (self._want or self._obeyed):
            raise UsageError(
                "it does not answer, and this run needs it for a probe or is to obey it",
                where=where,
                mend="Start `verifyrig bench serve` there and check the cable.",
            )
        end_s = time.monotonic() + _FIRST_PROBE_S
        while absent := [channel for channel in self._want if self._values.newest(channel) is None]:
            if time.monotonic() > end_s:
                raise SensorError(
                    f"no reading of {', '.join(absent)} comes",
                    where=where,
                    mend="Check the probe there, and its table.",
                )
            time.sleep(0.05)

    def sensors(self) -> list[Sensor]:
        """Return the probes of the bench computer that this run asked for."""
        linked = self._linked or {}
        return list(
            link_sensors(linked.get("probes", []), linked.get("granted", []), str(linked.get("name")), self._values)
        )

    def follow(self, record: Path, run: str, controls: Controls, shown: RunView) -> None:
        """Send this record from now on, and let the bench computer end the load of its run."""
        with contextlib.suppress(OSError):  # then the rest is sent by hand, from the record
            remember(Unsent(run, record, self._bench_computer.fingerprint))
        self._follows = True
        follow = json.dumps({"follow": str(record.absolute()), "run": run, "shown": shown})
        with self._changed:
            self._first.append(follow)
            self._lines.append(follow)
            self._changed.notify_all()
        self._heard_s = time.monotonic()
        self._controls = controls

    def show(self, view: RunView) -> None:
        """Show this on the bench computer's page; an older view that did not go out yet is dropped."""
        with self._changed:
            self._view = {**(self._view or {}), **view}
            self._shows |= view
            self._changed.notify_all()

    def load_ended(self) -> None:
        """Say that the load is off that was to be ended from the bench computer."""
        if self._number:
            self._put({"load_ended": self._number})

    def news(self) -> list[LinkNews]:
        """Return what happened to the link since the last call, as details of events of kind `bench-computer`."""
        with self._changed:
            news, self._news = self._news, []
        return news

    def close(self) -> bool:
        """Let the rest be sent, for a few seconds; return whether the bench computer has all of it."""
        self._controls = None
        self._put({"closed": True})
        with self._changed:
            self._closing = True
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._sent[1] or self._over or self._refused, _WAIT_AT_END_S)
            return self._sent[1]

    @property
    def sent(self) -> int:
        """How many samples the bench computer has on its medium."""
        return self._sent[0]

    def drop(self) -> None:
        """End the program where no record was begun."""
        self._closing = True
        with contextlib.suppress(OSError):
            self._process.kill()
        self._process.wait()

    def _who(self) -> str:
        return json.dumps({"bench_computer": asdict(self._bench_computer), "want": self._want,
                           "borrower": self._borrower, "had": self._linked is not None})  # fmt: skip

    # ---- threads

    def _put(self, line: dict[str, Any]) -> None:
        with self._changed:
            self._lines.append(json.dumps(line))
            self._changed.notify_all()

    def _start(self) -> None:
        """Start the program that sends; what it must know first goes before all else."""
        process = subprocess.Popen(
            self._program,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=worker_environment(os.environ),
            start_new_session=True,
        )
        with self._changed:
            self._process = process
            self._view = self._shows.copy() or None
            self._lines[:0] = [line for line in self._first if line not in self._lines]
            self._changed.notify_all()

    def _write(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: bool(self._lines) or self._view is not None or self._closing)
                process = self._process
                lines, self._lines = self._lines, []
                view, self._view = self._view, None
                closing = self._closing
            if view is not None:
                lines.append(json.dumps({"view": view}))
            assert process.stdin is not None
            with contextlib.suppress(OSError, ValueError):  # it died: its successor is told anew what counts
                if lines:
                    process.stdin.write("".join(f"{line}\n" for line in lines).encode())
                    process.stdin.flush()
                elif closing:
                    process.stdin.close()
            if closing and not lines:
                return

    def _read(self) -> None:
        """Hear the program that sends; where it dies, another one takes its place."""
        while True:
            assert self._process.stdout is not None
            for line in self._process.stdout:
                with contextlib.suppress(ValueError, KeyError, TypeError):
                    self._take(json.loads(line))
            self._process.wait()
            if self._closing or self._refused:
                break
            self._take({"lost": True})
            time.sleep(_AGAIN_AFTER_S)
            self._start()
        with self._changed:
            self._over = True
            self._changed.notify_all()

    def _take(self, said: dict[str, Any]) -> None:
        if "end_load" in said and self._controls is not None:
            self._number = int(said["end_load"])
            self._controls.press_end_load(LoadEndedBy.BENCH_COMPUTER)
        if "probe" in said:
            self._values.take(said["probe"]["values"], float(said["probe"]["age_s"]))
        if "beat" in said:
            self._heard_s = time.monotonic()
        with self._changed:
            if "linked" in said:
                self._news.append({"act": "linked" if self._linked is None else "back"})
                self._linked, self._is_up = said["linked"], True
                self._first[0] = self._who()  # for a successor of the program that sends
                self._heard_s = time.monotonic()
            elif "lost" in said and self._is_up:
                self._is_up = False
                why = str(said.get("why", ""))
                self._news.append({"act": "lost", "why_refused": why} if why else {"act": "lost"})
            elif "refused" in said:
                self._mend = _LEND if said.get("not_lent") else _PAIR
                self._refused = str(said["refused"])
                self._news.append({"act": "refused", "why_refused": self._refused})
            elif "clock" in said:
                clock = said["clock"]
                self._news.append(
                    {
                        "act": "clock",
                        "wall_offset_s": float(clock["wall_offset_s"]),
                        "steady_offset_s": float(clock["steady_offset_s"]),
                        "u95_s": float(clock["u95_s"]),
                    }
                )
            elif "sent" in said:
                self._sent = (int(said["sent"]), bool(said["closed"]))
            self._changed.notify_all()

    def _watch(self) -> None:
        """Say where the link that the run obeys is silent; also where the program that sends is gone."""
        over = False
        while self._obeyed and not over:
            left_s = self._heard_s + OBEYED_WITHIN_S - time.monotonic()
            with self._changed:
                over = self._changed.wait_for(lambda: self._over, left_s if left_s > 0 else _WATCH_EVERY_S)
            controls = self._controls
            if controls is None:
                continue
            silent = self._over or time.monotonic() - self._heard_s >= OBEYED_WITHIN_S
            if silent and not controls.link_silent:
                controls.link_silent = True
                controls.wake.set()
            elif not silent:
                controls.link_silent = False
