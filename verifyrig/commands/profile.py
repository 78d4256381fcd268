"""`verifyrig profile list | show NAME | check FILE_OR_NAME...`."""

from __future__ import annotations

import argparse
import math
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, cast

from verifyrig.bench.find_profile import ProfileFile, find_profile, find_profile_file, list_profiles, read_profile_text
from verifyrig.commands import Answer, Context
from verifyrig.core.errors import ExitCode, ProfileError, UsageError
from verifyrig.core.pattern import pattern_duration_s
from verifyrig.core.plain_text import plain_line, plain_lines
from verifyrig.core.profile import Gate, LoadPattern, LoadPlan, Profile, Stage, Threshold, TripLimit
from verifyrig.plan.text import parse_profile, profile_faults

if TYPE_CHECKING:
    from verifyrig.commands.contract import (
        CheckedFile,
        CheckedObject,
        ProfileHead,
        ProfileObject,
        ProfileRow,
        ProfilesObject,
        WholeProfile,
    )


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the action and what it is about."""
    parser.add_argument("action", choices=("list", "show", "check"), help="what to do")
    parser.add_argument("names", nargs="*", metavar="NAME", help="show: a profile; check: files or profiles")


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """List the profiles, show one, or check files."""
    if args.action == "list":
        return _list(args.names, context)
    if not args.names:
        raise UsageError(
            f"`profile {args.action}` needs a name or a file", where="verifyrig profile", mend="Write it behind."
        )
    return _check(args.names, context) if args.action == "check" else _show(args.names, context)


def _list(names: list[str], context: Context) -> Answer:
    if names:
        raise UsageError("`profile list` takes no name", where="verifyrig profile", mend="Write `profile show NAME`.")
    rows = [_row(file) for file in list_profiles(context.bench)]
    widest = max((len(row["name"]) for row in rows), default=0)
    lines = [f"{row['name']:<{widest}}  {row['title']}{'' if row['shipped'] else '  (the shop’s own)'}" for row in rows]
    data: ProfilesObject = {"profiles": rows}
    return Answer(data=data, text=plain_lines(lines))


def _row(file: ProfileFile) -> ProfileRow:
    row: ProfileHead = {"name": file.name, "path": str(file.path), "shipped": not file.own}
    try:
        profile = parse_profile(read_profile_text(file.path), origin=file.path.name)
    except ProfileError as error:
        why = f"cannot be used: {error.what} (`verifyrig profile check` says more)"
        return {**row, "title": plain_line(why, 200), "recipe": None, "longest_s": None, "usable": False}
    longest_s = sum(longest(stage) for stage in profile.stages)
    return {
        **row,
        "title": plain_line(profile.title, 200),
        "recipe": profile.recipe,
        "longest_s": longest_s,
        "usable": True,
    }


def _show(names: list[str], context: Context) -> Answer:
    if len(names) > 1:
        raise UsageError("`profile show` takes one name", where="verifyrig profile", mend="Show one after the other.")
    profile = find_profile(names[0], context.bench)
    plain = asdict(profile)
    del plain["text"]
    data: ProfileObject = {"profile": cast("WholeProfile", plain)}
    return Answer(data=data, text=describe(profile))


def _check(names: list[str], context: Context) -> Answer:
    rows: list[CheckedFile] = []
    faults: list[ProfileError] = []
    for name in names:
        found = _faults_of(name, context)
        faults.extend(found)
        rows.append({"file": name, "faults": [fault.as_json() for fault in found]})
    lines = [str(fault) for fault in faults]
    lines.extend(f"{plain_line(row['file'], 200)}: no fault" for row in rows if not row["faults"])
    data: CheckedObject = {"files": rows}
    if not faults:
        return Answer(data=data, text="\n".join(lines))
    data["error"] = faults[0].as_json()
    return Answer(data=data, text="\n".join(lines), code=ExitCode.BAD_INPUT)


def _faults_of(name: str, context: Context) -> list[ProfileError]:
    try:
        path = Path(name) if Path(name).exists() else find_profile_file(name, context.bench)
        return profile_faults(read_profile_text(path), path.name)
    except ProfileError as error:
        return [error]


def longest(stage: Stage) -> float:
    """Return how long the stage may last, s."""
    pattern_s = pattern_duration_s(stage.load) if stage.load is not None else math.inf
    return min(math.inf if stage.max_duration_s is None else stage.max_duration_s, pattern_s)


def describe(profile: Profile) -> str:
    """Return the profile in words: what is done, what ends the load, what is accepted."""
    lines = [f"{profile.name}: {plain_line(profile.title, 300)}", f"recipe {profile.recipe}", ""]
    for stage in profile.stages:
        lines.extend(_stage_lines(stage))
    lines += ["", "The load ends at once when"]
    lines += [f"  {_trip_line(limit)}" for limit in profile.trip_limits] or ["  (no limit is set)"]
    if profile.blind_load_s is not None:
        lines.append(f"  no temperature can be read, after {profile.blind_load_s:g} s")
    lines += ["", "Accepted is"]
    lines += [f"  {_threshold_line(threshold)}" for threshold in profile.thresholds] or ["  (no limit: no verdict)"]
    lines += ["", *(f"Caution: {plain_line(text, 400)}" for text in profile.cautions)]
    return plain_lines(lines).rstrip()


def _stage_lines(stage: Stage) -> list[str]:
    at_least = f"at least {in_minutes(stage.min_duration_s)}, " if stage.min_duration_s else ""
    lines = [f"{stage.name} ({stage.kind}): {at_least}at most {in_minutes(longest(stage))}"]
    if stage.load is not None:
        lines.append(f"  {_load_line(stage.load)}")
    if stage.settle is not None:
        lines.append(
            f"  ends when {stage.settle.channel} is known to settle within {stage.settle.within_k:g} K, "
            f"modes up to {stage.settle.slowest_time_constant_s:g} s allowed for"
        )
    if stage.gate is not None:
        lines.append(f"  no load follows where {_gate_words(stage.gate)}")
    return lines


def _gate_words(gate: Gate) -> str:
    words = []
    if gate.max_c is not None:
        words.append(f"{gate.channel} is or will be above {gate.max_c:g} °C")
    if gate.max_rise_k is not None:
        words.append(f"more than {gate.max_rise_k:g} K above the room")
    return " or ".join(words)


def _load_line(plan: LoadPlan) -> str:
    who = plan.workers if isinstance(plan.workers, str) else f"workers {plan.workers}"
    who = {"all": "on all cores", "quarter": "on a quarter of the cores", "in-turn": "core by core"}.get(who, who)
    if plan.hold is not None:
        held = {name: value for name, value in asdict(plan.hold).items() if value is not None}
        climbs = "climbing as far as is known to be safe, then " if plan.pattern == LoadPattern.CLIMB else ""
        values = ", ".join(f"{name} = {value:g}" for name, value in held.items())
        return f"{plan.work} {who}, {climbs}held at {values}"
    if plan.pattern == LoadPattern.PULSES:
        return f"{plan.work} {who}, {plan.count} pulses of {plan.on_s:g} s with {plan.off_s:g} s idle after each"
    if plan.pattern == LoadPattern.STEPS:
        shares = ", ".join(f"{share:.0%}" for share in plan.shares)
        return f"{plan.work} {who}, steps of {plan.step_s:g} s at {shares}"
    if plan.pattern == LoadPattern.CLIMB:
        return f"{plan.work} {who}, climbing towards {plan.share:.0%} as far as is known to be safe"
    return f"{plan.work} {who}, steady at {plan.share:.0%}"


def _trip_line(limit: TripLimit) -> str:
    words = []
    if limit.minimum is not None:
        words.append(f"below {limit.minimum:g}")
    if limit.maximum is not None:
        words.append(f"above {limit.maximum:g}")
    if limit.below_machine_limit_k is not None:
        words.append(f"within {limit.below_machine_limit_k:g} K of the machine's own limit")
    if limit.max_rate_k_per_s is not None:
        words.append(f"rising faster than {limit.max_rate_k_per_s:g} K/s over 10 s")
    places = f" in {', '.join(limit.stages)}" if limit.stages else ""
    optional = "; not armed where the machine lacks it" if limit.optional else ""
    return f"{limit.channel} is {' or '.join(words)}{places}{optional}{_why(limit.why)}"


def _threshold_line(threshold: Threshold) -> str:
    words = []
    if threshold.minimum is not None:
        words.append(f"at least {threshold.minimum:g}")
    if threshold.maximum is not None:
        words.append(f"at most {threshold.maximum:g}")
    return f"{threshold.metric} {' and '.join(words)}{_why(threshold.why)}"


def _why(text: str) -> str:
    return f" ({plain_line(text, 300)})" if text else ""


def in_minutes(seconds: float) -> str:
    """Return a duration as people say it: `45 s`, `20 min`, `6 h`."""
    if seconds < 120:
        return f"{seconds:g} s"
    if seconds < 7200:
        return f"{seconds / 60:.3g} min"
    return f"{seconds / 3600:.3g} h"
