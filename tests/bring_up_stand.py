"""A real runner with real workers that something ends while they come up; for tests and for benchmarks.

The states of a worker on its way up, each seen from outside: `spawned` (the process is there), `importing` (its
numerical library is being mapped), `allocating` (memory under test comes in), `preparing` (a card's library is mapped),
`first-block` (it was commanded to work and has begun to).
"""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import psutil

from tests.fakes import FakeWriter, die_info
from tests.silent import Silent
from verifyrig.core.clock import RealClock
from verifyrig.core.interfaces import ChannelInfo, Controls, DangerNotice, Reading
from verifyrig.loads.worker_load import WorkerLoad
from verifyrig.plan.text import parse_profile
from verifyrig.rig.arming import arm, limits_of
from verifyrig.rig.load_permit import LoadPermit
from verifyrig.rig.runner import Rig, RunEnd, Runner

PLAN = """
name = "bring-up"
title = "A load that is ended while it comes up"

[sampling]
period_s = 0.1

[trip]
die_temp_c = { max = 90.0 }
gpu_temp_c = { max = 90.0 }

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 0.2

[[stage]]
name = "load"
kind = "load"
load = { work = "WORK", pattern = "pulses", on_s = 5, off_s = 10, count = 1, share = SHARE, workers = 2MEMORY }
"""
# What needs no forecast: a permit with limits refuses more than that of a machine it knows nothing of.
SHARE = 0.25
ALLOCATED_BYTES = 150 * 2**20
CARD_LIBRARY = "wgpu"


@dataclass(slots=True)
class DieBank:
    """A die and a card that stand at 40 °C until `hot` is set, and then above every limit."""

    hot: threading.Event = field(default_factory=threading.Event)
    infos: Mapping[str, ChannelInfo] = field(
        default_factory=lambda: {"die_temp_c": die_info(), "gpu_temp_c": replace(die_info(), channel="gpu_temp_c")}
    )

    def sample(self, now_s: float, *, load_share: float) -> dict[str, Reading]:
        return {channel: self.reread(channel, now_s) for channel in self.infos}

    def reread(self, channel: str, now_s: float) -> Reading:
        return Reading(value=95.0 if self.hot.is_set() else 40.0)

    def hanging(self) -> tuple[str, ...]:
        return ()

    def close(self) -> None:
        pass


class CommandedLoad(WorkerLoad):
    """Real workers; keeps every share above 0 that they were commanded."""

    def __init__(self, *, storage_dir: Path | None = None, card: str = "") -> None:
        super().__init__(storage_dir=storage_dir, card=card)
        self.commanded: list[float] = []

    def set_share(self, share: float) -> None:
        self.commanded += [share] if share > 0 else []
        super().set_share(share)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """What became of the workers.

    Attributes:
        end: How the run ended.
        gone_s: From the reason to the last worker powerless, as the operating system shows it, s.
        stated_s: The same as the record states it: from the sample (trip) or from the command (all else), s.
        commanded: Shares above 0 that the workers were commanded.
        stages: How each stage ended.
    """

    end: RunEnd
    gone_s: float
    stated_s: float | None
    commanded: list[float]
    stages: dict[str, str]


