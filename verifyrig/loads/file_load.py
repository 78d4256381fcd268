"""The load of any root other than `/`: a simulated machine reads the duty from a file; no real load starts.

Files below the root, each rewritten in place with one fixed-width write:

    verifyrig/load    written here: `SHARE` or `SHARE cores=0,2`, SHARE of the whole processor, 0 to 1
    verifyrig/work    read, optional: `WORK_DONE ERRORS CORE` since the machine came up; CORE of the last error, or -
    verifyrig/power   read, optional: `off` once the machine went dark
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

from verifyrig.core.errors import LoadError
from verifyrig.core.interfaces import LoadDemand, LoadStatus, MachineOff, WorkFault
from verifyrig.loads.placement import Placement, place

LINE_BYTES = 64
TURN_S = 10.0


def load_line(share: float, cores: tuple[int, ...] = ()) -> bytes:
    """Return the one line of `verifyrig/load`: the duty of the whole processor, always `LINE_BYTES` long."""
    text = f"{share:8.6f}" + (" cores=" + ",".join(map(str, cores)) if cores else "")
    if len(text) >= LINE_BYTES:
        raise LoadError(
            f"the list of {len(cores)} cores is too long for a simulated machine",
            where="load, workers",
            mend="Name fewer cores, or a number of workers.",
        )
    return text.ljust(LINE_BYTES - 1).encode() + b"\n"


def open_duty(path: Path) -> int:
    """Open the duty file for writing; raise `LoadError` where the tree has none, so that it can only be listed."""
    try:
        return os.open(path, os.O_WRONLY | getattr(os, "O_BINARY", 0))
    except OSError as error:
        raise LoadError(
            f"a tree without that file can only be listed, not run ({error.strerror})",
            where=str(path),
            mend="Serve a simulated machine there, or leave --root out to load this machine.",
        ) from error


class FileLoad:
    """Commands a simulated machine its duty. Works at any speed of its clock; needs no heartbeat."""

    def __init__(self, root: Path, *, now_s: Callable[[], float] = time.monotonic, turn_s: float = TURN_S) -> None:
        """Take the tree's root; `now_s` is the run's clock, `turn_s` how long each core has its turn (`in-turn`)."""
        self._folder = root / "verifyrig"
        self._cpu_folder = root / "sys/devices/system/cpu"
        self._now_s = now_s
        self._turn_s = turn_s
        self._fd = -1
        self._placement = Placement(workers=(0,))
        self._work = ""
        self._share = 0.0
        self._started_s = 0.0
        self._turn = 0
        self._base = (0.0, 0)
        self._seen_errors = 0

    def start(self, demand: LoadDemand) -> None:
        """Open the duty file at share 0; raise `LoadError` where the tree has none, or the demand does not fit."""
        if demand.work.startswith("gpu-"):
            raise LoadError(
                "the simulated machine has no graphics card",
                where=f"load, {demand.work}",
                mend="Run it on real hardware.",
            )
        self._open()
        self._placement = self._placed(demand.workers)
        self._work = demand.work
        self._share, self._turn = 0.0, 0
        self._started_s = self._now_s()
        self._write()
        done, errors, _ = self._counts()
        self._base, self._seen_errors = (done, errors), errors

    def set_share(self, share: float) -> None:
        """Write the duty: `share` of the workers, as a share of the whole processor."""
        self._share = min(max(share, 0.0), 1.0)
        if self._fd >= 0:
            self._write()

    def beat(self) -> None:
        """Hand the turn to the next core when it is due; the machine itself needs no heartbeat."""
        if self._fd < 0 or not self._placement.in_turn:
            return
        turn = int((self._now_s() - self._started_s) // self._turn_s)
        if turn != self._turn:
            self._turn = turn
            self._write()

    def status(self) -> LoadStatus:
        """Return counts since `start`; raise `MachineOff` where the simulated machine went dark."""
        if self._text("power").strip() == "off":
            raise MachineOff
        done, errors, core = self._counts()
        counts_work = bool(self._text("work").strip())
        alive = len(self._placement.workers) if self._fd >= 0 else 0
        faults = self._new_faults(errors, core)
        return LoadStatus(
            work_done=max(0.0, done - self._base[0]),
            compute_errors=max(0, errors - self._base[1]),
            workers_wanted=alive,
            workers_alive=alive,
            faults=faults,
            counts_work=counts_work,
        )

    def stop(self) -> float:
        """Write share 0; return how long that took, s."""
        began_s = time.perf_counter()
        self.close()
        return time.perf_counter() - began_s

    def close(self) -> None:
        """Write share 0 and close the file."""
        self._share = 0.0
        if self._fd >= 0:
            fd, self._fd = self._fd, -1
            try:
                os.lseek(fd, 0, os.SEEK_SET)
                os.write(fd, load_line(0.0))
            finally:
                os.close(fd)

    def _placed(self, workers: str | int | tuple[int, ...]) -> Placement:
        names = (path.name.removeprefix("cpu") for path in self._cpu_folder.glob("cpu[0-9]*"))
        cores = sorted(int(name) for name in names if name.isdigit())
        if not cores and workers not in ("all", "quarter"):
            raise LoadError(
                "this tree does not say how many cores the machine has",
                where=str(self._cpu_folder),
                mend="Load all or a quarter of it.",
            )
        return place(workers, cores or (0,))

    def _open(self) -> None:
        self.close()
        self._fd = open_duty(self._folder / "load")

    def _write(self) -> None:
        chosen = self._placement.in_turn or self._placement.named
        cores = self._placement.active(self._turn) if chosen else ()
        os.lseek(self._fd, 0, os.SEEK_SET)
        os.write(self._fd, load_line(self._share * self._placement.scale, cores))

    def _text(self, name: str) -> str:
        try:
            return (self._folder / name).read_text()
        except (OSError, UnicodeDecodeError):
            return ""

    def _counts(self) -> tuple[float, int, int | None]:
        words = self._text("work").split()
        try:
            done, errors = float(words[0]), int(words[1])
        except (IndexError, ValueError):
            return self._base[0], self._base[1], None
        return done, errors, int(words[2]) if len(words) > 2 and words[2].isdigit() else None

    def _new_faults(self, errors: int, core: int | None) -> tuple[WorkFault, ...]:
        new, self._seen_errors = errors - self._seen_errors, errors
        if new <= 0:
            return ()
        detail = f"{new} wrong result{'s' if new > 1 else ''} (simulated hardware)"
        return (WorkFault(work=self._work, core=core, t_s=self._now_s() - self._started_s, detail=detail),)
