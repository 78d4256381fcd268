"""`verifyrig runs`: the records of this bench; take over records of another."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verifyrig.commands import Answer, Context
from verifyrig.core.errors import ExitCode, RecordError, UsageError
from verifyrig.core.plain_text import plain_line, plain_lines

if TYPE_CHECKING:
    from collections.abc import Mapping

    from verifyrig.core.trace import FloatArray
    from verifyrig.jobs.take_over import Collected
    from verifyrig.runs.contract import CollectedObject, PairedObject, RunRow, RunsObject


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `runs`."""
    parser.add_argument("--verify", action="store_true", help="with --collect: read again what was taken over before")
    parser.add_argument("--collect", metavar="DIR", help="first take over records and jobs of another bench folder")
    parser.add_argument(
        "--pair",
        nargs=2,
        metavar=("A", "B"),
        help="bring B onto A's time axis by the load steps: machine and bench computer",
    )
    parser.add_argument("--out", metavar="FILE.csv", help="with --pair: the channels of both on A's times")


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """List all runs, oldest first; exit code 1 where a record to collect was refused because it was altered."""
    from verifyrig.runs.run_list import list_runs

    if args.pair is not None:
        return _pair(args.pair[0], args.pair[1], args.out, context)
    if args.out is not None:
        raise UsageError("--out needs --pair", where="--out", mend="Name two records, as in --pair first last.")
    done = _collect(args.collect, context, verify=args.verify) if args.collect is not None else None
    rows = list_runs(context.bench)
    data: RunsObject = {"runs": rows}
    lines = _lines(rows)
    if done is None:
        return Answer(data=data, text=plain_lines(lines))
    data["collected"] = _as_json(done)
    code = ExitCode.FAILED if done.altered else ExitCode.DONE
    return Answer(data=data, text=plain_lines([*_collected_lines(done), "", *lines]), code=code)


def _pair(first: str, second: str, out: str | None, context: Context) -> Answer:
    """Tell how two records lie to one another in time, and write both on one axis where a file is named."""
    from verifyrig.record import read_trace
    from verifyrig.runs.pairing import on_one_axis, pair

    own, other = (read_trace(context.bench.find_record(text)) for text in (first, second))
    found = pair(own, other)
    if found is None:
        raise RecordError(
            "one of the two has no sample", where=f"{first}, {second}", mend="Name two records that were recorded."
        )
    if out is not None:
        _write_pair(Path(out), *on_one_axis(own, other, found))
    by = (
        f"{found.steps} load steps, apart by at most {found.spread_s:.1f} s" if found.steps else "the wall clocks alone"
    )
    text = f"Add {found.offset_s:+.1f} s to the times of {other.run_id} to get those of {own.run_id} (by {by})."
    data: PairedObject = {
        "pair": {
            "first": own.run_id,
            "second": other.run_id,
            "offset_s": found.offset_s,
            "edges": found.steps,
            "spread_s": found.spread_s,
            "how": found.how,
            "file": out,
        }
    }
    return Answer(data=data, text=plain_lines([text] if out is None else [text, out]))


def _write_pair(path: Path, t_s: FloatArray, columns: Mapping[str, FloatArray]) -> None:
    """Write time and channels of both as CSV; an empty cell is no reading."""
    import csv

    import numpy as np

    from verifyrig.files.output_file import Output, output

    with output(path, Output.RECORD_TABLE) as file:
        writer = csv.writer(file)
        writer.writerow(["t_s [s]", *columns])
        for i, t in enumerate(t_s):
            row = (float(values[i]) for values in columns.values())
            writer.writerow([f"{t:.3f}", *("" if np.isnan(value) else repr(value) for value in row)])


def _collect(folder: str, context: Context, *, verify: bool) -> Collected:
    from verifyrig.jobs.take_over import collect

    return collect(context.bench, Path(folder), verify=verify)


def _as_json(done: Collected) -> CollectedObject:
    return {
        "taken": [str(path) for path in done.taken],
        "had": [str(path) for path in done.had],
        "refused": [{"record": str(path), "why": why} for path, why in done.refused],
        "jobs": dict(done.jobs),
        "notes": list(done.notes),
    }


def _collected_lines(done: Collected) -> list[str]:
    lines = [f"Records taken over: {len(done.taken)}; here already: {len(done.had)}."]
    lines += [f"Job {job}: {entries} entries taken over." for job, entries in done.jobs.items() if entries]
    lines += [f"REFUSED {path}: {why}." for path, why in done.refused]
    return [*lines, *(f"{note[0].upper()}{note[1:]}." for note in done.notes)]


def _lines(rows: list[RunRow]) -> list[str]:
    if not rows:
        return ["There is no record in this bench folder yet."]
    head = f"{'run':<21}  {'job':<16}  {'profile':<18}  {'purpose':<12}  {'ended':<24}  verdict"
    return [head, *(_line(row) for row in rows)]


def _line(row: RunRow) -> str:
    ended = row["outcome"] if row["cause"] is None else f"{row['outcome']}, {row['cause'].get('class')}"
    words = [row["run"], row["job"], row["profile"], row["purpose"]]
    cells = [_cell(word, width) for word, width in zip(words, (21, 16, 18, 12), strict=True)]
    tail = " (simulated hardware)" if row["simulated"] else ""
    return f"{'  '.join(cells)}  {ended:<24}  {row['verdict']}{tail}{_damage(row)}"


def _cell(word: Any, width: int) -> str:
    """Return text from outside as one cell that cannot drive the terminal."""
    text = plain_line("-" if word is None else word, width)
    return f"{text:<{width}}"


def _damage(row: RunRow) -> str:
    remark = row.get("damage") or row.get("note")
    return f"  ({remark})" if remark else ""
