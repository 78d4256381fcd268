"""Which unit a run is of: by its scanned label, its order, what was measured before; asked where that is unclear."""

from __future__ import annotations

import argparse
import re
from dataclasses import replace
from typing import TYPE_CHECKING

from verifyrig.commands import Context
from verifyrig.commands.who import at_the_bench
from verifyrig.core.errors import UsageError
from verifyrig.core.plain_text import plain_line
from verifyrig.files.typed_values import short_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verifyrig.dialogs.prompt import Asker
    from verifyrig.line.orders import Order
    from verifyrig.line.parts import PartCheck
    from verifyrig.line.state import LineState
    from verifyrig.line.units import UnitQuestion, UnitToMeasure
    from verifyrig.runs.units_seen import SeenUnit
    from verifyrig.system.machine import MachineRoot

_WHERE = "--unit"


def unit_of_label(text: str, context: Context) -> str:
    """Return the unit that a label names: its group `unit`, else its first one, else the whole of it.

    Raises:
        UsageError: It has not the form that bench.toml says.
    """
    text = text.strip()
    pattern = context.bench.config.get("line", {}).get("label")
    if pattern is None:
        return short_name(text, "--scan") or text
    found = re.fullmatch(pattern, text)
    if found is None:
        raise UsageError(
            f"{plain_line(text, 60)!r} is no label of a unit",
            where="--scan",
            mend=f"Scan the label whose form bench.toml gives: {pattern}",
        )
    groups = found.groupdict()
    return short_name(groups.get("unit") or next((one for one in found.groups() if one), text), "--scan") or text


def _may_ask(args: argparse.Namespace, context: Context) -> bool:
    """Whether somebody at a terminal can be asked; a run that bench.toml starts by itself waits for nobody."""
    from verifyrig.dialogs.prompt import can_ask

    return not args.by_itself and can_ask(json=context.json)


def take_scan(args: argparse.Namespace, context: Context) -> None:
    """Take unit, batch and profile from a scanned label and its order into the words of the command line.

    Raises:
        UsageError: No label, one of another form, no order, several of them, or a hold.
    """
    from verifyrig.dialogs.prompt import TerminalAsker

    wants_unit = args.batch is not None and args.unit is None and args.job is None
    if args.scan is not None and args.unit is not None:
        raise UsageError("a unit is named, and a label is to be scanned", where="--scan", mend="Leave one of them out.")
    if args.scan:
        args.unit = unit_of_label(args.scan, context)
    elif _may_ask(args, context) and (args.scan is not None or (wants_unit and not args.yes)):
        args.unit = _ask_label(TerminalAsker(), context, needed=args.scan is not None)
    elif args.scan is not None:
        raise UsageError("there is no terminal to scan at", where="--scan", mend="Write it: --scan LABEL.")
    if args.unit is None:
        return
    state = _line_state(context)
    orders = state.ordered(args.unit, args.batch)
    if args.scan is not None and not orders:
        raise UsageError(
            f"no order names unit {plain_line(args.unit, 60)!r}",
            where="--scan",
            mend="Take its order in (`verifyrig line orders`), or measure it without one: --unit.",
        )
    if args.scan is not None and len(orders) > 1:
        batches = ", ".join(plain_line(one.batch or "none", 40) for one in orders)
        raise UsageError(f"unit {args.unit!r} is ordered in batches {batches}", where="--scan", mend="Add --batch.")
    if args.scan is not None:
        args.batch, args.profile = orders[0].batch, args.profile or orders[0].profile
    args.scan = None  # taken: where the run is asked for anew, nobody scans again


def check_hold(unit: str, batch: str | None, context: Context) -> None:
    """Raise `UsageError` where a unit, or its batch, is on hold."""
    hold = _line_state(context).hold_of(unit, batch)
    if hold is not None:
        raise UsageError(
            f"unit {plain_line(unit, 60)!r} is on hold: {plain_line(hold['why'], 200)} ({plain_line(hold['by'], 60)})",
            where=_WHERE,
            mend="`verifyrig line release` lets it go on, with who and why.",
        )


def _ask_label(asker: Asker, context: Context, *, needed: bool) -> str | None:
    """Ask for the label until it has its form; without an order an empty line means that no unit is named."""
    question = (
        "Scan the unit's label, or type it:" if needed else "Which unit? Scan its label, or type it (Enter: none):"
    )
    while True:
        text = asker.line(question)
        if not text.strip():
            if needed:
                continue
            return None
        try:
            return unit_of_label(text, context)
        except UsageError as error:
            asker.say(str(error))


def _line_state(context: Context) -> LineState:
    from verifyrig.line.state import state_of
    from verifyrig.line.trail import read_trail

    return state_of(read_trail(context.bench))


def settle_unit(args: argparse.Namespace, context: Context, unit: UnitToMeasure) -> UnitToMeasure:
    """Return the unit once name, board and earlier runs agree, asked at a terminal.

    Raises:
        UsageError: They do not agree, and nobody can be asked.
    """
    from verifyrig.dialogs.prompt import TerminalAsker
    from verifyrig.line.units import question_of
    from verifyrig.runs.units_seen import units_seen

    seen = units_seen(context.bench)
    while (asked := question_of(unit, seen, context.bench.golden_units)) is not None:
        if not _may_ask(args, context):
            raise _refusal(unit, *asked)
        unit = ask_about_unit(TerminalAsker(), context, unit, *asked)
        args.unit, args.batch, args.rework = unit.unit, unit.batch, unit.rework
    return unit


