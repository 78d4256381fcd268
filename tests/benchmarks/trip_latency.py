"""From the sample that crosses a trip limit to the last worker gone: real clock, real workers, the real runner.

Then the same while the workers come up, in each of their states (`_bring_up`).
Beside it: a worker that is killed at once and waited for, which nothing can beat.
"""

from __future__ import annotations

import math
import statistics
import subprocess
import sys
import time
from collections.abc import Mapping
from typing import Any

from tests.benchmarks._bring_up import each_state, trip_s
from tests.fakes import FakeWriter, die_info
from tests.silent import Silent
from verifyrig.core.clock import RealClock
from verifyrig.core.interfaces import ChannelInfo, Controls, Reading
from verifyrig.loads import make_load
from verifyrig.plan.text import parse_profile
from verifyrig.rig.arming import arm, limits_of
from verifyrig.rig.load_permit import LoadPermit
from verifyrig.rig.runner import Rig, Runner
from verifyrig.system.machine import THIS_MACHINE

PROFILE = """
name = "trip-latency"
title = "Trips after a short load"

[sampling]
period_s = 0.1

[trip]
die_temp_c = { max = 90.0 }

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 10, count = 1, workers = "quarter" }
"""


class CrossingBank:
    """A die that stands at 40 °C and crosses the limit a while after the load came on."""

    def __init__(self, after_s: float) -> None:
        self.infos: Mapping[str, ChannelInfo] = {"die_temp_c": die_info()}
        self._after_s = after_s
        self._on_s: float | None = None

    def sample(self, now_s: float, *, load_share: float) -> dict[str, Reading]:
        if load_share and self._on_s is None:
            self._on_s = now_s
        hot = self._on_s is not None and now_s - self._on_s >= self._after_s
        self._last = Reading(value=95.0 if hot else 40.0)
        return {"die_temp_c": self._last}

    def reread(self, channel: str, now_s: float) -> Reading:
        return self._last

    def hanging(self) -> tuple[str, ...]:
        return ()

    def close(self) -> None:
        pass


def _one_trip(after_s: float) -> float:
    profile = parse_profile(PROFILE, origin="trip-latency.toml")
    bank = CrossingBank(after_s)
    armed, _ = arm(profile, bank.infos)
    controls = Controls()
    rig = Rig(
        profile=profile,
        clock=RealClock(),
        bank=bank,
        load=make_load(THIS_MACHINE),
        writer=FakeWriter([]),
        controls=controls,
        observer=_EndAfterTrip(controls),
        armed=tuple(armed),
        ambient=None,
        permit=LoadPermit(limits_c=limits_of(armed)),
    )
    end = Runner(rig).run()
    assert end.trip is not None, "the run did not trip"
    off_s = end.trip["load_off_s"]
    assert off_s is not None, "a worker was not seen to end"
    return off_s


class _EndAfterTrip(Silent):
    """Ends the run once it tripped: what comes after is not measured."""

    def __init__(self, controls: Controls) -> None:
        self._controls = controls

    def say(self, text: str, *, loud: bool = False) -> None:
        if text.startswith("Tripped"):
            self._controls.quit("operator")


def _killed_child_s() -> float:
    child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    time.sleep(0.05)
    started = time.perf_counter()
    child.kill()
    child.wait()
    return time.perf_counter() - started


def measure(full: bool = True) -> dict[str, Any]:
    """Return p50, p99 and the worst in ms over 500 trips (20 in the quick form)."""
    n = 500 if full else 20
    off_ms = sorted(1000 * _one_trip(0.15 + 0.01 * (k % 10)) for k in range(n))
    killed_ms = 1000 * statistics.median(_killed_child_s() for _ in range(20))
    p50 = statistics.median(off_ms)
    return {
        "trips": n,
        "p50_ms": p50,
        "p99_ms": off_ms[min(n - 1, math.ceil(0.99 * n) - 1)],
        "worst_ms": off_ms[-1],
        "kill_and_wait_ms": killed_ms,
        "ratio": p50 / killed_ms,
        "bring_up": each_state(40 if full else 3, trip_s),
    }
