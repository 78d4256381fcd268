"""Whether every stage of a profile that heats a part is guarded, as it is written. Pure.

A stage is guarded where a temperature of each part that it heats has a trip limit that is armed in it and lies low
enough to protect, or where it is a blind load within its bounds. A load that a person runs on another machine is
guarded by a probe on the path of its heat.
"""

from __future__ import annotations

import math

from verifyrig.core.ceilings import ceiling_c
from verifyrig.core.channels import base_name
from verifyrig.core.heat_sources import needs_limit_on
from verifyrig.core.pattern import pattern_duration_s, share_at
from verifyrig.core.profile import LoadPattern, LoadPlan, Profile, Stage, TripLimit, WorkName
from verifyrig.files.toml_table import Faults

__all__ = ["ON_THERMAL_PATH", "check_guarded", "longest_s", "may_bound", "on_time_s", "usual_max_c"]

# A die on a plate whose film was left on rises by 3 to 8 K/s: within 7 s without a reading it may gain 50 K.
# Common practice for the bounds themselves, no source.
LONGEST_PERIOD_S = 2.0
LONGEST_SILENCE_S = 5.0
# Probes lie on parts with mass, and answer slowly: a one-wire probe takes 0.75 s (data sheet DS18B20), several in turn.
LONGEST_SILENCE_OF_PROBES_S = 10.0
# Nobody leaves a loaded machine alone for longer than half an hour: common practice, no source.
LONGEST_PULSE_S = 1800.0
# What may be loaded in one stage without asking again who is present: common practice, no source.
LONGEST_ALONE_S = 3600.0

# Where a probe can lie that gets hot with what a load heats; room, inlet and board do not.
ON_THERMAL_PATH = (
    "plate_temp_c",
    "coolant_temp_c",
    "hose_in_temp_c",
    "hose_out_temp_c",
    "radiator_temp_c",
    "exhaust_temp_c",
    "vrm_temp_c",
    "die_temp_c",
    "core_temp_c",
    "gpu_temp_c",
    "gpu_hotspot_temp_c",
)


def check_guarded(profile: Profile, faults: Faults) -> None:
    """Note what lets a load of this profile run unguarded on any machine."""
    for limit in profile.trip_limits:
        _check_ceiling(limit, faults)
    if faults.found:
        return  # what else is at fault would be noted here once more
    loads = [(n, stage, stage.load) for n, stage in enumerate(profile.stages, start=1) if stage.load is not None]
    for n, stage, load in loads:
        _check_length(f"stage[{n}]", stage, load, profile, faults)
    bare = [(stage, load, role) for _, stage, load in loads if (role := _bare_role(stage, load, profile)) is not None]
    blind_s = sum(on_time_s(stage) for stage in {stage.name: stage for stage, _, _ in bare}.values())
    if bare and (profile.blind_load_s is None or blind_s > profile.blind_load_s):
        stage, load, role = bare[0]
        faults.add("trip", *_what_is_bare(stage, load, role, profile))
    if loads:
        _check_silence(profile, faults, by_probes=all(load.work == WorkName.EXTERNAL for _, _, load in loads))


def _check_ceiling(limit: TripLimit, faults: Faults) -> None:
    highest_c = ceiling_c(limit.channel)
    if limit.maximum is None or highest_c is None or limit.maximum <= highest_c:
        return
    faults.add(
        f"trip.{limit.channel}",
        f"max is {limit.maximum:g}, and a limit on {limit.channel} above {highest_c:g} °C guards nothing",
        f"Write max = {highest_c:g} or less.",
    )


