"""Puts the parts of a run together: real or simulated is chosen here, once, and nowhere else."""

from __future__ import annotations

import contextlib
import math
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from verifyrig import __version__
from verifyrig.analysis.plausible import unwatched_on
from verifyrig.bench.folder import Bench
from verifyrig.core.ambient import AMBIENT_CHANNELS, TYPED, AmbientFact, ambient_channel
from verifyrig.core.channels import OWN_CHANNELS, base_name, of_role
from verifyrig.core.clock import RealClock
from verifyrig.core.errors import NoTemperature, ProfileError, SensorError, UsageError
from verifyrig.core.heat_sources import heated_by
from verifyrig.core.interfaces import Clock, Controls, DangerNotice, MachineOff, SecondComputer, SensorBank
from verifyrig.core.pattern import is_gentle
from verifyrig.core.probe_only import is_from_outside
from verifyrig.core.profile import Profile
from verifyrig.core.reason import Reason
from verifyrig.files.toml_table import Faults
from verifyrig.loads import check_runnable, make_load
from verifyrig.loads.machine_claim import LoadClaim, machine_claimed
from verifyrig.plan.guarding import check_guarded
from verifyrig.record import new_run_id, open_record
from verifyrig.record.kernel_beside import kernel_log_beside
from verifyrig.record.pullable import PullableConnection
from verifyrig.record.store import Connect, connect_alone
from verifyrig.rig.arming import ArmedLimit, arm, limits_of
from verifyrig.rig.danger_watch import danger_refusal, danger_watch, heats
from verifyrig.rig.guarded import Unguarded, check_machine_limits, unguarded
from verifyrig.rig.load_permit import LoadPermit
from verifyrig.rig.observer import Observer
from verifyrig.rig.patience import patiently
from verifyrig.rig.runner import BEAT_EVERY_S, Ambient, Rig, RunEnd, Runner
from verifyrig.rig.shown_afar import ShownAfar
from verifyrig.rig.simulated import open_simulated
from verifyrig.rig.unrecorded import note_end, spare_space
from verifyrig.sensors.bank import open_bank
from verifyrig.system.in_memory import IN_MEMORY, lies_in_memory
from verifyrig.system.machine import THIS_MACHINE, MachineRoot, machine_facts
from verifyrig.system.stick import this_stick

SPEED_MAX = math.inf
# What a machine shows of itself, and where a probe stands in for it.
_OF_THE_MACHINE = ("die_temp_c", "core_temp_c", "gpu_temp_c")
_FROM_OUTSIDE = "Or measure from outside, with a probe on the cooler: `verifyrig run outside-probe`."


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRequest:
    """What a run is asked to be.

    Attributes:
        profile: The staged plan.
        purpose: baseline, check, verification or build.
        job, unit: What it belongs to, or None.
        ambient: Typed room temperature, or None where a channel measures it.
        states: What was noted by hand: panel, position, fan policy.
        mock: Case and seed of the simulated machine, or None for hardware.
        probes: Probes that the simulated bench puts on the machine, beside the room's.
        from_cold: Whether the simulated machine was just switched on, in place of settled at idle.
        speed: Pace of simulated time; `SPEED_MAX` as fast as the processor allows; None real time.
        root: Folder that holds `sys` and `proc`, and whether that is this machine.
        start_utc_s: Wall clock at the start of simulated time, s since 1970; now where None.
        refusals: Reasons that forbid any load above quarter-share pulses.
        no_load: Whether stages above quarter-share pulses are left out, as somebody asked.
        danger: Looks whether a danger was noted for the machine: before the run, and while it lasts; None for nothing
            to look at.
        to_its_own_end: On a simulated machine only: what is heated need not be guarded, to see how the machine ends.
        may_load_blind: Asks a person (or `--yes`) for a short load without any temperature; called only where needed.
        facts: Further facts for the record (attestation, batch).
        second: The bench computer that sees the run, or None.
        shown: What its page says of the run besides: job, machine, place, customer; none of it is recorded.
    """

    profile: Profile
    purpose: str
    job: str | None = None
    unit: str | None = None
    ambient: Ambient | None = None
    states: Mapping[str, str] = field(default_factory=dict)
    mock: tuple[str, int] | None = None
    probes: tuple[str, ...] = ("room",)
    from_cold: bool = False
    speed: float | None = SPEED_MAX
    root: MachineRoot = THIS_MACHINE
    start_utc_s: float | None = None
    refusals: Sequence[Reason] = ()
    no_load: bool = False
    danger: Callable[[], DangerNotice | None] | None = None
    to_its_own_end: bool = False
    may_load_blind: Callable[[], bool] = lambda: False
    facts: Mapping[str, Any] = field(default_factory=dict)
    second: SecondComputer | None = None
    shown: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunDone:
    """A run that is over: its record, and how it ended; `end` is None where the machine went dark."""

    run: str
    record: Path
    end: RunEnd | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stand:
    """Where a run is made: the clock, whether it is a live one, the root of the sensors, and what is simulated."""

    clock: Clock
    root: MachineRoot
    live: bool
    case: str | None = None

    @property
    def simulated(self) -> bool:
        return not self.root.live


