"""`verifyrig notices`: what is told of runs and alarms to those that bench.toml names, and what still waits."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.core.errors import ExitCode, UsageError
from verifyrig.core.plain_text import plain_line, plain_lines

if TYPE_CHECKING:
    from verifyrig.bench.notice_targets import NoticeTarget
    from verifyrig.notify.contract import NoticesObject, WaitingTarget
    from verifyrig.notify.spool import Spool

_PATIENCE_S = 3600.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `notices`."""
    parser.add_argument("--deliver", action="store_true", help="deliver what waits, for an hour at most")
    parser.add_argument("--for", dest="seconds", metavar="S", type=float, help="how long, s; with --deliver")
    parser.add_argument("--trial", action="store_true", help="send everybody a notice that tells of nothing, and wait")
    parser.add_argument("--again", metavar="RECORD", nargs="+", default=[], help="tell of these runs once more")
    parser.add_argument("--give-up", metavar="TARGET", help="leave out the oldest notice that a target does not take")
    parser.add_argument("--schema", action="store_true", help="print the JSON Schema of a notice")


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Do what was asked for; then say what waits."""
    from verifyrig.notify.delivery import deliver
    from verifyrig.notify.hand_over import spool_of, start_delivery, targets_allowed, trial

    if args.schema:
        return _schema()
    if args.seconds is not None and (not args.deliver or not 0 <= args.seconds <= 1e6):
        raise UsageError("--for needs --deliver and seconds", where="--for", mend="Write --deliver --for 60.")
    targets, refused = targets_allowed(context.bench)
    spool = spool_of(context.bench)
    if args.give_up:
        _give_up(args.give_up, targets, spool)
    if args.again:
        _tell_again(args.again, context, targets, spool)
    if args.trial:
        _put(trial(context.bench.bench_id or None), targets, spool)
    if args.deliver or args.trial:
        patience_s = args.seconds if args.seconds is not None else 0.0 if args.trial else _PATIENCE_S
        deliver(spool, targets, context.bench.root, patience_s=patience_s, at_once=args.trial)
    elif args.again and targets:
        start_delivery(context.bench)
    data: NoticesObject = {"targets": [_waiting(one, spool) for one in targets], "refused": refused or None}
    left = any(one["waiting"] for one in data["targets"])
    asked = args.deliver or args.trial
    return Answer(data=data, text=_text(data), code=ExitCode.NOT_PROVEN if asked and left else ExitCode.DONE)


def _schema() -> Answer:
    from verifyrig.core.json_schema import schema_object, schema_text
    from verifyrig.notify.contract import NoticeObject

    return Answer(data=schema_object(NoticeObject), text=schema_text(NoticeObject).rstrip("\n"))


def _put(notice: object, targets: tuple[NoticeTarget, ...], spool: Spool) -> None:
    import time
    from typing import Any, cast

    for target in targets:
        spool.put(target, cast("dict[str, Any]", notice), time.time())


def _give_up(name: str, targets: tuple[NoticeTarget, ...], spool: Spool) -> None:
    if name not in {one.id for one in targets}:
        known = ", ".join(one.id for one in targets) or "none"
        raise UsageError(f"there is no target {name!r}", where="--give-up", mend=f"Targets: {known}.")
    head = spool.head(name)
    if head is not None:
        spool.taken(head)


def _tell_again(names: list[str], context: Context, targets: tuple[NoticeTarget, ...], spool: Spool) -> None:
    import time

    from verifyrig.bench.notice_targets import NoticeEvent
    from verifyrig.core.plain_json import plain_json
    from verifyrig.notify.hand_over import for_target, notice_of_record

    for name in names:
        notice = notice_of_record(context.bench.find_record(name))
        for target in targets:
            if NoticeEvent.RUN in target.events:
                spool.put(target, plain_json(for_target(target, notice)), time.time())


def _waiting(target: NoticeTarget, spool: Spool) -> WaitingTarget:
    waiting, left_out = spool.counts(target.id)
    head = spool.head(target.id)
    oldest = None if head is None else datetime.fromtimestamp(head.made_utc_s, UTC).isoformat(timespec="seconds")
    return {
        "id": target.id,
        "by": target.way,
        "waiting": waiting,
        "left_out": left_out,
        "oldest": oldest,
        "tries": 0 if head is None else head.tries,
        "said": head.said or None if head is not None else None,
    }


def _text(data: NoticesObject) -> str:
    if data["refused"]:
        return plain_lines([f"Nothing is sent: {plain_line(data['refused'])}."])
    if not data["targets"]:
        return "Nobody is told of runs and alarms: bench.toml has no [[notify]]."
    lines = []
    for one in data["targets"]:
        line = f"{one['id']} ({one['by']}): "
        line += f"{one['waiting']} waiting, the oldest of {one['oldest']}" if one["waiting"] else "nothing waits"
        line += f"; tried {one['tries']} times, the last time: {plain_line(one['said'] or '')}" if one["tries"] else ""
        line += f"; {one['left_out']} left out for lack of room" if one["left_out"] else ""
        lines.append(f"{line}.")
    return plain_lines(lines)
