"""Seven courses of a job on simulated benches, as report inputs: what a customer's first page must say well.

Shop, people and machines are invented. The machines of six of them are simulated as everywhere (`mock_hw`); a graphics
card is simulated in closed form, and its records are written by the real writer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from tests.silent import Silent
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands.demo_job import DAY, OPERATOR
from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Controls, Reading
from verifyrig.core.outcome import Outcome, StageEnd
from verifyrig.core.profile import LoadPattern, Profile, Purpose, StageKind
from verifyrig.jobs.actions import record_change, take_in, tick_steps
from verifyrig.jobs.ending import close_job
from verifyrig.jobs.model import ChangeFacts, Customer, EntryKind, Intake, Job, Machine
from verifyrig.jobs.runs import runs_of
from verifyrig.jobs.store import append, new_entry, read_job
from verifyrig.record import open_record
from verifyrig.report.gather import gather_job
from verifyrig.report.inputs import ReportInput
from verifyrig.rig.assemble import run
from verifyrig.rig.request import RunRequest

SETTINGS = """\
[shop]
name = "Demo Bench (invented)"
operator = "I. N. Vented (demo)"
address = "1 Example Lane, Nowhere"
phone = "+00 0000 555 01"

[report]
terms = "This is a demo on simulated hardware. Nothing in it is about a real machine, shop or person."
"""
SERIAL = "DEMO-0000-1234"


def fixed(bench: Bench) -> str:
    """The pump of a closed liquid cooler stood still; the cooler was replaced, and it is proven."""
    job = taken_in(
        bench,
        "It switches itself off a minute after I start it, and it is hot on top.",
        Machine(kind="desktop-liquid", maker="Example Works", model="Model One (liquid cooler)", serial=SERIAL),
        {"what": "switches-off, hot", "when": "under-load", "how-often": "every time", "restart": "after-minutes"},
    )
    measured(bench, job, "desktop-liquid", "coolant-stopped", Purpose.BASELINE, DAY + timedelta(minutes=12))
    seen(bench, job, {"radiator": "cold", "pump": "silent"}, DAY + timedelta(hours=2))
    part: ChangeFacts = {"part": "closed liquid cooler", "price": "89.00", "warranty_months": 24}
    record_change(bench, read_job(bench, job), "part-replaced", part, by=OPERATOR, now=DAY + timedelta(hours=2.2))
    measured(bench, job, "desktop-liquid", "healthy-liquid", Purpose.VERIFICATION, DAY + timedelta(hours=2.5))
    closed(bench, job, "coolant-flow")
    return job


def better_not_proven(bench: Bench) -> str:
    """A rare fault: cleaned, and cooler since, but it ran for a shorter time than the fault takes to come."""
    job = taken_in(
        bench,
        "About once in twenty hours of work it switches itself off. Nobody touched it.",
        Machine(kind="desktop-air", maker="Example Works", model="Model Three", serial=SERIAL),
        {"what": "switches-off", "when": "under-load", "how-often": "every 20 h", "place": "carpet"},
    )
    measured(bench, job, "desktop-air", "case-choked", Purpose.BASELINE, DAY + timedelta(minutes=12))
    seen(bench, job, {"dust": "clogged", "case-fan": "loud"}, DAY + timedelta(hours=2))
    record_change(
        bench, read_job(bench, job), "cleaned", {"note": "fins, filters and fans freed of dust"}, by=OPERATOR,
        now=DAY + timedelta(hours=2.2),
    )  # fmt: skip
    measured(bench, job, "desktop-air", "healthy-air", Purpose.VERIFICATION, DAY + timedelta(hours=2.5))
    closed(bench, job, "airflow", override="the customer needs it; it stays under observation")
    return job


def not_fixed(bench: Bench) -> str:
    """New paste did not help, and the customer wants the machine back as it is."""
    job = taken_in(
        bench,
        "It gets slow after a few minutes of work, and the fan is as loud as a hair dryer.",
        Machine(kind="desktop-air", maker="Example Works", model="Model Three", serial=SERIAL),
        {"what": "slow, noise", "when": "under-load", "how-often": "every time", "noises": "loud-fan"},
    )
    measured(bench, job, "desktop-air", "paste-absent", Purpose.BASELINE, DAY + timedelta(minutes=12))
    seen(bench, job, {"paste": "uneven"}, DAY + timedelta(hours=2))
    record_change(bench, read_job(bench, job), "paste-renewed", {}, by=OPERATOR, now=DAY + timedelta(hours=2.2))
    measured(bench, job, "desktop-air", "paste-absent", Purpose.VERIFICATION, DAY + timedelta(hours=2.5))
    closed(bench, job, "contact", override="the customer takes it back as it is and will think it over")
    return job


def danger_noted(bench: Bench) -> str:
    """Coolant outside its loop was seen after the baseline: locked, and still on the bench."""
    job = taken_in(
        bench,
        "It gurgles, and it became loud.",
        Machine(kind="desktop-liquid", maker="Example Works", model="Model One (liquid cooler)", serial=SERIAL),
        {"what": "noise, hot", "when": "any-time", "noises": "gurgle"},
    )
    measured(bench, job, "desktop-liquid", "coolant-slow", Purpose.BASELINE, DAY + timedelta(minutes=12))
    seen(bench, job, {"leak": "seen"}, DAY + timedelta(hours=2))
    return job


def no_fault_seen(bench: Bench) -> str:
    """The fault did not show on the bench, and nothing was changed."""
    job = taken_in(
        bench,
        "Sometimes it freezes for a moment when I write letters.",
        Machine(kind="desktop-air", maker="Example Works", model="Model Three", serial=SERIAL),
        {"what": "freezes", "when": "any-time", "how-often": "every 2 h", "doing": "office"},
    )
    measured(bench, job, "desktop-air", "healthy-air", Purpose.BASELINE, DAY + timedelta(minutes=12))
    closed(bench, job, "none", override="the customer wants to try it at home")
    return job


def card(bench: Bench) -> str:
    """A graphics card with dried pads tripped; new pads and paste, and it is proven."""
    job = taken_in(
        bench,
        "In games the picture stutters after two minutes, and the fans howl.",
        Machine(kind="desktop-air", maker="Example Works", model="Model Four with a graphics card", serial=SERIAL),
        {"what": "slow, noise", "when": "under-load", "doing": "games-or-3d", "how-often": "every time"},
    )
    measured_card(bench, job, 3.8, Purpose.BASELINE, DAY + timedelta(minutes=12))
    seen(bench, job, {"paste": "dry"}, DAY + timedelta(hours=2))
    detail: ChangeFacts = {"part": "paste and pads of the graphics card", "note": "cooler seated again"}
    record_change(bench, read_job(bench, job), "paste-renewed", detail, by=OPERATOR, now=DAY + timedelta(hours=2.2))
    for hours in (2.5, 4.0):
        measured_card(bench, job, 1.0, Purpose.VERIFICATION, DAY + timedelta(hours=hours))
    closed(bench, job, "contact")
    return job


def come_back(bench: Bench) -> str:
    """The same machine with the same cause, half a year after it was fixed."""
    first = _fan_job(bench, "It became loud, then slow.", DAY - timedelta(days=181), again="")
    return _fan_job(bench, "It is slow again, just as it was last autumn.", DAY, again=first)


def _fan_job(bench: Bench, complaint: str, day: datetime, again: str) -> str:
    machine = Machine(kind="desktop-air", maker="Example Works", model="Model Three", serial=SERIAL)
    answers = {"what": "slow", "when": "under-load", "how-often": "every time"}
    job = taken_in(bench, complaint, machine, answers, again=again, day=day)
    measured(bench, job, "desktop-air", "fan-stopped", Purpose.BASELINE, day + timedelta(minutes=12))
    seen(bench, job, {"cpu-fan": "stopped"}, day + timedelta(hours=2))
    part: ChangeFacts = {"part": "cooler fan", "price": "19.00", "warranty_months": 12}
    record_change(bench, read_job(bench, job), "part-replaced", part, by=OPERATOR, now=day + timedelta(hours=2.2))
    measured(bench, job, "desktop-air", "healthy-air", Purpose.VERIFICATION, day + timedelta(hours=2.5))
    closed(bench, job, "airflow", day=day)
    return job


STATES: Mapping[str, Callable[[Bench], str]] = {
    "fixed": fixed,
    "better-not-proven": better_not_proven,
    "not-fixed": not_fixed,
    "danger-noted": danger_noted,
    "no-fault-seen": no_fault_seen,
    "card": card,
    "come-back": come_back,
}


def report_of(state: str, folder: Path) -> ReportInput:
    """Return the report input of a state, whose bench is made in the folder."""
    folder.mkdir(parents=True)
    (folder / "bench.toml").write_text(SETTINGS, encoding="utf-8")
    bench = find_bench(str(folder))
    return gather_job(bench, STATES[state](bench))


def in_language(report: ReportInput, language: str, paper: str = "A4") -> ReportInput:
    """Return the same report in another language, for another paper."""
    return replace(report, settings=replace(report.settings, language=language, paper=paper))


# --- what is done on the bench ---------------------------------------------------------------------------------


def taken_in(
    bench: Bench,
    complaint: str,
    machine: Machine,
    answers: Mapping[str, str],
    *,
    again: str = "",
    day: datetime = DAY,
) -> str:
    """Take a machine in; return its job."""
    intake = Intake(
        complaint=complaint,
        customer=Customer(name="Q. Uestion (demo)", contact="counter", ticket="D-0001"),
        machine=machine,
        answers=answers,
        consent={"data": "no", "backup": "yes", "encryption-key": "yes", "heavy-load": "yes"},
        price_ceiling="150",
        accessories="mains lead",
        condition="light scratches on the left panel",
    )
    return take_in(bench, intake, operator=OPERATOR, again=again, now=day).job_id


def measured(bench: Bench, job: str, profile: str, case: str, purpose: Purpose, start: datetime) -> None:
    """Run a profile on the simulated machine of a case."""
    request = RunRequest(
        profile=find_profile(profile, bench),
        purpose=purpose,
        job=job,
        mock=(case, 0),
        probes=("room", "plate"),
        from_cold=True,
        start_utc_s=start.timestamp(),
        states={"panel": "on", "position": "upright", "fans": "automatic"},
        facts={"operator": OPERATOR},
    )
    run(request, bench, Silent(), Controls())


def seen(bench: Bench, job: str, found: Mapping[str, str], now: datetime) -> None:
    """Note findings."""
    entries = [
        new_entry(EntryKind.FINDING, what, now=now, by=OPERATOR, detail={"value": value})
        for what, value in found.items()
    ]
    append(bench, job, entries)


def closed(bench: Bench, job_id: str, cause: str, *, override: str = "", day: datetime = DAY) -> None:
    """Tick what is to be ticked, and close."""
    now = day + timedelta(hours=5.5)
    job: Job = read_job(bench, job_id)
    job = tick_steps(bench, job, [step for step, done in job.steps().items() if not done], by=OPERATOR, now=now)
    close_job(bench, job, runs_of(bench, job_id), cause, override=override, by=OPERATOR, now=now + timedelta(minutes=5))


# --- a card in closed form -------------------------------------------------------------------------------------

# A Foster ladder, Z(t) = sum R_i (1 - exp(-t / tau_i)), the closed form of JESD51-1's transient impedance; sizes of a
# card of 250 W with fans, from memory.
LADDER = ((0.055, 0.9), (0.03, 20.0), (0.06, 120.0))
FULL_W, IDLE_W, ROOM_C, PERIOD_S = 250.0, 20.0, 23.0, 0.5
LIMIT_C = 90.0
CARD_CHANNELS = (
    *("ambient_temp_c", "gpu_temp_c", "gpu_power_w", "gpu_fan_speed_rpm"),
    *("load_share", "work_rate_per_s", "compute_errors"),
)


def measured_card(bench: Bench, job: str, times_first: float, purpose: Purpose, start: datetime) -> None:
    """Write the record of a card whose first step of the ladder is so many times that of a sound one."""
    profile = find_profile("graphics", bench)
    run_id = f"{start:%Y%m%d-%H%M%S}-card"
    folder = bench.job_dir(job) / "runs"
    folder.mkdir(parents=True, exist_ok=True)
    ladder = ((LADDER[0][0] * times_first, LADDER[0][1]), *LADDER[1:])
    told: dict[str, Any] = {
        "run": run_id, "job": job, "profile_name": profile.name, "recipe": profile.recipe, "purpose": str(purpose),
        "simulated": True, "started_utc_s": start.timestamp(), "period_s": PERIOD_S, "outcome": "running",
        "cause": None, "states": {"panel": "on"},
        "channels": [{"channel": name, "driver": "simulated", "label": name} for name in CARD_CHANNELS],
    }  # fmt: skip
    writer = open_record(
        folder / f"{run_id}.sqlite", facts=told, profile_text=profile.text, channels=CARD_CHANNELS, live=False
    )
    tripped_s = _write_card(writer, profile, ladder, start.timestamp())
    if tripped_s is not None:
        trip = {"rule": "max", "channel": "gpu_temp_c", "value": LIMIT_C, "limit": LIMIT_C, "stage": "load"}
        writer.fact("trip", trip | {"t_s": tripped_s, "load_off_s": 0.02})
    writer.fact("outcome", str(Outcome.COMPLETED if tripped_s is None else Outcome.TRIPPED))
    writer.close()


def _plan(profile: Profile) -> list[tuple[str, StageKind, float, list[tuple[float, float]]]]:
    """Return name, kind, length in s and steps of the load (time from the stage's start in s, share) of each stage."""
    found = []
    for stage in profile.stages:
        load, length_s = stage.load, min(stage.max_duration_s or 0.0, 600.0)
        steps = [] if load is None else [(0.0, load.share)]
        if load is not None and load.pattern is LoadPattern.PULSES:
            on_s, off_s, count = load.on_s or 0.0, load.off_s or 0.0, load.count or 0
            length_s = (on_s + off_s) * count
            starts = [n * (on_s + off_s) for n in range(count)]
            steps = [step for at in starts for step in ((at, load.share), (at + on_s, 0.0))]
        found.append((stage.name, stage.kind, min(length_s, 120.0) if load is None else length_s, steps))
    return found


def _write_card(writer: Any, profile: Profile, ladder: tuple[tuple[float, float], ...], start_s: float) -> float | None:
    """Write all stages; return when the card reached its limit, None where it never did."""
    rng = np.random.default_rng(7)
    now_s, share, tripped_s = 0.0, 0.0, None
    rise_k = [IDLE_W * r for r, _ in ladder]
    for name, kind, length_s, steps in _plan(profile):
        if tripped_s is not None and kind is not StageKind.COOLDOWN:
            continue
        writer.stage_started(name, str(kind), now_s)
        from_s, left = now_s, list(steps)
        ended = StageEnd.TIME
        if not steps and share:
            share = 0.0
            writer.event(now_s, EventKind.LOAD, {"share": 0.0})
        while now_s < from_s + length_s:
            while left and now_s >= from_s + left[0][0]:
                share = left.pop(0)[1]
                writer.event(now_s, EventKind.LOAD, {"share": share})
            power_w = IDLE_W + share * (FULL_W - IDLE_W)
            rise_k = [
                r * power_w + (k - r * power_w) * np.exp(-PERIOD_S / tau)
                for k, (r, tau) in zip(rise_k, ladder, strict=True)
            ]
            temp_c = ROOM_C + sum(rise_k) + rng.normal(0.0, 0.15)
            fan_rpm = 900.0 + 14.0 * (temp_c - 40.0)
            values = (ROOM_C, round(temp_c), power_w + rng.normal(0.0, 0.5), fan_rpm, share, 800.0 * share, 0.0)
            readings = {n: Reading(value=float(v)) for n, v in zip(CARD_CHANNELS, values, strict=True)}
            writer.sample(now_s, start_s + now_s, readings)
            now_s += PERIOD_S
            if round(temp_c) >= LIMIT_C:
                tripped_s, ended, share = now_s, StageEnd.TRIPPED, 0.0
                writer.event(now_s, EventKind.LOAD, {"share": 0.0})
                break
        writer.stage_ended(name, now_s, str(ended))
    return tripped_s
