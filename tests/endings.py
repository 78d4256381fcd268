"""Runs on simulated hardware that end in every way a run can; for a test and a benchmark of the post-mortem.

The profile has no limit on the die: what is wanted here is the machine's own end, which a real profile prevents.
"""

from __future__ import annotations

import math
import os
import random
import signal
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from unittest import mock

from mock_hw.bench import SimulatedBench
from mock_hw.physics.parameters import draw
from tests.silent import Silent
from verifyrig.bench.folder import Bench
from verifyrig.core.interfaces import Controls
from verifyrig.core.profile import Profile
from verifyrig.core.trace import Trace
from verifyrig.plan.text import parse_profile
from verifyrig.record import read_trace
from verifyrig.rig.assemble import run
from verifyrig.rig.observer import TickView
from verifyrig.rig.request import RunRequest
from verifyrig.rig.runner import Ambient
from verifyrig.runs.post_mortem import EndedBy, PostMortem, explain_end

_HEAD = """
name = "{name}"
title = "Made up: a load without a limit on the die, so that the machine's own end is seen"
[sampling]
period_s = 1.0
[requires]
channels = ["die_temp_c"]
[trip]
vrm_temp_c = {{ max = 150.0, optional = true }}
stale_after_s = 60.0
[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 20
[[stage]]
name = "load"
kind = "load"
max_duration_s = {longest_s}
"""
_STEADY = 'load = {{ work = "linear-algebra", pattern = "steady", share = 1.0, workers = "all" }}\n'
_STEPS = (
    'load = {{ work = "linear-algebra", pattern = "pulses", on_s = 8, off_s = 12, count = 6, share = 1.0, '
    'workers = "all" }}\n'
)


def _profile(name: str, load: str, longest_s: int) -> Profile:
    return parse_profile((_HEAD + load).format(name=name, longest_s=longest_s), origin=name, recorded=True)


STEADY = _profile("made-up-steady", _STEADY, 600)
STEPS = _profile("made-up-steps", _STEPS, 600)

# What each case is expected to be taken for, and in which class of the contract.
EXPECTED: dict[str, tuple[EndedBy, str]] = {
    "coolant-stopped": (EndedBy.HEAT, "power-off"),
    "supply-sags": (EndedBy.POWER, "power-off"),
    "memory-faulty": (EndedBy.SOFTWARE, "power-off"),
    "hang": (EndedBy.HANG, "hang"),
    "killed": (EndedBy.SOFTWARE, "killed"),
    "operator": (EndedBy.OPERATOR, "operator"),
}


class _At(Silent):
    """Does something at a moment of a run."""

    def __init__(self, at_s: float, act: Callable[[], None]) -> None:
        self._at_s, self._act = at_s, act

    def tick(self, view: TickView) -> None:
        if view.t_s >= self._at_s:
            self._at_s = math.inf
            self._act()


def ends(kind: str, bench: Bench) -> Iterator[tuple[Trace, PostMortem]]:
    """Yield runs that ended in the way of `kind`, one seed after the other, with what was made of each."""
    for seed in range(1, 100_000):
        _machines.clear()
        with mock.patch("mock_hw.bench.SimulatedBench", _Kept):
            record = _RUNS.get(kind, _run_case)(kind, seed, bench)
        if record is None:
            continue
        trace = read_trace(record)
        found = explain_end(trace, restarted_utc_s=_restarted_utc_s(trace, seed))
        record.unlink()
        record.with_name(record.name + "-wal").unlink(missing_ok=True)
        if found is not None and (trace.facts["cause"] or {}).get("class") == EXPECTED[kind][1]:
            yield trace, found


_RESET_S = 20.0  # as long as a simulated reset takes until the firmware starts
_machines: list[SimulatedBench] = []


class _Kept(SimulatedBench):
    """The simulated machine, kept so that it can be asked afterwards how it comes back."""

    def __init__(self, *words: Any, **named: Any) -> None:
        super().__init__(*words, **named)
        _machines[:] = [self]


def _restarted_utc_s(trace: Trace, seed: int) -> float | None:
    """Return when the system's own log would show its next start: a reset comes back at once, else a person does it."""
    if not _machines or _machines[0].machine.last_stop is None:
        return None
    machine = _machines[0].machine
    rng = random.Random(seed)
    off_s = _RESET_S if machine.last_stop == "reset" else machine.restart_wait_s + rng.uniform(10.0, 600.0)
    return float(trace.utc_s[-1]) + off_s + rng.uniform(8.0, 35.0)


def _request(case: str, seed: int, profile: Profile) -> RunRequest:
    return RunRequest(
        profile=profile,
        purpose="check",
        mock=(case, seed),
        ambient=Ambient(value_c=22.0, u95_k=1.0),
        to_its_own_end=True,
    )


def _run_case(case: str, seed: int, bench: Bench) -> Path | None:
    machine = draw(case, seed)
    if case == "coolant-stopped" and not math.isfinite(machine.processor.gives_up_after_s):
        return None  # it holds itself at its limit for ever
    if case == "memory-faulty" and machine.mistakes.reset_per_s == 0:
        return None
    profile = STEPS if case == "supply-sags" else STEADY
    return run(_request(case, seed, profile), bench, Silent()).record


def _run_hang(_: str, seed: int, bench: Bench) -> Path | None:
    if draw("memory-faulty", seed).mistakes.freeze_per_s == 0:
        return None
    return run(_request("memory-faulty", seed, STEADY), bench, Silent()).record


def _run_operator(_: str, seed: int, bench: Bench) -> Path | None:
    controls = Controls()
    face = _At(random.Random(seed).uniform(2.0, 60.0), lambda: controls.quit("operator"))
    return run(_request("healthy-air", seed, STEADY), bench, face, controls).record


def _run_killed(_: str, seed: int, bench: Bench) -> Path | None:
    """Kill a process that records, at some moment of its run."""
    before = set(bench.records())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # the child runs one thread and is killed
        child = os.fork()
    if child == 0:
        face = _At(random.Random(seed).uniform(2.0, 60.0), lambda: os.kill(os.getpid(), signal.SIGKILL))
        run(_request("healthy-air", seed, STEADY), bench, face)
        os._exit(1)
    os.waitpid(child, 0)
    return next(iter(set(bench.records()) - before), None)


_RUNS: dict[str, Callable[[str, int, Bench], Path | None]] = {
    "hang": _run_hang,
    "operator": _run_operator,
    "killed": _run_killed,
}