def _check_length(path: str, stage: Stage, load: LoadPlan, profile: Profile, faults: Faults) -> None:
    if load.on_s is not None and load.on_s > LONGEST_PULSE_S:
        faults.add(
            f"{path}.load",
            f"on_s is {load.on_s:g}, and a pulse lasts {LONGEST_PULSE_S:g} s at the most",
            'Write a shorter on_s, or pattern = "steady" with max_duration_s.',
        )
    every_s = profile.ask_presence_every_s
    if longest_s(stage) > LONGEST_ALONE_S and (every_s is None or every_s > LONGEST_ALONE_S):
        faults.add(
            path,
            f"it may load the machine for {longest_s(stage):g} s, and nobody is asked meanwhile whether they are there",
            f"Write ask_presence_every_s = 1800 at the profile's head, or a stage of {LONGEST_ALONE_S:g} s or less.",
        )


def _check_silence(profile: Profile, faults: Faults, *, by_probes: bool) -> None:
    if profile.period_s > LONGEST_PERIOD_S:
        faults.add(
            "sampling",
            f"period_s is {profile.period_s:g}, and a load is watched at least every {LONGEST_PERIOD_S:g} s",
            f"Write period_s = {LONGEST_PERIOD_S:g} or less.",
        )
    longest = LONGEST_SILENCE_OF_PROBES_S if by_probes else LONGEST_SILENCE_S
    if profile.stale_after_s > longest:
        faults.add(
            "trip",
            f"stale_after_s is {profile.stale_after_s:g}, and this load goes on for {longest:g} s at the most "
            "without a reading",
            f"Write stale_after_s = {longest:g} or less.",
        )


def _bare_role(stage: Stage, load: LoadPlan, profile: Profile) -> str | None:
    """Return the part's temperature that no limit of the profile guards in this stage; None where all are guarded."""
    guarded = {limit.channel for limit in profile.trip_limits if limit.armed_in(stage) and may_bound(limit)}
    if load.work == WorkName.EXTERNAL:
        return None if {base_name(channel) for channel in guarded} & set(ON_THERMAL_PATH) else ""
    return next((role for role in needs_limit_on(load.work) if role not in guarded), None)


def may_bound(limit: TripLimit) -> bool:
    """Return whether the limit sets a highest temperature, its own or the machine's."""
    return limit.maximum is not None or limit.below_machine_limit_k is not None


def _what_is_bare(stage: Stage, load: LoadPlan, role: str, profile: Profile) -> tuple[str, str]:
    if load.work == WorkName.EXTERNAL:
        return (
            f'stage "{stage.name}" has a load from outside, and no temperature on the path of its heat has a limit',
            "Write one for a probe there, such as plate_temp_c = { max = 75.0, optional = true }.",
        )
    elsewhere = [limit for limit in profile.trip_limits if limit.channel == role and may_bound(limit)]
    if elsewhere:
        return (
            f'stage "{stage.name}" heats what {role} measures, and the limit on it is not armed there '
            f"(in = {list(elsewhere[0].stages)})",
            f'Leave `in` out of {role}, or add "{stage.name}" to it.',
        )
    return (
        f'stage "{stage.name}" heats what {role} measures, and no temperature limit on {role} guards it',
        f"Write one, such as {role} = {{ max = {usual_max_c(role):g} }}.",
    )


def usual_max_c(role: str) -> float:
    """Return a limit to propose for a part, °C; those of the shipped profiles."""
    return 95.0 if role == "die_temp_c" else 90.0


def longest_s(stage: Stage) -> float:
    """Return how long the stage may last, s."""
    pattern_s = pattern_duration_s(stage.load) if stage.load is not None else math.inf
    return min(math.inf if stage.max_duration_s is None else stage.max_duration_s, pattern_s)


def on_time_s(stage: Stage) -> float:
    """Return how long the stage's load may be on, s."""
    load = stage.load
    if load is None:
        return 0.0
    if load.pattern == LoadPattern.PULSES and load.on_s is not None and load.count is not None:
        return load.on_s * load.count
    if load.pattern == LoadPattern.STEPS and load.step_s is not None:
        return sum(load.step_s for share in load.shares if share > 0)
    on = share_at(load, 0.0) > 0 or load.hold is not None or load.pattern == LoadPattern.CLIMB
    return longest_s(stage) if on else 0.0
