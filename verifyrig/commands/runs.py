"""`verifyrig runs`: the records of this bench; take over records of another."""

from __future__ import annotations

import argparse
from typing import Any

from verifyrig.commands import Answer, Context


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `runs`."""
    parser.add_argument("--collect", metavar="DIR", help="first take over records and jobs of another bench folder")


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """List all runs, oldest first."""
    from verifyrig.run_list import list_runs

    rows = list_runs(context.bench)
    return Answer(data={"runs": rows}, text="\n".join(_lines(rows)))


def _lines(rows: list[dict[str, Any]]) -> list[str]:
    if not rows:
        return ["There is no record in this bench folder yet."]
    head = f"{'run':<21}  {'job':<16}  {'profile':<18}  {'purpose':<12}  {'ended':<24}  verdict"
    return [head, *(_line(row) for row in rows)]


def _line(row: dict[str, Any]) -> str:
    ended = row["outcome"] if row["cause"] is None else f"{row['outcome']}, {row['cause'].get('class')}"
    words = [row["run"], row["job"], row["profile"], row["purpose"]]
    cells = [_cell(word, width) for word, width in zip(words, (21, 16, 18, 12), strict=True)]
    tail = " (simulated hardware)" if row["simulated"] else ""
    return f"{'  '.join(cells)}  {ended:<24}  {row['verdict']}{tail}{_damage(row)}"


def _cell(word: Any, width: int) -> str:
    """Return text from outside as one cell that cannot drive the terminal."""
    text = "".join(c if c.isprintable() else "?" for c in str(word if word is not None else "-"))
    return f"{text[:width]:<{width}}"


def _damage(row: dict[str, Any]) -> str:
    return f"  {row['damage']}" if "damage" in row else ""