@dataclass(frozen=True, slots=True, kw_only=True)
class _Watch:
    """What guards a run on the machine at hand.

    Attributes:
        armed: Limits with their channels.
        absent: What the profile wants guarded and is not, by name.
        blind: Whether some load has no guard, and a person agreed to a short one.
        not_watched: Parts that the loads heat and no channel shows.
    """

    armed: tuple[ArmedLimit, ...]
    absent: list[str]
    blind: bool
    not_watched: tuple[str, ...]


def run(request: RunRequest, bench: Bench, observer: Observer, controls: Controls | None = None) -> RunDone:
    """Execute one run; the record lies in the bench folder, whatever happens.

    Raises:
        RigError: The run cannot be started as asked; nothing was written then.
    """
    controls = controls or Controls()
    heated = heats(request.profile, no_load=request.no_load)
    notice = request.danger() if request.danger is not None and heated else None
    if notice is not None:
        raise danger_refusal(notice, request.job)
    with _stand(request, _card(bench)) as stand, _machine_for_itself(request, heated) as claim:
        bank = _opened(request, bench, stand, controls)
        with contextlib.closing(bank), danger_watch(controls, request.danger if heated else None):
            watch = _check_requirements(request, bank, stand)
            return _run_on(request, bench, observer, controls, stand, bank, watch, claim)


def check_start(request: RunRequest, bench: Bench) -> None:
    """Look whether a run could start on the machine at hand; nothing is written, and nobody is asked.

    Raises:
        RigError: It could not: a temperature is lacking, or something would be heated that nothing guards.
    """
    asks_nobody = replace(request, may_load_blind=lambda: True)
    controls = Controls()
    with (
        _stand(request, _card(bench)) as stand,
        contextlib.closing(_opened(request, bench, stand, controls)) as bank,
    ):
        _check_requirements(asks_nobody, bank, stand)


def _opened(request: RunRequest, bench: Bench, stand: _Stand, controls: Controls) -> SensorBank:
    """Open the sensors. The bench's instruments and sources belong to real machines, not to a simulated one."""
    config = {} if request.mock is not None else bench.config
    return patiently(
        lambda: open_bank(
            stand.root.path,
            config,
            stale_after_s=request.profile.stale_after_s,
            now_s=stand.clock.now_s,
            outside_only=is_from_outside(request.profile),
            may_be_slow=request.mock is None,
            from_afar=request.second.sensors() if request.second is not None else (),
        ),
        controls,
    )


def _machine_for_itself(request: RunRequest, heated: bool) -> contextlib.AbstractContextManager[LoadClaim]:
    """Return the claim on this machine where the run heats it; a load seen from outside is on another one."""
    heats_this = heated and request.mock is None and request.root.live and not is_from_outside(request.profile)
    return machine_claimed() if heats_this else contextlib.nullcontext(LoadClaim())


@contextlib.contextmanager
def _stand(request: RunRequest, card: str) -> Iterator[_Stand]:
    if request.mock is None:
        loads = [stage.load for stage in request.profile.stages if stage.load is not None]
        wanted = [load for load in loads if is_gentle(load) or not request.no_load]
        check_runnable(request.root, wanted, card=card)
        yield _Stand(clock=RealClock(), root=request.root, live=True)
        return
    case, seed = request.mock
    with open_simulated(
        case,
        seed,
        probes=("room", "plate", "exhaust") if is_from_outside(request.profile) else request.probes,
        start="cold" if request.from_cold else "rest",
        start_utc_s=request.start_utc_s,
        speed=None if request.speed == SPEED_MAX else request.speed,
    ) as simulated:
        root = MachineRoot(simulated.root, live=False)
        yield _Stand(clock=simulated.clock, root=root, live=False, case=f"{case}:{seed}")


