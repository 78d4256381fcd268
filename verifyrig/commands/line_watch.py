"""`verifyrig line watch`: looks at a batch as its records arrive, and tells of each alarm once."""

from __future__ import annotations

import argparse
import hashlib
import time
from functools import partial
from typing import TYPE_CHECKING, TextIO

from verifyrig.commands import Answer, Context
from verifyrig.core.errors import ExitCode, UsageError
from verifyrig.core.plain_text import plain_line, plain_lines
from verifyrig.files.streams import put

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from verifyrig.core.profile import Profile
    from verifyrig.line.contract import BatchAlarmObject, LineWatchObject
    from verifyrig.qa.watching import BatchAlarm, WatchedBatch

_SHORTEST_S, _LONGEST_S = 0.2, 3600.0


def watch(args: argparse.Namespace, context: Context) -> Answer:
    """Watch until somebody ends it, or look once."""
    from verifyrig.bench.find_profile import find_profile
    from verifyrig.line.watch_state import read_watched

    if args.profile is None:
        raise UsageError("no profile is named", where="line watch", mend="Name one with --profile.")
    if not _SHORTEST_S <= args.every <= _LONGEST_S:
        raise UsageError(f"{args.every:g} s is no pause", where="--every", mend="Write 0.2 to 3600 seconds.")
    if context.json and not args.once:
        raise UsageError("a watch that goes on has no one answer", where="line watch --json", mend="Add --once.")
    profile = find_profile(args.profile, context.bench)
    before = read_watched(context.bench, profile.recipe, args.batch)
    seen: object = None
    while True:
        here = _records(context)
        if here != seen:
            seen = here
            after, alarms = _look(args.batch, context, profile, before, [path for path, *_ in here])
            if args.once:
                return _answer(args.batch, profile, before, after, alarms)
            for alarm in alarms:
                put(partial(_print_line, _line(alarm)))
            before = after
        time.sleep(args.every)


def _print_line(line: str, out: TextIO) -> None:
    """Write one line at once, for whoever reads along."""
    out.write(plain_lines([line]) + "\n")
    out.flush()


def _records(context: Context) -> list[tuple[Path, int, int]]:
    """Return the records that are over, as they stand in the folder: nothing is computed while nothing changes.

    One that is still written has its log beside it; one whose machine died has a note of that too.
    """
    from verifyrig.record.schema import wal_path

    found = []
    for path in context.bench.records():
        if wal_path(path).exists() and not path.with_name(f"{path.stem}.after.json").exists():
            continue
        try:
            status = path.stat()
        except OSError:
            continue
        found.append((path, status.st_size, status.st_mtime_ns))
    return found


def _look(
    batch: str | None, context: Context, profile: Profile, before: WatchedBatch, paths: Sequence[Path]
) -> tuple[WatchedBatch, list[BatchAlarm]]:
    """Look at what came, tell those whom bench.toml names, and keep how far the batch was watched."""
    from verifyrig.core.run_columns import RunFilter
    from verifyrig.line.watch_state import keep_watched
    from verifyrig.notify.hand_over import alarm_notice, hand_over
    from verifyrig.qa.findings import may_be_asked
    from verifyrig.qa.index import collect_runs
    from verifyrig.qa.watching import watch_batch

    wanted, asked = may_be_asked(profile), RunFilter(batch=batch)
    bench = context.bench
    runs = collect_runs(bench.root, paths, wanted, profile=profile, asked=asked)
    runs = [run for run in runs if run.unit not in bench.golden_units]
    after, alarms = watch_batch(before, runs, profile)
    for at, alarm in enumerate(alarms):
        # Before it is kept as told: a program that dies in between tells it again, under the same id.
        key = f"{profile.recipe} {batch} {before.alarms + at} {alarm.code} {alarm.metric} {alarm.run}"
        notice = alarm_notice(
            {
                "code": alarm.code,
                "text": alarm.text,
                "profile": profile.name,
                "unit": alarm.unit or None,
                "batch": batch,
                "run": alarm.run or None,
                "metric": alarm.metric or None,
            },
            {"bench": bench.bench_id or None, "batch": batch},
            notice_id=f"alarm-{hashlib.sha256(key.encode()).hexdigest()[:24]}",
        )
        hand_over(bench, notice, quiet=context.json)
    if after != before:
        keep_watched(bench, profile.recipe, batch, after)
    return after, alarms


def _answer(
    batch: str | None, profile: Profile, before: WatchedBatch, after: WatchedBatch, alarms: list[BatchAlarm]
) -> Answer:
    from verifyrig.capability import LOOKS
    from verifyrig.qa.order import FALSE_ALARM

    data: LineWatchObject = {
        "profile": profile.name,
        "batch": batch,
        "units": len(after.series) + len(after.past),
        "looks": after.looks,
        "next_look": LOOKS[after.looks] if after.looks < len(LOOKS) else None,
        "false_alarm": FALSE_ALARM,
        "alarms": [_object(alarm) for alarm in alarms],
        "alarms_before": before.alarms,
    }
    lines = [_line(alarm) for alarm in alarms]
    counts = f"Units: {data['units']}, looks: {after.looks}, alarms so far: {after.alarms}"
    lines.append(f"{counts}; next look at {data['next_look']} units.")
    code = ExitCode.FAILED if after.failed else ExitCode.NOT_PROVEN if after.alarms else ExitCode.DONE
    return Answer(data=data, text=plain_lines(lines), code=code)


def _line(alarm: BatchAlarm) -> str:
    return f"ALARM at {alarm.units} units: {plain_line(alarm.text, 300)}"


def _object(alarm: BatchAlarm) -> BatchAlarmObject:
    return {
        "code": alarm.code,
        "text": alarm.text,
        "units": alarm.units,
        "metric": alarm.metric or None,
        "run": alarm.run or None,
        "unit": alarm.unit or None,
    }