class Stand:
    """One run in this very process, and somebody beside it who waits for a state and then ends it."""

    def __init__(self, work: str, *, memory_share: float | None = None, card: str = "") -> None:
        text = PLAN.replace("WORK", work).replace("SHARE", str(SHARE))
        text = text.replace("MEMORY", f", memory_share = {memory_share}" if memory_share else "")
        if work.startswith("gpu-"):
            text = text.replace(", workers = 2", "")
        profile = parse_profile(text, origin="bring-up.toml")
        self.bank, self.controls, self.load = DieBank(), Controls(), CommandedLoad(card=card)
        self.writer = FakeWriter([])
        armed, _ = arm(profile, self.bank.infos)
        self.rig = Rig(
            profile=profile, clock=RealClock(), bank=self.bank, load=self.load, writer=self.writer,
            controls=self.controls, observer=_EndAfterwards(self.controls), armed=tuple(armed), ambient=None,
            permit=LoadPermit(limits_c=limits_of(armed)),
        )  # fmt: skip
        self._children = frozenset(child.pid for child in psutil.Process().children())

    def end_in(self, state: str, reason: str, *, freeze: bool = False, limit_s: float = 60.0) -> Ended:
        """Run; end it for the reason once a worker is in the state; `freeze` holds the workers there by SIGSTOP."""
        gone: list[float] = []
        beside = threading.Thread(target=self._end, args=(state, reason, freeze, limit_s, gone), daemon=True)
        beside.start()
        end = Runner(self.rig).run()
        beside.join(limit_s)
        if not gone:
            raise AssertionError(f"the workers were never seen to be {state}, or outlived {reason} by {limit_s} s")
        return Ended(
            end=end,
            gone_s=gone[0],
            stated_s=self._stated_s(end),
            commanded=self.load.commanded,
            stages=self.writer.stages,
        )

    def workers(self) -> list[psutil.Process]:
        """Return the worker processes of this stand."""
        found = []
        for child in psutil.Process().children():
            with contextlib.suppress(psutil.Error):
                if child.pid not in self._children and "verifyrig.loads.worker" in " ".join(child.cmdline()):
                    found.append(child)
        return found

    def _end(self, state: str, reason: str, freeze: bool, limit_s: float, gone: list[float]) -> None:
        deadline_s = time.monotonic() + limit_s
        while not (workers := [w for w in self.workers() if in_state(w, state, self.load)]):
            if time.monotonic() > deadline_s:
                self.controls.quit("operator")
                return
            time.sleep(0.0005)
        if freeze:
            for worker in self.workers():
                with contextlib.suppress(psutil.Error):
                    worker.send_signal(signal.SIGSTOP)
        began_s = time.monotonic()
        pids = {worker.pid for worker in workers}
        self.give(reason)
        while time.monotonic() < deadline_s:
            pids |= {worker.pid for worker in self.workers()}
            if all(powerless(pid) for pid in pids):
                gone.append(time.monotonic() - began_s)
                return
            time.sleep(0.0005)

    def give(self, reason: str) -> None:
        """Let the reason happen."""
        actions: dict[str, Callable[[], object]] = {
            "trip": self.bank.hot.set,
            "space": self.controls.press_end_load,
            "ctrl-c": lambda: self.controls.quit("operator"),
            "sigterm": lambda: self.controls.quit("terminated"),
            "hangup": lambda: self.controls.quit("hangup"),
            "danger": lambda: self.controls.warn_of(
                DangerNotice(code="leak", noted="leak=seen", what="a leak", do="Switch it off.")
            ),
            "full-disk": lambda: setattr(self.writer, "fail_at", 0),
        }
        actions[reason]()

    def _stated_s(self, end: RunEnd) -> float | None:
        if end.trip is not None:
            return end.trip["load_off_s"]
        stated = [detail["gone_s"] for _, _, detail in self.writer.events if "gone_s" in detail]
        return float(stated[0]) if stated else None


class _EndAfterwards(Silent):
    """Ends the run once the load was ended: what comes after is not looked at."""

    def __init__(self, controls: Controls) -> None:
        self._controls = controls

    def say(self, text: str, *, loud: bool = False) -> None:
        if text.startswith(("Tripped", "Stopped")):
            self._controls.quit("operator")


def in_state(worker: psutil.Process, state: str, load: CommandedLoad) -> bool:
    """Return whether a worker is in a state on its way up, as the system shows it."""
    try:
        if state == "spawned":
            return True
        if state == "importing":
            return _maps(worker.pid, "numpy")
        if state == "preparing":
            return _maps(worker.pid, CARD_LIBRARY)
        if state == "allocating":
            return bool(worker.memory_info().rss > ALLOCATED_BYTES)
        return bool(load.commanded)  # first-block
    except (psutil.Error, OSError):
        return False


def _maps(pid: int, library: str) -> bool:
    return library in Path(f"/proc/{pid}/maps").read_text()


PF_EXITING = 0x4  # include/linux/sched.h


def powerless(pid: int) -> bool:
    """Return whether a process is gone, a zombie, or so far in its exit that it executes nothing of its own."""
    try:
        stats = [path.read_text() for path in Path(f"/proc/{pid}/task").glob("*/stat")]
    except OSError:
        return not psutil.pid_exists(pid)
    fields = [stat.rpartition(")")[2].split() for stat in stats]
    return all(found[0] in "ZX" or int(found[6]) & PF_EXITING for found in fields)


def software_renderer() -> str:
    """Return the name of a software renderer that Vulkan shows, empty where there is none."""
    try:
        from verifyrig.loads.gpu.card import list_cards

        return next((card.name for card in list_cards() if card.software), "")
    except Exception:
        return ""


def resume(pid: int) -> None:
    """Let a stopped process go on."""
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, signal.SIGCONT)
