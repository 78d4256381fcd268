"""How a run ended, from its record and from what this computer can prove; nothing is guessed as proven.

A closed record says it itself. An interrupted one is `running` only where process id, start time of the process and
boot id all fit; else it is `interrupted`, with a class: another boot means power lost or reset, the same boot without
the process means that the program was killed, a process that is there but writes nothing hangs.
"""

from __future__ import annotations

import hashlib
import platform
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple, TypedDict, cast

from verifyrig.core.contract import CauseObject, TripObject
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.reason import Reason, reason
from verifyrig.system.boot_span import BootSpan
from verifyrig.system.machine import boot_id

# psutil counts a process's start from the boot time, which moves when the clock is set right after boot.
_SAME_START_S = 5.0
_QUIET_PERIODS = 10
_QUIET_AT_LEAST_S = 30.0
# A log that goes on for longer than this after the last sample shows that the system was alive without us.
_LOG_GOES_ON_S = 30.0
_SHUTDOWN_SOON_S = 120.0


class Ending(NamedTuple):
    """Outcome in the contract's words, {"class", "why"} where it is `interrupted`, the reasons, the trip if noted."""

    outcome: str
    cause: CauseObject | None
    why: tuple[Reason, ...] = ()
    trip: TripObject | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemState:
    """What this computer knows of itself now.

    Attributes:
        host: `host_id()` of this computer.
        process_started: Gives the start time of a process id, s since 1970, or None where there is none.
        boots: Earlier boots of which the system's log knows; None where it was not asked.
    """

    boot_id: str | None
    host: str | None
    now_utc_s: float
    process_started: Callable[[int], float | None]
    boots: Sequence[BootSpan] | None = None


def system_state(boots: Sequence[BootSpan] | None = None) -> SystemState:
    """Return the state of the computer that this runs on; `boots` where its log was asked."""
    return SystemState(
        boot_id=boot_id(Path("/")) or _boot_by_time(),
        host=host_id(),
        now_utc_s=time.time(),
        process_started=_process_started,
        boots=boots,
    )


class KeeperFacts(TypedDict):
    """Which computer and boot writes a record, and which process; `started` in s since 1970."""

    host: str
    boot_id: str
    pid: int
    started: float


def host_facts() -> KeeperFacts:
    """Return what a record must carry for `ending_of`: which computer and boot keeps it, and which process."""
    import psutil

    process = psutil.Process()
    return {
        "host": host_id(),
        "boot_id": boot_id(Path("/")) or _boot_by_time(),
        "pid": process.pid,
        "started": process.create_time(),
    }


def host_id(root: Path = Path("/")) -> str:
    """Return a short digest that is the same as long as system and board are, and says nothing else.

    The system's id alone would not do: a stick boots on many machines.
    """
    names = ("etc/machine-id", "sys/class/dmi/id/product_name", "sys/class/dmi/id/board_name")
    parts = [_text(root / name) for name in names] + [platform.system(), platform.machine()]
    if not parts[0]:
        parts.append(platform.node())
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def _boot_by_time() -> str:
    """Return a stand-in for the boot id where the system has none: the boot time to the minute."""
    import psutil

    return f"booted-{psutil.boot_time() / 60:.0f}"


def _process_started(pid: int) -> float | None:
    import psutil

    try:
        process = psutil.Process(pid)
        return None if process.status() == psutil.STATUS_ZOMBIE else float(process.create_time())
    except psutil.Error:
        return None


def ending_of(facts: Mapping[str, Any], *, sealed: bool, last_sample_utc_s: float | None, state: SystemState) -> Ending:
    """Return how the run ended, or that it is running.

    Args:
        facts: Table `run` of the record.
        sealed: Whether the record is closed.
        last_sample_utc_s: Wall clock of the last sample, s, or None where there is none.
        state: What this computer knows.
    """
    outcome, cause = facts.get("outcome"), facts.get("cause")
    if outcome not in (None, Outcome.RUNNING):
        return Ending(str(outcome), cast(CauseObject, cause) if isinstance(cause, dict) else None)
    if facts.get("went_dark"):
        kind = CauseClass.HANG if facts["went_dark"] == CauseClass.HANG else CauseClass.POWER_OFF
        return _interrupted(kind, reason("went-dark"))
    if sealed:
        return _interrupted(CauseClass.UNKNOWN, reason("closed-without-ending"))
    return _interrupted_ending(facts, last_sample_utc_s, state)


