"""Records the idle machine from the first screen on, before anybody presses a key.

A machine that dies within a minute leaves a record so. The first record takes what is there at once, and ends when the
drivers are loaded: what the start-up itself does is no idle machine, and its stage says so. The second begins then with
all channels, names the first one, and goes on until somebody measures or drops it.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import RigError
from verifyrig.core.interfaces import Controls
from verifyrig.core.profile import Purpose
from verifyrig.plan.text import parse_profile
from verifyrig.rig.assemble import run
from verifyrig.rig.request import RunRequest
from verifyrig.stick.medium import MEDIUM, Medium
from verifyrig.stick.silent import BlankScreen

START_UP, FIRST_MINUTES = "start-up", "first-minutes"
_LONGEST_S = 4 * 3600
_PROFILE = """
name = "{name}"
title = "{title}"

[sampling]
period_s = 1.0

[[stage]]
name = "{stage}"
kind = "idle"
min_duration_s = 1
max_duration_s = {longest_s}
"""
_LOOK_S = 0.5


def profile_text(name: str) -> str:
    """Return the profile of the first or the second record."""
    titles = {START_UP: "From the first screen until the drivers were loaded", FIRST_MINUTES: "Idle from power-on"}
    stage = "start-up" if name == START_UP else "idle"
    return _PROFILE.format(name=name, title=titles[name], stage=stage, longest_s=_LONGEST_S)


class FirstMinutes:
    """Two records in a thread of their own, until `end` says what becomes of them."""

    def __init__(
        self, bench: Bench, *, drivers_loaded: Callable[[], bool], facts: Mapping[str, object], medium: Medium = MEDIUM
    ) -> None:
        """Take where to record, how to see that all drivers are there, and what each record says besides."""
        self._bench = bench
        self._drivers_loaded = drivers_loaded
        self._facts = facts
        self._medium = medium
        self._controls = Controls()
        self._ending = threading.Event()
        self._began_s = time.monotonic()
        self._records: list[Path] = []
        self._thread = threading.Thread(target=self._record, name="first minutes", daemon=True)
        self.fault = ""

    def start(self) -> None:
        """Begin to record."""
        self._thread.start()

    @property
    def is_recording(self) -> bool:
        """Whether a record is being written."""
        return self._thread.is_alive()

    @property
    def lasted_s(self) -> float:
        """How long it has been recording, s."""
        return time.monotonic() - self._began_s

    def end(self, job: str | None, *, keep: bool) -> list[Path]:
        """Close the records: they become the job's first ones, stay with the bench, or are dropped.

        Args:
            job: Whose machine it is; None for nobody's.
            keep: Whether they are wanted.

        Returns:
            The records as they lie now; empty where they were dropped.
        """
        if job is not None and keep:
            self._controls.last_facts["job"] = job
        self._ending.set()
        self._controls.press_enough()
        self._thread.join()
        records, self._records = self._records, []
        if not keep:
            for record in records:
                drop(record)
            return []
        return [self._moved(record, job) for record in records]

    def _moved(self, record: Path, job: str | None) -> Path:
        if job is None:
            return record
        place = self._bench.writable(self._bench.runs_dir(job))
        place.mkdir(parents=True, exist_ok=True)
        return move(record, place)

    def _record(self) -> None:
        with self._medium.writing():
            # What bench.toml names may need drivers that are not there yet: an instrument, a chip.
            bare = replace(self._bench, config={})
            first = self._one(START_UP, bare, {"start_up": True})
            while not self._drivers_loaded() and not self._ending.is_set():
                self._ending.wait(_LOOK_S)
            follows = {"follows": first}
            if not self._ending.is_set() and self._one(FIRST_MINUTES, self._bench, follows) is None:
                # A probe or a chip of another machine is named there: what this one shows is recorded all the same.
                self._one(FIRST_MINUTES, bare, {**follows, "settings_left_out": self.fault})

    def _one(self, name: str, bench: Bench, more: Mapping[str, object]) -> str | None:
        """Record until the drivers are there (the first), or until it is ended; return the run's id."""
        request = RunRequest(
            profile=parse_profile(profile_text(name), origin=name),
            purpose=Purpose.BASELINE,
            facts={**self._facts, **more},
        )
        watch = threading.Thread(target=self._watch, args=(name,), daemon=True)
        watch.start()
        try:
            done = run(request, bench, BlankScreen(), self._controls)
        except (RigError, OSError) as error:
            self.fault = str(error)
            return None
        except Exception as error:  # a fault of ours must be told by the desk, not written across the first screen
            self.fault = f"{type(error).__name__}: {error}"
            return None
        finally:
            if not self._ending.is_set():
                self._controls.enough.clear()
        self._records.append(done.record)
        return done.run

    def _watch(self, name: str) -> None:
        while name == START_UP and not self._ending.is_set():
            if self._drivers_loaded():
                self._controls.press_enough()
                return
            self._ending.wait(_LOOK_S)


def beside(record: Path) -> list[Path]:
    """Return a record with all that lies beside it under its name."""
    return sorted([*record.parent.glob(f"{record.stem}.*"), *record.parent.glob(f".{record.stem}.*")])


def drop(record: Path) -> None:
    """Remove a record that nobody wants, with all that lies beside it."""
    for path in beside(record):
        with contextlib.suppress(OSError):
            path.unlink()


def move(record: Path, folder: Path) -> Path:
    """Move a record and what lies beside it into another folder of the same bench; return where it lies now."""
    for path in beside(record):
        path.rename(folder / path.name)
    return folder / record.name