def _sentence(unit: UnitToMeasure, question: UnitQuestion, earlier: SeenUnit) -> str:
    from verifyrig.line.units import UnitQuestion

    name, before = plain_line(unit.unit, 60), plain_line(earlier.unit, 60)
    return {
        UnitQuestion.OTHER_BOARD: f"unit {name!r} was measured on another board (run {earlier.run})",
        UnitQuestion.OTHER_NAME: f"this board was measured as unit {before!r} (run {earlier.run})",
        UnitQuestion.AGAIN: f"unit {name!r} was measured to its end already (run {earlier.run})",
    }[question]


def _refusal(unit: UnitToMeasure, question: UnitQuestion, earlier: SeenUnit) -> UsageError:
    from verifyrig.line.units import UnitQuestion

    mend = {
        UnitQuestion.OTHER_BOARD: "Name it otherwise with --unit, or say that its board was exchanged: --rework CODE.",
        UnitQuestion.OTHER_NAME: f"Name it --unit {plain_line(earlier.unit, 60)}, or say why it has another name: "
        "--rework CODE.",
        UnitQuestion.AGAIN: "Say why it is measured again: --rework CODE.",
    }[question]
    return UsageError(_sentence(unit, question, earlier), where=_WHERE, mend=mend)


def ask_about_unit(
    asker: Asker, context: Context, unit: UnitToMeasure, question: UnitQuestion, earlier: SeenUnit
) -> UnitToMeasure:
    """Ask which unit this is, or why; return it as answered.

    Raises:
        NobodyThere: It is not to be measured.
    """
    from verifyrig.dialogs.prompt import NobodyThere, Option
    from verifyrig.line.units import UnitQuestion

    sentence = _sentence(unit, question, earlier)
    same = {
        UnitQuestion.OTHER_BOARD: f"it is {unit.unit}: its board was exchanged",
        UnitQuestion.OTHER_NAME: f"it is {unit.unit} now: it got another name",
        UnitQuestion.AGAIN: f"it is {unit.unit}: measure it again",
    }[question]
    options = [Option(key="s", label=same)]
    if question is UnitQuestion.OTHER_NAME:
        options.append(Option(key="e", label=f"it is {earlier.unit}"))
    options += [Option(key="o", label="it is another unit: scan its label"), Option(key="n", label="do not measure")]
    key = asker.choose(f"{sentence[0].upper()}{sentence[1:]}. Which is it?", options)
    if key == "n":
        raise NobodyThere
    if key == "e":
        return replace(unit, unit=earlier.unit, batch=earlier.batch)
    if key == "o":
        return replace(unit, unit=_ask_label(asker, context, needed=True) or unit.unit)
    code = ""
    while not 0 < len(code) <= 100:
        code = asker.line("Why (a code of the line's own):").strip()
    return replace(unit, rework=code)


def check_ordered_parts(args: argparse.Namespace, context: Context, root: MachineRoot) -> None:
    """Hold the parts that the unit's order expects against what this machine says; note in the trail what was accepted.

    Raises:
        UsageError: A part differs, and nobody says that this is right.
    """
    from verifyrig.dialogs.prompt import TerminalAsker
    from verifyrig.files.streams import tell
    from verifyrig.line.parts import PartState, check_parts, parse_parts
    from verifyrig.system.parts import parts_of

    order = next((one for one in _line_state(context).ordered(args.unit or "", args.batch) if one.parts), None)
    if order is None or args.unit is None:
        return
    checks = check_parts(parse_parts(order.parts), parts_of(root))
    untold = [one.part for one in checks if one.state is PartState.NOT_TOLD]
    if untold and not context.json:
        tell(
            f"Not checked against order {plain_line(order.order, 40)}: this machine does not tell {', '.join(untold)}."
        )
    differing = [one for one in checks if one.state is PartState.DIFFERS]
    if not differing:
        return
    said = "; ".join(f"{one.part} is {plain_line(one.found, 60)}, ordered {one.expected}" for one in differing)
    why = args.other_parts
    if why is None and _may_ask(args, context):
        why = _ask_why_parts(TerminalAsker(), order, said)
    if not why:
        raise UsageError(
            f"not the parts of order {plain_line(order.order, 40)}: {said}",
            where=_WHERE,
            mend="Check the unit, or say why these are right: --other-parts TEXT.",
        )
    _note_parts(args, context, order, differing, why)


def _ask_why_parts(asker: Asker, order: Order, said: str) -> str:
    asker.say(f"Not the parts of order {order.order}: {said}.")
    return asker.line("Why are these right? (Enter: do not measure)").strip()[:500]


def _note_parts(
    args: argparse.Namespace, context: Context, order: Order, differing: Sequence[PartCheck], why: str
) -> None:
    from verifyrig.line.trail import TrailKind, append_entries

    by = at_the_bench(context.bench, args.by)
    if not by:
        raise UsageError("nobody is named who says so", where="--other-parts", mend="Say who: --by NAME.")
    differs = [{"part": one.part, "ordered": one.expected, "found": one.found} for one in differing]
    told = {"unit": order.unit, "batch": order.batch, "order": order.order, "differs": differs, "why": why[:500]}
    append_entries(context.bench, by, [(TrailKind.PARTS, told)])
