"""`verifyrig metrics`: the figures of a record, each with its uncertainty."""

from __future__ import annotations

import argparse
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.evidence import warned_integrity
from verifyrig.core.errors import UsageError
from verifyrig.core.plain_text import plain_lines

if TYPE_CHECKING:
    from verifyrig.runs.contract import BudgetLine, MetricObject


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `metrics`."""
    parser.add_argument("record", metavar="RECORD", help="path, run id, unique prefix of one, `first` or `last`")
    parser.add_argument("--until", metavar="SECONDS", type=_seconds, help="answer as of that moment of the record")
    parser.add_argument("--budget", action="store_true", help="show where each uncertainty comes from")


def _seconds(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of seconds") from None
    if not math.isfinite(value) or value < 0:
        raise argparse.ArgumentTypeError(f"{text!r} must be 0 or more")
    return value


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Compute all metrics of one record, or of its first `--until` seconds."""
    from verifyrig.analysis import metrics_of
    from verifyrig.core.errors import kept_to
    from verifyrig.record import read_trace
    from verifyrig.runs.summary import budget_of, sentences_of, summary_of

    path = context.bench.find_record(args.record)
    trace = read_trace(path)
    integrity = warned_integrity([path])[path]
    if args.until is not None:
        if len(trace.t_s) and args.until < trace.t_s[0]:
            raise UsageError(
                f"the record's first sample is at {trace.t_s[0]:.1f} s", where="--until", mend="Give a later moment."
            )
        trace = trace.until(args.until)
    with kept_to(path):
        metrics = metrics_of(trace)
        data = summary_of(trace, str(path), metrics, integrity=integrity)
    lines = sentences_of(data)
    if args.budget:
        data["budget"] = budget_of(metrics)
        lines += ["", *_budget_lines(data["budget"], data["metrics"])]
    return Answer(data=data, text=plain_lines(lines))


def _budget_lines(budgets: Mapping[str, list[BudgetLine]], metrics: Mapping[str, MetricObject]) -> list[str]:
    lines = ["Uncertainty budgets (standard uncertainties, k = 1)"]
    for name, entries in budgets.items():
        unit = metrics[name]["unit"]
        lines.append(f"{name}, {unit}")
        lines += [f"  {entry['name']:<40} {entry['contribution']:.3g}" for entry in entries]
    return lines
