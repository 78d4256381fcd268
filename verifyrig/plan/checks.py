"""Cross-key checks: valid keys of a profile that contradict each other."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from verifyrig.core.channels import is_channel, is_temperature, quantity_of
from verifyrig.core.pattern import pattern_duration_s
from verifyrig.core.profile import Profile, Stage, StageKind, Threshold, TripLimit
from verifyrig.files.toml_table import Faults, TomlTable, meant, shown

# Figures that the contract knows for a channel, by what the channel measures.
FIGURES = {
    "temperature": ("settled", "peak", "rise", "rate", "time_constant", "time_to_63_pct"),
    "speed": ("mean", "min"),
    "voltage": ("min", "max"),
    "power": ("mean",),
    "share": ("mean",),
    "clock": ("mean", "min"),
}
STAGE_FIGURES = (
    "thermal_resistance",
    "thermal_impedance_5s",
    "thermal_impedance_60s",
    "thermal_impedance_600s",
    "throttle_share",
    "work_rate_kept_share",
    "compute_errors",
)
# Temperatures of a graphics card that are also given as the difference to its chip.
ABOVE_CHIP = ("gpu_hotspot_temp_c", "gpu_memory_temp_c")
# Parts of the thermal resistance, and the graphics processor's own, have names that depend on the channels.
_RESISTANCE_PART = re.compile(r"(gpu_)?thermal_(resistance(_[a-z0-9_]+)?|impedance_(5|60|600)s)")


def check_stage(stage: Stage, part: TomlTable, *, load_is_sound: bool) -> None:
    """Note contradictions within one stage; how long it lasts is judged only where its load has no fault."""
    if stage.kind is StageKind.LOAD and not part.has("load"):
        part.fault("a load stage has no load", 'Write load = { work = "linear-algebra", ... }, or another kind.')
    if stage.kind is not StageKind.LOAD and part.has("load"):
        part.fault(f'kind is "{stage.kind}", and such a stage has no load', 'Leave load out, or write kind = "load".')
    if stage.kind is StageKind.LOAD and part.has("gate"):
        part.fault("a load stage has no gate", "Write its limit under [trip], or the gate into a stage before it.")
    if load_is_sound:
        _check_durations(stage, part)


def _check_durations(stage: Stage, part: TomlTable) -> None:
    pattern_s = math.inf if stage.load is None else pattern_duration_s(stage.load)
    if not part.has("max_duration_s") and not math.isfinite(pattern_s):
        part.fault(
            "the stage has no end",
            "Write max_duration_s; a settling rule alone is no end, for a faulty machine may never settle.",
        )
    longest_s = pattern_s if stage.max_duration_s is None else stage.max_duration_s
    if stage.min_duration_s > longest_s:
        part.fault(
            f"min_duration_s is {stage.min_duration_s:g}, and the stage ends after {longest_s:g} s",
            "Write a shorter min_duration_s or a longer stage.",
        )
    if stage.max_duration_s is not None and math.isfinite(pattern_s) and stage.max_duration_s < pattern_s:
        part.fault(
            f"max_duration_s is {stage.max_duration_s:g}, and the load pattern lasts {pattern_s:g} s",
            "Write fewer pulses or steps, or leave max_duration_s out.",
        )


def check_profile(profile: Profile, faults: Faults) -> None:
    """Note contradictions between the parts of a profile."""
    _check_names(profile, faults)
    for limit in profile.trip_limits:
        _check_trip(limit, profile, faults)
    for n, threshold in enumerate(profile.thresholds, start=1):
        _check_threshold(threshold, f"threshold[{n}]", profile, faults)
    _check_twice((threshold.metric for threshold in profile.thresholds), "threshold", "metric", faults)
    _check_below_trip(profile, faults)
    if profile.stale_after_s < profile.period_s:
        faults.add(
            "trip",
            f"stale_after_s is {profile.stale_after_s:g}, and a sample is taken only every {profile.period_s:g} s",
            "Write a longer stale_after_s or a shorter period_s.",
        )


def _check_names(profile: Profile, faults: Faults) -> None:
    _check_twice((stage.name for stage in profile.stages), "stage", "name", faults)
    for n, stage in enumerate(profile.stages, start=1):
        if stage.name in (kind.value for kind in StageKind) and stage.name != stage.kind.value:
            faults.add(
                f"stage[{n}]",
                f'name is "{stage.name}", but the stage\'s kind is "{stage.kind}"',
                "Give it a name of its own: a trip limit's `in` could mean either.",
            )


def _check_twice(names: Iterable[str], array: str, key: str, faults: Faults) -> None:
    seen: set[str] = set()
    for n, name in enumerate(names, start=1):
        if name and name in seen:
            faults.add(f"{array}[{n}]", f"{key} {shown(name)} is there twice", "Each may be there only once.")
        seen.add(name)


def _check_trip(limit: TripLimit, profile: Profile, faults: Faults) -> None:
    path = f"trip.{limit.channel}"
    limits = (limit.minimum, limit.maximum, limit.below_machine_limit_k, limit.max_rate_k_per_s)
    if all(value is None for value in limits):
        faults.add(path, "it has no limit", "Write min, max, below_machine_limit_k or max_rate_k_per_s.")
    _check_order(path, limit.minimum, limit.maximum, faults)
    if not is_temperature(limit.channel):
        for key in ("below_machine_limit_k", "max_rate_k_per_s"):
            if getattr(limit, key) is not None:
                faults.add(path, f"{key} goes with temperatures only", "Leave it out here.")
    places = {stage.name for stage in profile.stages} | {kind.value for kind in StageKind}
    for name in limit.stages:
        if name not in places:
            faults.add(path, f"in names {shown(name)}, which is no stage of this profile", meant(name, sorted(places)))


def _check_order(path: str, minimum: float | None, maximum: float | None, faults: Faults) -> None:
    if minimum is not None and maximum is not None and minimum >= maximum:
        faults.add(path, f"min is {minimum:g} and max is {maximum:g}", "The min must lie below the max.")


def _check_threshold(threshold: Threshold, path: str, profile: Profile, faults: Faults) -> None:
    if threshold.minimum is None and threshold.maximum is None:
        faults.add(path, "it has neither min nor max", "Write at least one of them.")
    _check_order(path, threshold.minimum, threshold.maximum, faults)
    if not threshold.metric:
        return
    stage_name, _, figure = threshold.metric.partition(".")
    if profile.stage(stage_name) is None:
        names = [stage.name for stage in profile.stages]
        faults.add(
            path,
            f"metric names stage {shown(stage_name)}, which this profile does not have",
            meant(stage_name, names),
        )
    else:
        _check_figure(figure, path, faults)
        _check_reachable(threshold, stage_name, figure, path, profile, faults)


def _check_figure(figure: str, path: str, faults: Faults) -> None:
    channel, dot, of_channel = figure.rpartition(".")
    if not dot:
        if figure not in STAGE_FIGURES and not _RESISTANCE_PART.fullmatch(figure):
            faults.add(path, f"metric asks for {shown(figure)}, which is no figure", meant(figure, STAGE_FIGURES))
    elif not is_channel(channel):
        faults.add(path, f"metric names {shown(channel)}, which is no channel", "`verifyrig channels` lists them.")
    else:
        known = FIGURES.get(quantity_of(channel), ())
        known += ("above_chip",) if channel in ABOVE_CHIP else ()
        if of_channel not in known:
            faults.add(
                path,
                f"metric asks {channel} for {shown(of_channel)}, which it has not",
                meant(of_channel, known) if known else "Name another channel.",
            )


def _check_reachable(
    threshold: Threshold, stage_name: str, figure: str, path: str, profile: Profile, faults: Faults
) -> None:
    """Note a threshold beyond the trip limit of its own channel: the run would end before it could fail."""
    channel, _, of_channel = figure.rpartition(".")
    stage = profile.stage(stage_name)
    for limit in profile.trip_limits:
        if limit.channel != channel or stage is None or not limit.armed_in(stage):
            continue
        if (
            of_channel in ("settled", "peak", "max", "mean")
            and threshold.maximum is not None
            and limit.maximum is not None
            and threshold.maximum > limit.maximum
        ):
            faults.add(
                path,
                f"max is {threshold.maximum:g}, above the trip limit of {channel}, {limit.maximum:g}",
                "Write a max below the trip limit: the run ends before it could be reached.",
            )
        if (
            of_channel in ("min", "mean")
            and threshold.minimum is not None
            and limit.minimum is not None
            and threshold.minimum < limit.minimum
        ):
            faults.add(
                path,
                f"min is {threshold.minimum:g}, below the trip limit of {channel}, {limit.minimum:g}",
                "Write a min above the trip limit: the run ends before it could be reached.",
            )


def _check_below_trip(profile: Profile, faults: Faults) -> None:
    """Note gates and held temperatures that lie at or above the trip limit which guards the same channel."""
    highest = {limit.channel: limit.maximum for limit in profile.trip_limits if limit.maximum is not None}
    for n, stage in enumerate(profile.stages, start=1):
        gate, hold = stage.gate, stage.load.hold if stage.load is not None else None
        wanted = [
            (f"stage[{n}].gate", "max", gate.channel if gate else "", gate.max_c if gate else None),
            (f"stage[{n}].load.hold", "die_temp_c", "die_temp_c", hold.die_temp_c if hold else None),
            (f"stage[{n}].load.hold", "gpu_temp_c", "gpu_temp_c", hold.gpu_temp_c if hold else None),
        ]
        for path, key, channel, value in wanted:
            limit = highest.get(channel)
            if value is not None and limit is not None and value >= limit:
                faults.add(
                    path,
                    f"{key} is {value:g}, and the trip limit of {channel} is {limit:g}",
                    "Write a value below the trip limit.",
                )
