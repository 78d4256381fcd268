"""Reads a profile from TOML text; opens no file. Refuses unknown keys and keys that contradict each other.

Key paths count the tables of an array from 1: `stage[2]` is the second stage of the file.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict

from verifyrig.core.channels import is_channel
from verifyrig.core.errors import ProfileError
from verifyrig.core.profile import Profile, Stage, Threshold, TripLimit
from verifyrig.files.toml_table import Faults, TomlTable, meant, parse_table, shown
from verifyrig.plan.checks import check_profile
from verifyrig.plan.feeding import check_fed
from verifyrig.plan.guarding import check_guarded
from verifyrig.plan.stages import id_name, known_channel, number_or, read_stages, required_text

__all__ = ["ON_CONDITIONAL", "parse_profile", "profile_faults", "recipe_digest"]

ON_CONDITIONAL = ("ask", "repeat", "reject")
LONGEST_BLIND_LOAD_S = 30.0
_SECONDS = "Write a time in seconds."


def parse_profile(text: str, origin: str, *, recorded: bool = False) -> Profile:
    """Return the profile written in `text`.

    Args:
        text: TOML.
        origin: The file's name as a person would recognise it.
        recorded: It was run already and is only read: whether it guards what it heats is not asked any more.

    Raises:
        ProfileError: The first fault found; `profile_faults` lists them all.
    """
    profile, faults = _read(text, origin, recorded=recorded)
    if faults or profile is None:
        raise faults[0]
    return profile


def profile_faults(text: str, origin: str) -> list[ProfileError]:
    """Return every fault of the text at once, none for a profile that can be used."""
    return _read(text, origin)[1]


def recipe_digest(stages: Sequence[Stage]) -> str:
    """Return 16 hexadecimal digits that stand for what is done to the machine, stage by stage.

    Names, kinds, durations, settling rules and loads count. Gates, trip limits and thresholds do not: they
    decide whether a run goes on and what is said of it, and may differ with the cooler.
    """
    plain = [asdict(stage) for stage in stages]
    for stage in plain:
        del stage["gate"]
    canonical = json.dumps(plain, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(canonical.encode()).hexdigest()[:16]


def _read(text: str, origin: str, *, recorded: bool = False) -> tuple[Profile | None, list[ProfileError]]:
    faults = Faults(origin=origin)
    table = parse_table(text, faults)
    profile = _profile(table, text, origin) if table is not None else None
    if profile is not None and not recorded:
        check_guarded(profile, faults)
        check_fed(profile, faults)
    return profile, [ProfileError(fault.what, where=fault.where, mend=fault.mend) for fault in faults.found]


def _profile(table: TomlTable, text: str, origin: str) -> Profile:
    stages = read_stages(table)
    channels, one_of = _requires(table)
    trip_limits, stale_after_s = _trip(table)
    profile = Profile(
        name=id_name(table, "A profile's name"),
        title=required_text(table, "title", "Write one line that says what the profile is for."),
        text=text,
        recipe=recipe_digest(stages),
        stages=stages,
        reference_ambient_c=number_or(
            table.number("reference_ambient_c", mend="Write a room temperature in °C.", minimum=-40, maximum=60), 25.0
        ),
        period_s=_period_s(table),
        requires=channels,
        requires_one_of=one_of,
        trip_limits=trip_limits,
        stale_after_s=stale_after_s,
        blind_load_s=table.number(
            "blind_load_s",
            mend="Write the longest load without any temperature reading, in seconds.",
            above=0,
            maximum=LONGEST_BLIND_LOAD_S,
        ),
        thresholds=tuple(_threshold(part) for part in table.tables("threshold", mend="Write [[threshold]].")),
        cautions=tuple(_caution(part) for part in table.tables("caution", mend="Write [[caution]].")),
        on_conditional=table.choice("on_conditional", ON_CONDITIONAL) or "ask",
        ask_presence_every_s=table.number("ask_presence_every_s", mend=_SECONDS, minimum=60),
        origin=origin,
    )
    table.done()
    check_profile(profile, table.faults)
    return profile


def _period_s(table: TomlTable) -> float:
    sampling = table.table("sampling", mend="Write [sampling] with period_s.")
    if sampling is None:
        return 1.0
    period_s = sampling.number("period_s", mend="Write the time between samples.", minimum=0.01, maximum=10)
    sampling.done()
    return number_or(period_s, 1.0)


def _requires(table: TomlTable) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    requires = table.table("requires", mend="Write [requires] with channels and one_of.")
    if requires is None:
        return (), ()
    channels = requires.texts("channels", mend='Write a list such as ["die_temp_c"].')
    groups = requires.take("one_of") or []
    if not isinstance(groups, list) or not all(
        isinstance(group, list) and group and all(isinstance(name, str) for name in group) for group in groups
    ):
        requires.fault(
            f"one_of is {shown(groups)}, and must be a list of lists of channels",
            'Write it like [["ambient_temp_c", "inlet_temp_c"]].',
        )
        groups = []
    for name in channels:
        known_channel(requires, name, "channels")
    for group in groups:
        for name in group:
            known_channel(requires, name, "one_of")
    requires.done()
    return channels, tuple(tuple(group) for group in groups)


def _trip(table: TomlTable) -> tuple[tuple[TripLimit, ...], float]:
    trip = table.table("trip", mend="Write [trip] with one line a channel.")
    if trip is None:
        return (), 3.0
    stale_after_s = trip.number("stale_after_s", mend=_SECONDS, above=0, maximum=60)
    limits = []
    for key in trip.values:
        if key == "stale_after_s":
            continue
        if not is_channel(key):
            trip.take(key)
            trip.fault(f"{shown(key)} is no channel", meant(key, ("die_temp_c", "pump_speed_rpm", "stale_after_s")))
            continue
        part = trip.table(key, mend="Write it like { max = 95.0 }.")
        if part is not None:
            limits.append(_trip_limit(key, part))
    return tuple(limits), number_or(stale_after_s, 3.0)


def _trip_limit(channel: str, part: TomlTable) -> TripLimit:
    limit = TripLimit(
        channel=channel,
        minimum=part.number("min", mend="Write the limit in the channel's unit."),
        maximum=part.number("max", mend="Write the limit in the channel's unit."),
        below_machine_limit_k=part.number(
            "below_machine_limit_k", mend="Write the distance to the machine's own limit in K.", minimum=0, maximum=60
        ),
        max_rate_k_per_s=part.number("max_rate_k_per_s", mend="Write the steepest rise over 10 s, in K/s.", above=0),
        stages=part.texts("in", mend='Write a list of stage names or kinds, such as ["load"].'),
        optional=part.flag("optional", mend="Write true where a machine without this channel may be run."),
        why=part.text("why", mend="Write one sentence.") or "",
    )
    part.done()
    return limit


def _threshold(part: TomlTable) -> Threshold:
    threshold = Threshold(
        metric=required_text(part, "metric", 'Name a metric with its stage in front: "load.thermal_resistance".'),
        minimum=part.number("min", mend="Write the limit in the metric's unit."),
        maximum=part.number("max", mend="Write the limit in the metric's unit."),
        why=part.text("why", mend="Write one sentence.") or "",
    )
    part.done()
    return threshold


def _caution(part: TomlTable) -> str:
    text = required_text(part, "text", "Write one sentence.")
    part.done()
    return text
