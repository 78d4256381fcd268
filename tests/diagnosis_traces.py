"""Invented runs for tests of the diagnosis: a machine of two time constants, drawn by hand, in memory."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import LoadPattern, LoadPlan, Profile, Stage, StageKind, WorkName
from verifyrig.core.trace import Event, StageSpan, Trace
from verifyrig.diagnosis.judging import Judgement
from verifyrig.jobs.model import EntryKind, Intake, Job, JobEntry, Machine

DAY = datetime(2031, 3, 14, 9, 0, tzinfo=UTC)
CLIMB = Profile(
    name="climb", title="", text="", recipe="climb",
    stages=(
        Stage(
            name="load", kind=StageKind.LOAD, max_duration_s=900.0,
            load=LoadPlan(work=WorkName.LINEAR_ALGEBRA, pattern=LoadPattern.CLIMB),
        ),
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """An invented machine: K/W of the three parts of its path with their time constants, watts, and what it shows."""

    contact: float = 0.15
    flow: float = 0.05
    air: float = 0.13
    contact_s: float = 1.5
    flow_s: float = 18.0
    air_s: float = 110.0
    idle_w: float = 15.0
    load_w: float = 100.0
    ambient_c: float = 22.0
    idle_offset_k: float = 0.0
    limit_c: float = 95.0
    fan_rpm: float = 1100.0
    liquid: bool = True
    pump_rpm: float = 2400.0
    droop_v_per_w: float = 0.0005
    limit_w: float = 125.0
    errors_per_s: float = 0.0
    error_cores: tuple[int, ...] = ()
    clock_falls_after_s: float = math.inf
    throttles: bool = False
    stuck_c: float | None = None
    core_spread_k: float = 4.0
    extra: Mapping[str, float] = field(default_factory=dict)


def made_run(
    machine: Made,
    *,
    load_s: int = 900,
    pulses: bool = True,
    between_pulses_s: int = 55,
    climbs: bool = False,
    ends_at_s: float | None = None,
    cause: str | None = None,
    start: datetime = DAY,
    run_id: str = "20310314-090000-made",
) -> Trace:
    """Return idle, pulses, load and cooldown of an invented machine; `ends_at_s` interrupts it.

    With `climbs` the load goes up by quarters, 12 s each, and after two minutes of cooldown come five steps.
    """
    spans, share = _plan(load_s, pulses, between_pulses_s)
    if climbs:
        spans, share = _climbed(spans, share)
    t_s = np.arange(0.0, float(len(share)))
    columns, events = _columns(machine, t_s, share, spans)
    end_s = float(t_s[-1]) if ends_at_s is None else ends_at_s
    n = int(np.searchsorted(t_s, end_s, side="right"))
    stages = tuple(_cut(stage, end_s) for stage in spans if stage.start_s <= end_s)
    facts: dict[str, Any] = {
        "outcome": "completed" if cause is None else "interrupted",
        "cause": None if cause is None else {"class": cause, "why": []},
        "started_utc_s": start.timestamp(),
        "channels": {"die_temp_c": {"limit": machine.limit_c, "resolution": 1.0}},
        "machine": {"cores": 6, "power_limits_w": {"long_term": machine.limit_w}},
        "simulated": True,
    }
    return Trace(
        run_id=run_id,
        facts=facts,
        profile=CLIMB if climbs else None,
        stages=stages,
        t_s=t_s[:n],
        utc_s=t_s[:n] + start.timestamp(),
        columns={name: values[:n] for name, values in columns.items()},
        events=tuple(e for e in events if e.t_s <= end_s),
    )


def _cut(stage: StageSpan, end_s: float) -> StageSpan:
    if stage.end_s is not None and stage.end_s <= end_s:
        return stage
    return StageSpan(name=stage.name, kind=stage.kind, start_s=stage.start_s)


def _plan(load_s: int, pulses: bool, between_pulses_s: int) -> tuple[list[StageSpan], np.ndarray]:
    share = [0.0] * 150
    spans = [StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=150.0, ended=StageEnd.SETTLED)]
    if pulses:
        start = len(share)
        for _ in range(4):
            share += [0.25] * 5 + [0.0] * between_pulses_s
        spans.append(
            StageSpan(name="pulses", kind=StageKind.LOAD, start_s=start, end_s=len(share), ended=StageEnd.TIME)
        )
    if load_s:
        start = len(share)
        share += [1.0] * load_s
        spans.append(StageSpan(name="load", kind=StageKind.LOAD, start_s=start, end_s=len(share), ended=StageEnd.TIME))
        start = len(share)
        share += [0.0] * 240
        spans.append(
            StageSpan(name="cooldown", kind=StageKind.COOLDOWN, start_s=start, end_s=len(share), ended=StageEnd.TIME)
        )
    return spans, np.array(share)


def _climbed(spans: list[StageSpan], share: np.ndarray) -> tuple[list[StageSpan], np.ndarray]:
    load, cooldown = spans[-2], spans[-1]
    start, end_s = int(load.start_s), int(cooldown.start_s) + 120
    share = share[:end_s].copy()
    for quarter in range(3):
        share[start + 12 * quarter : start + 12 * (quarter + 1)] = 0.25 * (quarter + 1)
    share = np.concatenate((share, ([1.0] * 5 + [0.0] * 25) * 5))
    steps = StageSpan(name="steps", kind=StageKind.LOAD, start_s=end_s, end_s=float(len(share)), ended=StageEnd.TIME)
    return [*spans[:-1], replace(cooldown, end_s=float(end_s)), steps], share


def _columns(
    m: Made, t_s: np.ndarray, share: np.ndarray, spans: list[StageSpan]
) -> tuple[dict[str, np.ndarray], list[Event]]:
    rng = np.random.default_rng(7)
    load_start_s = next((s.start_s for s in spans if s.name == "load"), math.inf)
    pinned = (t_s > load_start_s + m.clock_falls_after_s) & (share > 0.5)
    power = m.idle_w + share * (m.load_w - m.idle_w)
    power = np.where(pinned, m.idle_w + 0.15 * (m.load_w - m.idle_w), power)
    if m.throttles:
        power = _held_at_limit(m, power)
        pinned = working_hard(share) & (power < 0.75 * m.load_w)
    parts = [(m.contact, m.contact_s), (m.flow, m.flow_s), (m.air, m.air_s)]
    rise = sum(r * _lagged(power, tau) for r, tau in parts)
    noise = rng.standard_normal((4, len(t_s)))
    die = m.ambient_c + rise + m.idle_offset_k + 0.3 * noise[0]
    die = np.round(np.minimum(die, m.limit_c)) if m.stuck_c is None else np.full(len(t_s), m.stuck_c)
    working = share > 0
    errors = np.floor(np.cumsum(working * share) * m.errors_per_s)
    steps = np.flatnonzero(np.diff(errors) > 0) + 1
    events = [Event(t_s=float(t), kind="load", detail={"share": float(share[int(t)])}) for t in _load_steps(share)]
    cores = m.error_cores or (0,)
    events += [
        Event(t_s=float(t_s[at]), kind="compute-error", detail={"core": cores[i % len(cores)]})
        for i, at in enumerate(steps)
    ]
    columns = {
        "die_temp_c": die,
        "ambient_temp_c": m.ambient_c + 0.05 * noise[1],
        "package_power_w": power * (1 + 0.003 * noise[2]),
        "cpu_fan_speed_rpm": np.full(len(t_s), m.fan_rpm),
        "cpu_fan_duty_share": np.full(len(t_s), 0.6),
        "core_clock_mhz": np.where(pinned, 900.0, np.where(working, 4200.0, 800.0)),
        "busy_share": share,
        "load_share": working.astype(float),
        "compute_errors": np.where(working, errors, np.nan),
        "rail_12v_v": np.round((12.05 - m.droop_v_per_w * power + 0.006 * noise[3]) / 0.024) * 0.024,
        "core_temp_c": die,
        "core_2_temp_c": die - m.core_spread_k * share,
        "core_3_temp_c": die - 0.5 * m.core_spread_k * share,
    }
    if m.liquid:
        columns["pump_speed_rpm"] = np.full(len(t_s), m.pump_rpm)
    columns |= {name: np.full(len(t_s), value) for name, value in m.extra.items()}
    return columns, sorted(events, key=lambda e: e.t_s)


def working_hard(share: np.ndarray) -> np.ndarray:
    """Return where the whole processor works."""
    return np.asarray(share > 0.5)


def _held_at_limit(m: Made, wanted_w: np.ndarray) -> np.ndarray:
    """A processor that lowers its power so that the die stays at its limit."""
    parts = [(m.contact, m.contact_s), (m.flow, m.flow_s), (m.air, m.air_s)]
    gains = [1 - math.exp(-1.0 / tau) for _, tau in parts]
    lagged = [float(wanted_w[0])] * 3
    out = np.empty(len(wanted_w))
    for at, watts in enumerate(wanted_w):
        kept = sum(r * now * (1 - g) for (r, _), now, g in zip(parts, lagged, gains, strict=True))
        each = sum(r * g for (r, _), g in zip(parts, gains, strict=True))
        out[at] = min(float(watts), max(0.25 * m.load_w, (m.limit_c - m.ambient_c - kept) / each))
        lagged = [now + (out[at] - now) * g for now, g in zip(lagged, gains, strict=True)]
    return out


def _lagged(power: np.ndarray, tau_s: float) -> np.ndarray:
    """First-order lag of the power, started at idle."""
    out = np.empty(len(power))
    now = power[0]
    for at, watts in enumerate(power):
        now += (watts - now) * (1 - math.exp(-1.0 / tau_s))
        out[at] = now
    return out


def _load_steps(share: np.ndarray) -> list[int]:
    return [int(i) + 1 for i in np.flatnonzero(np.diff(share) != 0)]


def entry(minutes: float, kind: EntryKind, what: str, **detail: object) -> JobEntry:
    """Return an entry of the invented job, some minutes into its day."""
    time = DAY + timedelta(minutes=minutes)
    return JobEntry(entry_id=f"e-{kind}-{what}-{minutes:g}", time=time, kind=kind, what=what, detail=dict(detail))


def made_job(*entries: JobEntry, answers: Mapping[str, str] | None = None, kind: str = "desktop-liquid") -> Job:
    """Return an invented job."""
    intake = Intake(complaint="It goes dark.", machine=Machine(kind=kind), answers=answers or {})
    return Job(job_id="20310314-1", opened=DAY - timedelta(hours=1), intake=intake, entries=entries)


def leading(judged: Judgement) -> tuple[str, float]:
    """Return the most probable cause and its probability."""
    cause = max(judged.causes, key=judged.causes.__getitem__)
    return cause, judged.causes[cause]