def _interrupted(kind: CauseClass, *why: Reason) -> Ending:
    return Ending(Outcome.INTERRUPTED, {"class": kind, "why": list(map(str, why))}, why)


def _interrupted_ending(facts: Mapping[str, Any], last_utc_s: float | None, state: SystemState) -> Ending:
    keeper = facts.get("keeper")
    if not isinstance(keeper, dict) or not keeper.get("boot_id"):
        return _interrupted(CauseClass.UNKNOWN, reason("never-closed-no-keeper"))
    if keeper["boot_id"] == state.boot_id:
        return _same_boot(facts, keeper, last_utc_s, state)
    if keeper.get("host") != state.host:
        return _interrupted(
            CauseClass.UNKNOWN,
            reason("never-closed"),
            reason("other-computer"),
        )
    return _other_boot(str(keeper["boot_id"]), last_utc_s, state.boots)


def _same_boot(
    facts: Mapping[str, Any], keeper: Mapping[str, Any], last_utc_s: float | None, state: SystemState
) -> Ending:
    pid, started = keeper.get("pid"), keeper.get("started")
    now_started = state.process_started(pid) if isinstance(pid, int) else None
    alive = now_started is not None and isinstance(started, (int, float)) and abs(now_started - started) < _SAME_START_S
    if not alive:
        return _interrupted(CauseClass.KILLED, reason("process-gone", pid=str(pid)), reason("not-restarted"))
    quiet_s = _quiet_s(facts, last_utc_s, state)
    if quiet_s is None:
        return Ending(Outcome.RUNNING, None)
    return _interrupted(CauseClass.HANG, reason("process-silent", pid=str(pid), time_s=quiet_s))


def _quiet_s(facts: Mapping[str, Any], last_utc_s: float | None, state: SystemState) -> float | None:
    """Return for how long no sample came, s; None where that is not unusual, or the clock is a simulated one."""
    if last_utc_s is None or not facts.get("live"):
        return None
    period_s = facts.get("period_s")
    limit_s = max(_QUIET_AT_LEAST_S, _QUIET_PERIODS * (period_s if isinstance(period_s, (int, float)) else 1.0))
    quiet_s = state.now_utc_s - last_utc_s
    return quiet_s if quiet_s > limit_s else None


def _other_boot(boot: str, last_utc_s: float | None, boots: Sequence[BootSpan] | None) -> Ending:
    restarted = reason("restarted")
    span = next((b for b in boots or () if b.boot_id == boot.replace("-", "")), None)
    if span is None and boots is not None:
        # A system that runs from memory keeps no log over a start: of a crash nothing is left either.
        return _interrupted(CauseClass.POWER_OFF, restarted, reason("no-log-left"))
    if span is None or last_utc_s is None:
        return _interrupted(CauseClass.POWER_OFF, restarted)
    after_s = span.last_utc_s - last_utc_s
    if span.asleep:
        return _interrupted(CauseClass.SUSPEND, restarted, reason("log-ends-asleep"))
    if span.orderly and after_s < _SHUTDOWN_SOON_S:
        return _interrupted(CauseClass.TERMINATED, restarted, reason("log-ends-orderly", time_s=after_s))
    if span.orderly:
        return _interrupted(CauseClass.KILLED, restarted, reason("log-goes-on-orderly", time_min=after_s / 60))
    if after_s > _LOG_GOES_ON_S:
        return _interrupted(CauseClass.HANG, restarted, reason("log-goes-on", time_s=after_s))
    return _interrupted(CauseClass.POWER_OFF, restarted, reason("log-ends-with-record"))
