"""`verifyrig demo`: a whole invented job on simulated hardware, in its own bench folder."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.demo_stories import DEFAULT_CASE
from verifyrig.core.errors import UsageError
from verifyrig.core.plain_text import plain_line
from verifyrig.files.streams import tell

if TYPE_CHECKING:
    from verifyrig.commands.contract import DemoObject


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `demo`."""
    parser.add_argument("--case", metavar="CASE", default=DEFAULT_CASE, help=f"what is wrong (default {DEFAULT_CASE})")
    parser.add_argument("--out", metavar="DIR", default="verifyrig-demo", help="bench folder of the demo")


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Take an invented machine in, measure, change one thing, measure again, write the report."""
    from verifyrig.commands.demo_job import run_demo
    from verifyrig.rig.simulated import simulated_cases

    if args.case not in simulated_cases():
        raise UsageError(
            f"there is no simulated case {args.case!r}",
            where="--case",
            mend="Cases: " + ", ".join(simulated_cases()) + ".",
        )
    done = run_demo(Path(args.out), args.case, say=tell)
    text = f"\n{plain_line(done.sentence)}\nReport: {plain_line(done.report)}"
    data: DemoObject = {"job": done.job, "runs": done.runs, "report": str(done.report), "simulated": True}
    return Answer(data=data, text=text)
