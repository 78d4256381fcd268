"""`verifyrig job ACTION`: a machine comes in, is worked on, measured, closed, handed over; found again, put right."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from verifyrig.commands import (
    Answer,
    Context,
    job_counter,
    job_end,
    job_list,
    job_open,
    job_paper,
    job_show,
    job_upkeep,
    job_work,
)
from verifyrig.commands.job_answer import add_job_and_by
from verifyrig.commands.who import ask_who
from verifyrig.dialogs.prompt import Asker, TerminalAsker, can_ask
from verifyrig.files.streams import tell

_SHOWS = ("show", "list", "total", "slip", "labels")  # actions that write nothing into a job
_ACTIONS: dict[str, Callable[[argparse.Namespace, Context, Asker | None], Answer]] = {
    "open": job_open.open_job,
    "show": job_show.show_job,
    "change": job_work.change,
    "finding": job_work.finding,
    "close": job_end.close,
    "handover": job_end.handover,
    "place": job_work.put,
    "slip": job_paper.slip,
    "sign": job_paper.sign,
    "labels": job_paper.labels,
    "labour": job_counter.labour,
    "total": job_counter.total,
    "note": job_counter.note,
    "correct": job_upkeep.correct,
    "cancel": job_upkeep.cancel,
    "delete": job_upkeep.delete,
    "clear": job_upkeep.clear,
    "list": job_list.list_jobs,
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the sub-commands."""
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)

    def action(name: str, help_line: str) -> argparse.ArgumentParser:
        sub = actions.add_parser(name, help=help_line, description=help_line[0].upper() + help_line[1:] + ".")
        # After the action too; left out there, the value before the action stands.
        sub.add_argument("--bench", metavar="DIR", default=argparse.SUPPRESS, help=argparse.SUPPRESS)
        sub.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS)
        return sub

    job_open.add_open(action("open", "take a machine in: asks on a terminal, else takes flags or a file"))
    job_show.add_show(action("show", "one screen: time line of runs, changes and findings, and what is open"))
    for name, add, help_line in (
        ("change", job_work.add_change, "record what was done to the machine"),
        ("finding", job_work.add_finding, "note what was seen, heard or read by hand"),
        ("close", job_end.add_close, "close the job with its cause; refuses what is not finished"),
        ("handover", job_end.add_handover, "note the pickup"),
        ("place", job_work.add_put, "say on which place of the bench a machine stands"),
        ("slip", job_paper.add_slip, "the intake slip: one page that the customer signs"),
        ("sign", job_paper.add_sign, "note that the printed intake slip was signed"),
        ("labels", job_paper.add_labels, "labels for machine, bag and probe"),
        ("labour", job_counter.add_labour, "note what was worked, by time or at a price"),
        ("total", job_counter.add_total, "parts, labour, tax and sum for the counter"),
        ("note", job_counter.add_note, "a note for the next shift"),
        ("correct", job_upkeep.add_correct, "put a fact of the intake right, or take an entry back"),
        ("cancel", job_upkeep.add_reason, "end a job without a repair"),
    ):
        sub = action(name, help_line)
        add(sub)
        add_job_and_by(sub)
    for name, add, help_line in (
        ("delete", job_upkeep.add_delete, "take away a job that nobody signed, with all that belongs to it"),
        ("clear", job_upkeep.add_clear, "take the personal data of a job that is over away"),
    ):
        sub = action(name, help_line)
        add(sub)
        sub.add_argument("--by", metavar="NAME", help="who says so (default: the operator of bench.toml)")
    job_list.add_arguments(action("list", "all jobs of this bench, or those that hold some words"))


def execute(args: argparse.Namespace, context: Context, asker: Asker | None = None) -> Answer:
    """Do one action; `asker` stands in for the terminal."""
    for line in job_upkeep.clear_due(context):
        tell(line)
    if asker is None and can_ask(json=context.json):
        asker = TerminalAsker()
        if args.action not in _SHOWS and not getattr(args, "by", None):
            ask_who(context.bench, asker)
    return _ACTIONS[args.action](args, context, asker)
