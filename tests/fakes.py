"""Stand-ins for the edges of a run, for tests of the orchestration."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from typing import Any

from tests.silent import Silent
from verifyrig.core.errors import RecordError
from verifyrig.core.interfaces import ChannelInfo, LoadDemand, LoadStatus, Quality, Reading
from verifyrig.plan.text import parse_profile
from verifyrig.rig.observer import Attention

PROFILE = """
name = "bench-test"
title = "A short plan for tests"

[trip]
die_temp_c = { max = 90.0, max_rate_k_per_s = 9.0 }
stale_after_s = 3.0

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 20
gate = { channel = "die_temp_c", max = 50.0, max_rise_k = 25.0 }

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 15, count = 2, workers = "quarter" }

[[stage]]
name = "load"
kind = "load"
load = { work = "linear-algebra", pattern = "steady", share = 1.0, workers = "all" }
max_duration_s = 60

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 30
"""


def die_info(**more: Any) -> ChannelInfo:
    """Return a die sensor of the usual kind."""
    return ChannelInfo(
        channel="die_temp_c", label="die", device="d", source="s", quantity="temperature", unit="°C",
        resolution=0.125, refresh_s=1.0, **more,
    )  # fmt: skip


class FakeClock:
    """Time that moves only when somebody sleeps; `late` adds to each sleep what a busy system would.

    What never sleeps, or sleeps for ever, fails here and at once, and not by the hang limit of the suite.
    """

    LONGEST_S = 7200.0
    MOST_LOOKS = 2000

    def __init__(self, late: Callable[[], float] = lambda: 0.0) -> None:
        self.t = 1000.0
        self.late = late
        self._looks = 0

    def now_s(self) -> float:
        self._looks += 1
        assert self._looks < self.MOST_LOOKS, "it looks at the clock again and again, and never sleeps"
        return self.t

    def utc_s(self) -> float:
        return 1.7e9 + self.t

    def sleep_until(self, t_s: float, wake: threading.Event) -> None:
        before_s, self.t = self.t, max(self.t, t_s) + self.late()
        if self.t > before_s:
            self._looks = 0
        assert self.t < 1000.0 + self.LONGEST_S, "it never ends"


class FakeBank:
    """One die whose temperature is a function of time since the start and of the load's share."""

    def __init__(self, die: Callable[[float, float], Reading | float]) -> None:
        self._die = die
        self._last: Reading = Reading(value=None, quality=Quality.MISSING)
        self.infos: Mapping[str, ChannelInfo] = {"die_temp_c": die_info()}

    def sample(self, now_s: float, *, load_share: float) -> dict[str, Reading]:
        found = self._die(now_s - 1000.0, load_share)
        self._last = found if isinstance(found, Reading) else Reading(value=found)
        return {"die_temp_c": self._last}

    def reread(self, channel: str, now_s: float) -> Reading:
        return self._last

    def hanging(self) -> tuple[str, ...]:
        return ()

    def close(self) -> None:
        pass


class FakeLoad:
    """Counts what it is told; `part` is what part of the whole processor its workers are."""

    def __init__(self, log: list[tuple[Any, ...]]) -> None:
        self.log = log
        self.share = 0.0
        self.part = 1.0
        self.alive = 0
        self.work = 0.0
        self.on_status: Callable[[FakeLoad], None] = lambda load: None

    def start(self, demand: LoadDemand) -> None:
        self.alive = 2
        self.part = 0.25 if demand.workers == "quarter" else 1.0
        self.log.append(("start", demand.workers))

    def set_share(self, share: float) -> None:
        self.share = share
        self.log.append(("share", share))

    def beat(self) -> None:
        self.log.append(("beat",))

    def status(self) -> LoadStatus:
        self.work += 100 * self.share
        self.on_status(self)
        return LoadStatus(work_done=self.work, compute_errors=0, workers_wanted=2, workers_alive=self.alive)

    def stop(self) -> float:
        self.alive, self.share = 0, 0.0
        self.log.append(("stop",))
        return 0.001

    def close(self) -> None:
        self.stop()


class FakeWriter:
    """Keeps rows in memory; can be set to fail or to lag."""

    def __init__(self, log: list[tuple[Any, ...]]) -> None:
        self.log = log
        self.rows: list[tuple[float, dict[str, Reading]]] = []
        self.events: list[tuple[float, str, dict[str, Any]]] = []
        self.stages: dict[str, str] = {}
        self.facts: dict[str, Any] = {}
        self.fail_at: int | None = None
        self.lag = 0.0
        self.closed = self.abandoned = False

    def sample(self, t_s: float, utc_s: float, readings: Mapping[str, Reading]) -> None:
        if self.fail_at is not None and len(self.rows) >= self.fail_at:
            raise RecordError("the disk is full", where="record", mend="Make room.")
        self.log.append(("row", t_s))
        self.rows.append((t_s, dict(readings)))

    def stage_started(self, name: str, kind: str, t_s: float) -> None:
        self.log.append(("stage", name))

    def stage_ended(self, name: str, t_s: float, ended: str) -> None:
        self.stages[name] = ended

    def event(self, t_s: float, kind: str, detail: Mapping[str, Any]) -> None:
        self.events.append((t_s, kind, dict(detail)))

    def fact(self, key: str, value: Any) -> None:
        self.facts[key] = value

    def lag_s(self) -> float:
        return self.lag

    def close(self) -> None:
        self.closed = True

    def abandon(self, went_dark: str = "power-off") -> None:
        self.abandoned = True


class Ears(Silent):
    """Keeps what the run said."""

    def __init__(self) -> None:
        self.said: list[tuple[str, bool]] = []

    def say(self, text: str, *, loud: bool = False) -> None:
        self.said.append((text, loud))


class Face(Ears):
    """Keeps what is said, and whom it was to call."""

    def __init__(self) -> None:
        super().__init__()
        self.calls: list[Attention | None] = []

    def attend(self, what: Attention | None) -> None:
        self.calls.append(what)


def profile(text: str = PROFILE) -> Any:
    """Return the test profile, parsed by the real parser, also one that no shop may run."""
    return parse_profile(text, origin="bench-test.toml", recorded=True)