def _run_on(
    request: RunRequest,
    bench: Bench,
    observer: Observer,
    controls: Controls,
    stand: _Stand,
    bank: SensorBank,
    watch: _Watch,
    claim: LoadClaim,
) -> RunDone:
    profile, absent, blind = request.profile, watch.absent, watch.blind
    run_id = claim.run = new_run_id(stand.clock.utc_s())
    path = bench.writable(bench.runs_dir(request.job)) / f"{run_id}.sqlite"
    load = make_load(stand.root, storage_dir=path.parent, now_s=stand.clock.now_s, card=_card(bench))
    writer = open_record(
        path,
        facts=_facts(request, stand, bank, watch, run_id, patiently(lambda: machine_facts(stand.root), controls)),
        profile_text=profile.text,
        channels=[*bank.infos, *OWN_CHANNELS],
        live=stand.live,
        connect=_connect(run_id, bench) if stand.live else connect_alone,
    )
    if request.second is not None:
        request.second.follow(path, run_id, controls, {**request.shown, "period_s": profile.period_s})
        observer = ShownAfar(observer, request.second)
    rig = Rig(
        profile=profile,
        clock=stand.clock,
        bank=bank,
        load=load,
        writer=writer,
        controls=controls,
        observer=observer,
        armed=watch.armed,
        ambient=request.ambient,
        permit=LoadPermit(
            refusals=request.refusals,
            limits_c=limits_of(watch.armed),
            infos=bank.infos,
        ),
        not_watched=watch.not_watched,
        blind=blind,
        no_load=request.no_load,
        beat_every_s=BEAT_EVERY_S if stand.live else math.inf,
        second=request.second,
    )
    in_memory = [IN_MEMORY.format(folder=bench.root)] if stand.live and lies_in_memory(path.parent) else []
    observer.begin(profile, bank.infos, [*in_memory, *_notes(request, stand, absent, blind)])
    try:
        beside = kernel_log_beside(path) if stand.live and this_stick() is not None else contextlib.nullcontext()
        with spare_space(path) if stand.live else contextlib.nullcontext(), beside:
            end = Runner(rig).run()
        if not end.recorded:
            note_end(path, run_id, end, writer.durable_samples)
    except MachineOff as dark:
        # Nothing more can be written on a machine gone dark: the record stays as that moment left it.
        writer.abandon(dark.kind)
        return RunDone(run=run_id, record=path, end=None)
    finally:
        observer.end()
    return RunDone(run=run_id, record=writer.path, end=end)


def _connect(run_id: str, bench: Bench) -> Connect:
    """Return how the record is opened: on a stick that may be pulled together with a twin in memory."""
    stick = this_stick()
    if stick is None or not stick.holds(bench.root):
        return connect_alone
    return lambda path: PullableConnection(
        path, stick.twins / f"{run_id}.sqlite", is_there=lambda: stick.is_plugged_in, prepare=stick.make_writable
    )


def _card(bench: Bench) -> str:
    """Return which graphics processor bench.toml names, empty where it names none."""
    return str(bench.config.get("gpu", {}).get("card", ""))


def _facts(
    request: RunRequest,
    stand: _Stand,
    bank: SensorBank,
    watch: _Watch,
    run_id: str,
    machine: dict[str, Any],
) -> dict[str, Any]:
    profile = request.profile
    return {
        "run": run_id,
        "tool_version": __version__,
        "profile_name": profile.name,
        "recipe": profile.recipe,
        "purpose": request.purpose,
        "job": request.job,
        "unit": request.unit,
        "simulated": stand.simulated,
        "simulated_case": stand.case,
        "started_utc_s": stand.clock.utc_s(),
        "period_s": profile.period_s,
        "ambient": _ambient_fact(request, bank),
        "states": dict(request.states),
        "machine": machine,
        "channels": {name: _channel_fact(info) for name, info in bank.infos.items()},
        "not_armed": watch.absent,
        "not_watched": list(watch.not_watched),
        "blind": watch.blind,
        "refusals": list(map(str, request.refusals)),
        "refusal_reasons": [why.as_json() for why in request.refusals],
        "no_load": request.no_load,
        "bench_computer": dict(request.second.facts()) if request.second is not None else None,
        **({"stick": stick.as_fact()} if (stick := this_stick()) is not None else {}),
        **request.facts,
    }


def _ambient_fact(request: RunRequest, bank: SensorBank) -> AmbientFact | None:
    if request.ambient is not None:
        return {"value_c": request.ambient.value_c, "u95_k": request.ambient.u95_k, "source": TYPED}
    channel = ambient_channel(lambda name: name in bank.infos and not bank.infos[name].unreadable)
    if channel is None:
        return None
    return {"value_c": None, "u95_k": bank.infos[channel].expanded_uncertainty, "source": channel}


def _channel_fact(info: Any) -> dict[str, Any]:
    names = (
        "label", "device", "source", "quantity", "unit", "driver", "limit", "resolution", "refresh_s",
        "expanded_uncertainty", "correction", "correction_slope", "correction_at", "unreadable", "note",
    )  # fmt: skip
    return {name: getattr(info, name) for name in names}


