"""`verifyrig line`: orders in, what is missing or doubled, hold and release, the trail of limits, a batch watched."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verifyrig.commands import Answer, Context
from verifyrig.commands.who import at_the_bench
from verifyrig.core.errors import ExitCode, UsageError
from verifyrig.core.plain_text import plain_line, plain_lines

if TYPE_CHECKING:
    from verifyrig.line.contract import LineLimitsObject, LineObject
    from verifyrig.line.state import LineState


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the subcommands of `line`."""
    acts = parser.add_subparsers(dest="act", required=True, metavar="ACT")
    orders = acts.add_parser("orders", help="take orders in: a CSV with order, unit, profile and maybe batch, parts")
    orders.add_argument("file", metavar="FILE.csv")
    show = acts.add_parser("show", help="what was ordered, measured, and is missing, doubled or held")
    hold = acts.add_parser("hold", help="keep a unit or a batch from going on")
    release = acts.add_parser("release", help="let it go on")
    for one in (hold, release):
        one.add_argument("unit", nargs="?", metavar="UNIT")
        one.add_argument("--why", metavar="TEXT", help="(needed)")
    for one in (show, hold, release):
        one.add_argument("--batch", metavar="NAME")
    limits = acts.add_parser("limits", help="how a profile's limits differ from those that were recorded; record them")
    limits.add_argument("profile", metavar="PROFILE")
    limits.add_argument("--why", metavar="TEXT", help="record the limits as they are now, with the reason")
    watch = acts.add_parser("watch", help="tell at once what changes, stands out or fails while a batch is measured")
    watch.add_argument("--profile", metavar="NAME", help="(needed)")
    watch.add_argument("--batch", metavar="NAME", help="only units of this batch or model")
    watch.add_argument("--once", action="store_true", help="look at what is there, and end")
    watch.add_argument("--every", metavar="S", type=float, default=5.0, help="how often new records are looked for, s")
    for one in (orders, hold, release, limits):
        one.add_argument("--by", metavar="NAME", help="who does it (else who is on shift, else the operator)")
    for one in acts.choices.values():
        one.add_argument("--bench", metavar="DIR", default=argparse.SUPPRESS, help=argparse.SUPPRESS)
        one.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS)


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Do what the subcommand says."""
    match args.act:
        case "orders":
            return _orders(args, context)
        case "hold" | "release":
            return _hold(args, context)
        case "limits":
            return _limits(args, context)
        case "watch":
            from verifyrig.commands.line_watch import watch

            return watch(args, context)
    return _shown(context, args.batch)


def _state(context: Context) -> LineState:
    from verifyrig.line.state import state_of
    from verifyrig.line.trail import read_trail

    return state_of(read_trail(context.bench))


def _who(args: argparse.Namespace, context: Context) -> str:
    by = at_the_bench(context.bench, args.by)
    if not by:
        raise UsageError("nobody is named who does this", where=f"line {args.act}", mend="Say who: --by NAME.")
    return by


def _why(args: argparse.Namespace) -> str:
    if not (args.why or "").strip() or len(args.why) > 500:
        raise UsageError(
            "no reason is given", where=f"line {args.act}", mend="Say why: --why TEXT (at most 500 signs)."
        )
    return str(args.why).strip()


def _shown(context: Context, batch: str | None = None, taken: int | None = None) -> Answer:
    from verifyrig.line.show import line_lines, line_object
    from verifyrig.runs.run_list import list_runs
    from verifyrig.runs.units_seen import units_seen

    verdicts = {row["run"]: row["verdict"] for row in list_runs(context.bench)}
    data: LineObject = line_object(
        _state(context), units_seen(context.bench), verdicts, context.bench.golden_units, batch
    )
    lines = line_lines(data)
    if taken is not None:
        data["taken"] = taken
        lines = [f"{taken} orders taken in.", *lines]
    return Answer(data=data, text=plain_lines(lines))


def _orders(args: argparse.Namespace, context: Context) -> Answer:
    from verifyrig.bench.find_profile import find_profile
    from verifyrig.line.orders import new_orders, read_orders
    from verifyrig.line.trail import TrailKind, append_entries

    by = _who(args, context)
    orders = read_orders(Path(args.file), lambda name: find_profile(name, context.bench))
    new = new_orders(orders, list(_state(context).orders.values()))
    if new:
        append_entries(context.bench, by, [(TrailKind.ORDER, order.as_data) for order in new])
    return _shown(context, taken=len(new))


def _hold(args: argparse.Namespace, context: Context) -> Answer:
    from verifyrig.files.typed_values import short_name
    from verifyrig.line.trail import TrailKind, append_entries

    unit, batch = short_name(args.unit, "UNIT"), short_name(args.batch, "--batch")
    where = f"line {args.act}"
    if unit is None and batch is None:
        raise UsageError("neither unit nor batch is named", where=where, mend="Name a unit, a --batch, or both.")
    by, why, held = _who(args, context), _why(args), (batch, unit) in _state(context).holds
    if args.act == "release" and not held:
        raise UsageError("this is not on hold", where=where, mend="`verifyrig line show` lists the holds.")
    kind = TrailKind.HOLD if args.act == "hold" else TrailKind.RELEASE
    append_entries(context.bench, by, [(kind, {"unit": unit, "batch": batch, "why": why})])
    return _shown(context)


def _limits(args: argparse.Namespace, context: Context) -> Answer:
    from verifyrig.bench.find_profile import find_profile
    from verifyrig.line.limits import changed_limits, limits_of
    from verifyrig.line.show import trail_object
    from verifyrig.line.trail import TrailKind, append_entries

    profile = find_profile(args.profile, context.bench)
    now, state = limits_of(profile), _state(context)
    known = profile.name in state.limits
    changed = changed_limits(state.limits.get(profile.name), now)
    recorded = known and not changed
    if args.why is not None and not recorded:
        told: dict[str, Any] = {"profile": profile.name, "recipe": profile.recipe, "limits": now, "changed": changed}
        append_entries(context.bench, _who(args, context), [(TrailKind.LIMITS, {**told, "why": _why(args)})])
        recorded, state = True, _state(context)
    data: LineLimitsObject = {
        "profile": profile.name,
        "recorded": recorded,
        "changed": changed,
        "limits": now,
        "trail": trail_object(state),
    }
    return Answer(
        data=data, text=_limit_lines(data, known=known), code=ExitCode.DONE if recorded else ExitCode.NOT_PROVEN
    )


def _limit_lines(data: LineLimitsObject, *, known: bool) -> str:
    lines = [f"{plain_line(one['limit'])}: {_said(one['old'])} -> {_said(one['new'])}" for one in data["changed"]]
    if data["recorded"]:
        head = "The limits are recorded." if lines else "The limits are those that were recorded last."
    else:
        head = "These limits were never recorded:" if not known else "These limits changed and nobody said why:"
        lines.append(f"`verifyrig line limits {data['profile']} --why TEXT` records them.")
    return plain_lines([head, *lines])


def _said(value: float | None) -> str:
    return "none" if value is None else f"{value:g}"
