"""`verifyrig export`: a record as CSV."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from verifyrig.commands import Answer, Context
from verifyrig.commands.evidence import warned_integrity
from verifyrig.core.plain_text import plain_line

if TYPE_CHECKING:
    from verifyrig.commands.contract import ExportObject
    from verifyrig.core.trace import Trace


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `export`."""
    parser.add_argument("record", metavar="RECORD", help="path, run id, unique prefix of one, `first` or `last`")
    parser.add_argument("--out", metavar="FILE.csv", help="where to write it (else stdout; with --json RUN.csv here)")


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Write the samples of a record as CSV."""
    from verifyrig.record import read_trace

    record = context.bench.find_record(args.record)
    trace = read_trace(record)
    warned_integrity([record])
    if args.out is None and not context.json:
        return Answer(write=lambda stdout: _write_to(trace, stdout))
    out = Path(args.out) if args.out is not None else Path(f"{record.stem}.csv")
    rows = _write_whole(trace, out)
    text = f"{rows} samples of run {plain_line(trace.run_id)} written to {plain_line(out)}."
    data: ExportObject = {"run": trace.run_id, "out": str(out), "rows": rows}
    return Answer(data=data, text=text)


def _write_to(trace: Trace, stdout: TextIO) -> None:
    """Write to stdout as to a file: in UTF-8, with the line ends of the CSV."""
    from verifyrig.runs.csv_export import write_csv

    stdout.reconfigure(encoding="utf-8", newline="")  # type: ignore[attr-defined]
    write_csv(trace, stdout)


def _write_whole(trace: Trace, out: Path) -> int:
    from verifyrig.files.output_file import Output, output
    from verifyrig.runs.csv_export import write_csv

    # The byte-order mark lets a spreadsheet read it as UTF-8.
    with output(out, Output.RECORD_TABLE, encoding="utf-8-sig") as file:
        return write_csv(trace, file)