def _notes(request: RunRequest, stand: _Stand, absent: list[str], blind: bool) -> list[str]:
    notes = []
    if stand.simulated:
        notes.append("Simulated hardware: no real load is started.")
    if absent:
        notes.append("Not guarded, since this machine does not show it: " + ", ".join(absent) + ".")
    if blind:
        seconds = request.profile.blind_load_s
        notes.append(f"No temperature guards the load: it is run blind, and for no more than {seconds:g} s.")
    danger = request.danger() if request.danger is not None else None
    if danger is not None:
        notes.append(f"NOT SAFE TO USE: {danger.what} ({danger.noted}). {danger.do}")
    if request.no_load:
        notes.append("Idle and quarter-share pulses only, as asked: every load above them is left out.")
    if any(stage.load is not None and not is_gentle(stage.load) for stage in request.profile.stages):
        notes.extend(f"No load above quarter-share pulses: {why}." for why in request.refusals)
    return notes


def _check_requirements(request: RunRequest, bank: SensorBank, stand: _Stand) -> _Watch:
    """Return what guards the run.

    Raises:
        RigError: The run must not start: a channel is lacking that the profile needs, or something would be heated
            that nothing guards.
    """
    profile = request.profile
    unseen = request.mock is not None and request.to_its_own_end
    if not unseen:
        _check_as_written(profile)
    readable = {name for name, reading in _first_look(bank, stand.clock).items() if reading.ok}
    for channel in profile.requires:
        if channel not in readable:
            raise _lacking(profile, channel, bank)
    for group in profile.requires_one_of:
        typed = request.ambient is not None and set(group) & set(AMBIENT_CHANNELS)
        if not typed and not set(group) & readable:
            raise SensorError(
                "none of " + ", ".join(group) + " can be read, and the profile needs one",
                where=f"profile {profile.name}",
                mend="Connect a probe and name it in bench.toml, or type the room as in `--ambient 22±0.5`.",
            )
    for limit in profile.trip_limits:
        for channel in of_role(limit.channel, bank.infos) or (limit.channel,):
            if not limit.optional and channel not in readable:
                raise _lacking(profile, channel, bank)
    armed, absent = arm(profile, bank.infos, readable)
    check_machine_limits(profile, bank.infos, armed)
    run_stages = [
        stage for stage in profile.stages if not request.no_load or stage.load is None or is_gentle(stage.load)
    ]
    bare = [] if unseen else unguarded(run_stages, bank.infos, armed)
    heated = {role for stage in run_stages if stage.load is not None for role in heated_by(stage.load.work)}
    has_battery = any((stand.root.path / "sys/class/power_supply").glob("BAT*"))
    return _Watch(
        armed=tuple(armed),
        absent=absent,
        blind=bool(bare) and _allow_blind(request, bare[0]),
        not_watched=unwatched_on(heated, readable, has_battery=has_battery) if heated else (),
    )


def _check_as_written(profile: Profile) -> None:
    faults = Faults(origin=profile.origin or f"profile {profile.name}")
    check_guarded(profile, faults)
    for fault in faults.found:
        raise ProfileError(fault.what, where=fault.where, mend=fault.mend)


def _first_look(bank: SensorBank, clock: Clock) -> Mapping[str, Any]:
    readings = bank.sample(clock.now_s(), load_share=0.0)
    if all(reading.ok for reading in readings.values()):
        return readings
    # Serial probes and counters that need two readings get a moment before they are called missing.
    clock.sleep_until(clock.now_s() + 1.5, threading.Event())
    return {
        name: reading if reading.ok else readings[name]
        for name, reading in bank.sample(clock.now_s(), load_share=0.0).items()
    }


def _allow_blind(request: RunRequest, bare: Unguarded) -> bool:
    profile = request.profile
    if profile.blind_load_s is None:
        needed = bare.channel or "a probe on the thermal path"
        raise NoTemperature(
            f"no temperature that guards the load of stage {bare.stage.name} can be read ({needed}), and this profile "
            "does not load without one",
            where=f"profile {profile.name}",
            mend=f"Load the chip's kernel driver (`verifyrig channels` says what is missing). {_FROM_OUTSIDE}",
        )
    if not request.may_load_blind():
        raise UsageError(
            f"no temperature guards the load; one of at most {profile.blind_load_s:g} s would be run blind",
            where=f"profile {profile.name}",
            mend="Agree to it with --yes, or connect a probe.",
        )
    return True


def _lacking(profile: Profile, channel: str, bank: SensorBank) -> SensorError:
    info = bank.infos.get(channel)
    why = info.unreadable if info is not None and info.unreadable else "this machine does not show it"
    if base_name(channel) in _OF_THE_MACHINE:
        return NoTemperature(
            f"{channel} cannot be read ({why}), and the profile needs it",
            where=f"profile {profile.name}",
            mend=f"`verifyrig channels` says what can be read here. {_FROM_OUTSIDE}",
        )
    return SensorError(
        f"{channel} cannot be read ({why}), and the profile needs it",
        where=f"profile {profile.name}",
        mend="`verifyrig channels` says what can be read here; a role can be set in bench.toml.",
    )
