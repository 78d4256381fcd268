"""What must be there before a run may begin: the channels that its plan needs, and a guard for all that it heats."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from verifyrig.analysis.plausible import unwatched_on
from verifyrig.core.ambient import AMBIENT_CHANNELS
from verifyrig.core.channels import base_name, of_role
from verifyrig.core.errors import NoTemperature, ProfileError, SensorError, UsageError
from verifyrig.core.heat_sources import heated_by
from verifyrig.core.interfaces import Clock, SensorBank
from verifyrig.core.pattern import is_gentle
from verifyrig.core.profile import Profile
from verifyrig.files.toml_table import Faults
from verifyrig.plan.guarding import check_guarded
from verifyrig.rig.arming import ArmedLimit, arm
from verifyrig.rig.guarded import Unguarded, check_machine_limits, unguarded
from verifyrig.rig.request import RunRequest
from verifyrig.rig.stand import Stand

# What a machine shows of itself, and where a probe stands in for it.
_OF_THE_MACHINE = ("die_temp_c", "core_temp_c", "gpu_temp_c")
_FROM_OUTSIDE = "Or measure from outside, with a probe on the cooler: `verifyrig run outside-probe`."


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
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


def check_requirements(request: RunRequest, bank: SensorBank, stand: Stand) -> Watch:
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
    return Watch(
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
