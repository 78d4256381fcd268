"""Puts the parts of a run together, and has it run."""

from __future__ import annotations

import contextlib
import math
from dataclasses import replace

from verifyrig.bench.folder import Bench
from verifyrig.core.channels import OWN_CHANNELS
from verifyrig.core.interfaces import Controls, MachineOff, SensorBank
from verifyrig.loads import make_load
from verifyrig.loads.machine_claim import LoadClaim
from verifyrig.record import new_run_id, open_record
from verifyrig.record.kernel_beside import kernel_log_beside
from verifyrig.record.pullable import PullableConnection
from verifyrig.record.store import Connect, connect_alone
from verifyrig.rig.arming import limits_of
from verifyrig.rig.danger_watch import danger_refusal, danger_watch, heats
from verifyrig.rig.live_record import bring_in, facts_of_place, place_of, put_in_place
from verifyrig.rig.load_permit import LoadPermit
from verifyrig.rig.observer import Observer
from verifyrig.rig.patience import patiently
from verifyrig.rig.request import RunDone, RunRequest
from verifyrig.rig.requirements import Watch, check_requirements
from verifyrig.rig.run_facts import facts_of, notes_of
from verifyrig.rig.runner import BEAT_EVERY_S, Rig, Runner
from verifyrig.rig.shown_afar import ShownAfar
from verifyrig.rig.stand import Stand, card_of, machine_for_itself, open_sensors, stand_of
from verifyrig.rig.unrecorded import note_end, spare_space
from verifyrig.system.in_memory import IN_MEMORY, lies_in_memory
from verifyrig.system.machine import machine_facts
from verifyrig.system.stick import this_stick


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
    with stand_of(request, card_of(bench)) as stand, machine_for_itself(request, heated) as claim:
        bank = open_sensors(request, bench, stand, controls)
        with contextlib.closing(bank), danger_watch(controls, request.danger if heated else None):
            watch = check_requirements(request, bank, stand)
            return _run_on(request, bench, observer, controls, stand, bank, watch, claim)


def check_start(request: RunRequest, bench: Bench) -> None:
    """Look whether a run could start on the machine at hand; nothing is written, and nobody is asked.

    Raises:
        RigError: It could not: a temperature is lacking, or something would be heated that nothing guards.
    """
    asks_nobody = replace(request, may_load_blind=lambda: True)
    controls = Controls()
    with (
        stand_of(request, card_of(bench)) as stand,
        contextlib.closing(open_sensors(request, bench, stand, controls)) as bank,
    ):
        check_requirements(asks_nobody, bank, stand)


def _run_on(
    request: RunRequest,
    bench: Bench,
    observer: Observer,
    controls: Controls,
    stand: Stand,
    bank: SensorBank,
    watch: Watch,
    claim: LoadClaim,
) -> RunDone:
    profile, blind = request.profile, watch.blind
    run_id = claim.run = new_run_id(stand.clock.utc_s())
    bring_in(bench)
    path = place_of(bench, request.job, run_id)
    load = make_load(stand.root, storage_dir=path.parent, now_s=stand.clock.now_s, card=card_of(bench))
    machine = patiently(lambda: machine_facts(stand.root), controls)
    writer = open_record(
        path,
        facts={
            **facts_of(request, stand, bank, watch, run_id, machine),
            **request.facts,
            **facts_of_place(bench),
        },
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
    is_sent = request.second is not None
    in_memory = [IN_MEMORY.format(folder=bench.root)] if stand.live and lies_in_memory(path.parent) else []
    observer.begin(profile, bank.infos, [*in_memory, *notes_of(request, stand, watch, machine, blind)])
    try:
        beside = kernel_log_beside(path) if stand.live and this_stick() is not None else contextlib.nullcontext()
        with spare_space(path) if stand.live else contextlib.nullcontext(), beside:
            end = Runner(rig).run()
        if not end.recorded:
            note_end(path, run_id, end, writer.durable_samples)
    except MachineOff as dark:
        # Nothing more can be written on a machine gone dark: the record stays as that moment left it.
        writer.abandon(dark.kind)
        return RunDone(run=run_id, record=put_in_place(bench, request.job, path, keep=is_sent), end=None)
    finally:
        observer.end()
    return RunDone(run=run_id, record=put_in_place(bench, request.job, writer.path, keep=is_sent), end=end)


def _connect(run_id: str, bench: Bench) -> Connect:
    """Return how the record is opened: on a stick that may be pulled together with a twin in memory."""
    stick = this_stick()
    if stick is None or not stick.holds(bench.root):
        return connect_alone
    return lambda path: PullableConnection(
        path, stick.twins / f"{run_id}.sqlite", is_there=lambda: stick.is_plugged_in, prepare=stick.make_writable
    )
