"""Invented report inputs: plain data in closed form, so that every figure of a page is known beforehand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from verifyrig.analysis.results import Comparison, Metric, MetricDifference, StageComparison, ThresholdResult
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import Gate, LoadPlan, Profile, Settle, Stage, StageKind, Threshold, TripLimit, WorkName
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import Event, FloatArray, QualityInterval, StageSpan, Trace
from verifyrig.jobs.fault import Pair
from verifyrig.jobs.fitness import fitness_of
from verifyrig.jobs.fitness_model import Fitness
from verifyrig.jobs.model import Intake, Job, JobEntry, Machine
from verifyrig.jobs.runs import run_facts
from verifyrig.jobs.vocabulary import QUESTIONS, protective_steps
from verifyrig.metrology.verdict import Verdict
from verifyrig.report.inputs import Entry, JobFacts, ReportInput, RunInput, Settings, Shop

# 14 March 2031, 13:05 UTC: no real day of anybody.
DAY_UTC = 1931259900.0
AMBIENT_C = 22.0


def profile(on_conditional: str = "repeat") -> Profile:
    """A plan of three stages with a gate, a trip limit and two accepted limits."""
    settle = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=400.0)
    load = LoadPlan(work=WorkName.LINEAR_ALGEBRA)
    return Profile(
        name="invented-plan",
        title="Invented plan",
        text="",
        recipe="ab" * 32,
        stages=(
            Stage(
                name="idle",
                kind=StageKind.IDLE,
                max_duration_s=300.0,
                settle=settle,
                gate=Gate(channel="die_temp_c", max_c=50.0, max_rise_k=25.0),
            ),
            Stage(name="load", kind=StageKind.LOAD, max_duration_s=900.0, settle=settle, load=load),
            Stage(name="cooldown", kind=StageKind.COOLDOWN, max_duration_s=300.0),
        ),
        trip_limits=(
            TripLimit(channel="die_temp_c", maximum=95.0, below_machine_limit_k=3.0),
            TripLimit(channel="vrm_temp_c", maximum=110.0, optional=True),
        ),
        thresholds=(
            Threshold(metric="load.die_temp_c.settled", maximum=80.0, why="A hotter one has no room for a warm day."),
            Threshold(metric="load.thermal_resistance", maximum=0.45, why="More means that the heat is held up."),
        ),
        cautions=("The cooler is hot after the load.",),
        on_conditional=on_conditional,
    )


def first_order(t_s: FloatArray, start_c: float, end_c: float, tau_s: float) -> FloatArray:
    """A first-order approach from `start_c` to `end_c`, °C, shape (n,)."""
    return np.asarray(end_c + (start_c - end_c) * np.exp(-np.maximum(t_s, 0.0) / tau_s), dtype=np.float64)


def healthy_die_c(t_s: FloatArray) -> FloatArray:
    """Rest at 30 °C, load from 300 s to 1200 s towards 66 °C, then back."""
    up = first_order(t_s - 300.0, 30.0, 66.0, 60.0)
    top_c = float(first_order(np.array([900.0]), 30.0, 66.0, 60.0)[0])
    down = first_order(t_s - 1200.0, top_c, 30.0, 60.0)
    return np.where(t_s < 300.0, 30.0, np.where(t_s < 1200.0, up, down))


def trace(
    run_id: str,
    columns: Mapping[str, FloatArray],
    stages: tuple[StageSpan, ...],
    *,
    period_s: float = 1.0,
    started_utc_s: float = DAY_UTC,
    plan: Profile | None = None,
    facts: Mapping[str, Any] | None = None,
    qualities: tuple[QualityInterval, ...] = (),
    events: tuple[Event, ...] = (),
) -> Trace:
    """A trace on a steady grid that begins at 0."""
    n = len(next(iter(columns.values())))
    t_s = np.arange(n, dtype=np.float64) * period_s
    base = {
        "purpose": "check",
        "simulated": False,
        "ambient": {"value_c": AMBIENT_C, "u95_k": 0.5, "source": "typed"},
        "states": {"panel": "closed"},
        "machine": {"processor": "Invented processor", "system": "Bench system"},
        "channels": {
            name: {"label": name, "driver": "invented", "device": f"invented:{name}", "unit": "°C"} for name in columns
        },
        "outcome": "completed",
        "cause": None,
        "trip": None,
    }
    return Trace(
        run_id=run_id,
        facts={**base, **(facts or {})},
        profile=plan if plan is not None else profile(),
        stages=stages,
        t_s=t_s,
        utc_s=started_utc_s + t_s,
        columns=columns,
        qualities=qualities,
        events=events,
    )


def metric(value: float | None, unit: str, u95: float | None, why: Reason | None = None) -> Metric:
    """One figure."""
    return Metric(value=value, unit=unit, u95=u95, why=() if why is None else (why,))


def run_input(one: Trace, *, verdict: str, metrics: Mapping[str, Metric] | None = None) -> RunInput:
    """A run with its figures; each limit has the verdict of the whole."""
    found = metrics or {}
    limits = tuple(
        ThresholdResult(
            metric=limit.metric,
            minimum=limit.minimum,
            maximum=limit.maximum,
            value=found[limit.metric].number if limit.metric in found else None,
            u95=found[limit.metric].u95 if limit.metric in found else None,
            verdict=Verdict(verdict),
        )
        for limit in (one.profile.thresholds if one.profile else ())
    )
    one = replace(one, facts={**one.facts, "not_armed": ["vrm_temp_c"]})
    return RunInput(
        trace=one,
        metrics=found,
        limits=limits,
        verdict=Verdict(verdict),
        digest=(one.run_id.encode().hex() * 8)[:64],
        file_name=f"{one.run_id}.sqlite",
    )


def healthy_run(run_id: str = "20310314-154000-bbbb", **facts: Any) -> RunInput:
    """A verification that settles at 66 °C under 100 W."""
    t_s = np.arange(1501.0)
    load = ((t_s >= 300) & (t_s < 1200)).astype(np.float64)
    columns = {
        "ambient_temp_c": np.full_like(t_s, AMBIENT_C),
        "plate_temp_c": 24.0 + (healthy_die_c(t_s) - 30.0) * 0.5,
        "die_temp_c": healthy_die_c(t_s),
        "package_power_w": 15.0 + 85.0 * load,
        "cpu_fan_speed_rpm": 700.0 + 500.0 * load,
        "load_share": load,
    }
    stages = (
        StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=300.0, ended=StageEnd.SETTLED),
        StageSpan(name="load", kind=StageKind.LOAD, start_s=300.0, end_s=1200.0, ended=StageEnd.SETTLED),
        StageSpan(name="cooldown", kind=StageKind.COOLDOWN, start_s=1200.0, end_s=1500.0, ended=StageEnd.TIME),
    )
    metrics = {
        "idle.die_temp_c.settled": metric(30.0, "°C", 0.8),
        "idle.die_temp_c.peak": metric(30.0, "°C", 0.8),
        "load.die_temp_c.settled": metric(66.0, "°C", 1.2),
        "load.die_temp_c.peak": metric(66.0, "°C", 0.8),
        "load.thermal_resistance": metric(0.44, "K/W", 0.0044),
        "load.thermal_impedance_5s": metric(0.12, "K/W", 0.01),
        "load.thermal_impedance_60s": metric(0.27, "K/W", 0.02),
        "load.thermal_impedance_600s": metric(0.42, "K/W", 0.02),
        "load.work_rate_kept_share": metric(0.998, "1", 0.01),
        "load.coolant_temp_c.settled": metric(None, "°C", None, why=reason("no-reading")),
    }
    one = trace(run_id, columns, stages, started_utc_s=DAY_UTC + 9000.0, facts={"purpose": "verification", **facts})
    return run_input(one, verdict="pass", metrics=metrics)


def tripped_run(run_id: str = "20310314-131700-aaaa", after_load_s: float = 38.0, **facts: Any) -> RunInput:
    """A baseline whose load ended at the trip limit after `after_load_s`, at 92.5 °C."""
    t_s = np.arange(601.0)
    end_s = 300.0 + after_load_s
    load = ((t_s >= 300) & (t_s < end_s)).astype(np.float64)
    rise_k = 92.5 - 41.0
    die_c = np.where(t_s < 300, 41.0, np.where(t_s < end_s, 41.0 + rise_k * (t_s - 300) / after_load_s, 0.0))
    die_c = np.where(t_s >= end_s, 41.0 + rise_k * np.exp(-(t_s - end_s) / 120.0), die_c)
    columns = {
        "ambient_temp_c": np.full_like(t_s, AMBIENT_C),
        "plate_temp_c": 26.0 + (die_c - 41.0) * 0.1,
        "die_temp_c": die_c,
        "package_power_w": 15.0 + 85.0 * load,
        "cpu_fan_speed_rpm": 1500.0 + 0.0 * t_s,
        "load_share": load,
    }
    stages = (
        StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=300.0, ended=StageEnd.SETTLED),
        StageSpan(name="load", kind=StageKind.LOAD, start_s=300.0, end_s=end_s, ended=StageEnd.TRIPPED),
        StageSpan(name="cooldown", kind=StageKind.COOLDOWN, start_s=end_s, end_s=600.0, ended=StageEnd.TIME),
    )
    trip = {
        "rule": "max", "channel": "die_temp_c", "value": 92.5, "limit": 92.0, "stage": "load", "t_s": end_s,
        "load_off_s": 0.04,
    }  # fmt: skip
    metrics = {
        "idle.die_temp_c.settled": metric(41.0, "°C", 0.8),
        "load.die_temp_c.peak": metric(92.5, "°C", 0.8),
        "load.thermal_impedance_5s": metric(0.45, "K/W", 0.04),
    }
    base = {"purpose": "baseline", "outcome": "tripped", "trip": trip}
    one = trace(run_id, columns, stages, started_utc_s=DAY_UTC + 720.0, facts={**base, **facts})
    return run_input(one, verdict="not-measured", metrics=metrics)


def gated_run(run_id: str = "20310314-131700-aaaa") -> RunInput:
    """A baseline that climbed while idle: the gate closed at 50 °C after 60 s, no load was run, then 62 °C."""
    t_s = np.arange(361.0)
    die_c = 26.0 + 0.1 * t_s + 18.0 * (1.0 - np.exp(-t_s / 60.0)) * (t_s > 0)
    columns = {
        "ambient_temp_c": np.full_like(t_s, AMBIENT_C),
        "die_temp_c": die_c,
        "package_power_w": np.full_like(t_s, 15.0),
        "load_share": np.zeros_like(t_s),
    }
    stages = (
        StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=60.0, ended=StageEnd.GATE),
        StageSpan(name="load", kind=StageKind.LOAD, start_s=60.0, end_s=60.0, ended=StageEnd.SKIPPED),
        StageSpan(name="cooldown", kind=StageKind.COOLDOWN, start_s=60.0, end_s=360.0, ended=StageEnd.TIME),
    )
    facts = {"purpose": "baseline", "outcome": "stopped", "stopped_because": ["gate of stage idle"]}
    one = trace(run_id, columns, stages, started_utc_s=DAY_UTC + 720.0, facts=facts)
    metrics = {
        "idle.die_temp_c.peak": metric(float(die_c[60]), "°C", 0.8),
        "load.die_temp_c.settled": metric(None, "°C", None, why=reason("stage-skipped")),
    }
    return run_input(one, verdict="not-measured", metrics=metrics)


def dark_run(run_id: str = "20310314-131700-aaaa", **facts: Any) -> RunInput:
    """A baseline that lost power 38 s into the load."""
    whole = tripped_run(run_id, **facts)
    known = slice(0, 339)
    one = replace(
        whole.trace,
        t_s=whole.trace.t_s[known],
        utc_s=whole.trace.utc_s[known],
        columns={name: values[known] for name, values in whole.trace.columns.items()}
        | {"load_share": (whole.trace.t_s[known] >= 300.0).astype(float)},
        stages=(
            whole.trace.stages[0],
            StageSpan(name="load", kind=StageKind.LOAD, start_s=300.0, end_s=338.0, ended=StageEnd.INTERRUPTED),
        ),
        facts={
            **whole.trace.facts,
            "outcome": "interrupted",
            "trip": None,
            "cause": {"class": "power-off", "why": ["its log ends with the record"]},
        },
    )
    found = run_input(one, verdict="not-measured", metrics=whole.metrics)
    return replace(found, integrity=Integrity.UNSEALED)


def early_befores() -> dict[str, RunInput]:
    """A run before for each way in which one ends before its plan."""
    cold, tripped = gated_run(), tripped_run()
    stages = tuple(replace(s, ended=StageEnd.TIME) if s.ended == StageEnd.GATE else s for s in cold.trace.stages)
    why = reason("foreseen-too-hot", peak_c=118.0, u95_k=21.0, limit_c=92.0)
    refused = Event(t_s=60.0, kind="load-refused", detail={"stage": "load", "why": str(why), "reason": why.as_json()})
    facts = {**tripped.trace.facts, "trip": None}
    stopped = facts | {"outcome": "stopped"}
    operator = facts | {"outcome": "interrupted", "cause": {"class": "operator", "why": ["ended by hand"]}}
    return {
        "tripped": tripped,
        "dark": dark_run(),
        "gated": cold,
        "refused": replace(cold, trace=replace(cold.trace, stages=stages, events=(refused,))),
        "stopped": replace(tripped, trace=replace(tripped.trace, facts=stopped)),
        "interrupted": replace(tripped, trace=replace(tripped.trace, facts=operator)),
    }


def job(**changes: Any) -> JobFacts:
    """An invented job: one part replaced after the baseline."""
    base = JobFacts(
        job_id="20310314-1",
        opened_utc_s=DAY_UTC,
        closed_utc_s=DAY_UTC + 12000.0,
        complaint="It switches itself off a minute after the start.",
        customer={"name": "Q. Uestion", "contact": "q@example.invalid", "ticket": "T-1"},
        machine={"description": "Example Works Model One", "kind": "desktop with a closed liquid cooler",
                 "serial": "EX-0000-1234"},
        machine_kind="desktop-liquid",
        answers=((reason("question-what"), "switches-off"), (reason("question-restart"), "after-minutes")),
        consent=((reason("consent-heavy-load"), "yes"),),
        accessories="mains lead",
        condition="scratches on the left panel",
        entries=(
            Entry(entry_id="f-1", utc_s=DAY_UTC + 3000.0, kind="finding", what="radiator", detail={"value": "cold"}),
            Entry(
                entry_id="c-1",
                utc_s=DAY_UTC + 7200.0,
                kind="change",
                what="part-replaced",
                detail={"part": "closed liquid cooler", "lot": "L-7", "price": "89.00", "warranty_months": 24},
            ),
        ),
        protective_steps=((reason("step-cables-clear"), True),),
        cause="coolant-flow",
        digest="cd" * 32,
    )  # fmt: skip
    return replace(base, **changes)


def domain_job(facts: JobFacts) -> Job:
    """The job that the facts are of: its steps ticked, and closed where the facts say when."""
    questions = {reason(f"question-{question.key}"): question.key for question in QUESTIONS}
    kind = facts.machine_kind or "other"
    closed_s = facts.closed_utc_s
    entries = [
        JobEntry(entry_id=e.entry_id, time=_utc(e.utc_s or DAY_UTC), kind=e.kind, what=e.what, detail=e.detail)
        for e in facts.entries
    ]
    entries += [
        JobEntry(entry_id=f"s-{step}", time=_utc(DAY_UTC + 11_900.0), kind="step", what=step, detail={"value": "yes"})
        for step in protective_steps(kind)
    ]
    if closed_s is not None:
        detail = {"override": facts.override} if facts.override else {}
        closing = JobEntry(entry_id="z-1", time=_utc(closed_s), kind="close", what=facts.cause, detail=detail)
        entries.append(closing)
    return Job(
        job_id=facts.job_id,
        opened=_utc(facts.opened_utc_s or DAY_UTC),
        intake=Intake(
            complaint=facts.complaint,
            machine=Machine(kind=kind),
            answers={questions[text]: answer for text, answer in facts.answers if text in questions},
        ),
        entries=tuple(entries),
    )


def _utc(utc_s: float) -> datetime:
    return datetime.fromtimestamp(utc_s, UTC)


def fitness(runs: Sequence[RunInput], facts: JobFacts | None, pair: Pair, *, comparable: bool = True) -> Fitness:
    """What the program says of these runs; it is never set by hand."""
    known = [run_facts(run.trace, verdict=run.verdict, integrity=run.integrity) for run in runs]
    own = domain_job(facts) if facts is not None else None
    return fitness_of(own, known, pair=pair, comparable=lambda *_: comparable)


def comparison(before: RunInput, after: RunInput, *, comparable: bool = True) -> Comparison:
    """Two runs held against each other: differences of what both have."""
    differs = reason("state-differs", state="panel", before="closed", after="open")
    differences = {}
    for name in before.metrics:
        then, now = before.number(name), after.number(name)
        if then is not None and now is not None:
            differences[name] = MetricDifference(
                before=then, after=now, difference=now - then, u95=1.0, significant=True
            )
    return Comparison(
        before=before.run_id,
        after=after.run_id,
        stages={
            "idle": StageComparison(comparable=comparable, why=() if comparable else (differs,)),
            "load": StageComparison(comparable=False, why=(reason("no-such-stage-before"),), before="not run: unsafe"),
        },
        metrics=differences,
    )


def report(
    before: RunInput | None = None,
    after: RunInput | None = None,
    *,
    between: tuple[RunInput, ...] = (),
    facts: JobFacts | None = None,
    with_job: bool = True,
    comparable: bool = True,
    **settings: Any,
) -> ReportInput:
    """A report of a run before and a run after."""
    runs = tuple(run for run in (before, *between, after) if run is not None)
    known = (facts if facts is not None else job()) if with_job else None
    pair = (before.run_id if before is not None else None, after.run_id if after is not None else None)
    return ReportInput(
        fitness=fitness(runs, known, pair, comparable=comparable),
        shop=Shop(name="Invented Bench", operator="I. N. Vented", address="1 Example Lane\nNowhere", terms="No terms."),
        settings=Settings(**settings),
        job=known,
        runs=runs,
        before=pair[0],
        after=pair[1],
        comparison=comparison(before, after, comparable=comparable) if before and after else None,
        tool_version="0.0-test",
    )


def fixed_report(**settings: Any) -> ReportInput:
    """Tripped before, passes now."""
    return report(tripped_run(), healthy_run(), **settings)
