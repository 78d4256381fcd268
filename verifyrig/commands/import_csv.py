"""`verifyrig import`: bring a CSV of any logger as a record."""

from __future__ import annotations

import argparse
from pathlib import Path

from verifyrig.commands import Answer, Context
from verifyrig.commands.signing import sign_with_own_key
from verifyrig.commands.which_job import add_job_words, job_meant, name_at_place
from verifyrig.core.errors import ImportFault, UsageError
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.plain_text import plain_lines
from verifyrig.core.profile import Purpose
from verifyrig.files.foreign_file import FileKind, read_bytes

# Plain words: argparse prints a choice as Python writes it.
PURPOSES = tuple(purpose.value for purpose in Purpose)
_ENDS = (Outcome.COMPLETED.value, CauseClass.POWER_OFF.value)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `import`."""
    add = parser.add_argument
    add("file", metavar="FILE.csv", help="any separator, decimal point or comma, UTF-8, UTF-16 or Windows-1252")
    add("--time", required=True, metavar="COLUMN", help="seconds (or COLUMN:ms, :min, :h) or ISO times")
    add("--channel", action="append", required=True, metavar="NAME=COLUMN[:UNIT]", help="e.g. die_temp_c=temp:°F")
    add("--stage", action="append", required=True, metavar="NAME[:KIND]=START:END", help="seconds, END exclusive")
    add("--where", action="append", default=[], metavar="COLUMN=VALUE", help="keep only these rows")
    add("--ambient", metavar="C[±U]", help="room temperature, °C, and its uncertainty, K")
    add("--ended", choices=_ENDS, default=Outcome.COMPLETED.value, help="how the run ended")
    add("--profile", metavar="NAME", help="whose thresholds to judge by (none: no thresholds)")
    add_job_words(parser, "the job it belongs to (else the open one)")
    add(
        "--as",
        dest="purpose",
        metavar="PURPOSE",
        choices=PURPOSES,
        default=Purpose.CHECK.value,
        help=", ".join(PURPOSES),
    )


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Read the file, write a record, and answer with its metrics."""
    from verifyrig.bench.find_profile import find_profile
    from verifyrig.files.csv_table import decode, read_table
    from verifyrig.files.typed_values import parse_ambient
    from verifyrig.runs.csv_import import (
        parse_channel_word,
        parse_stage_words,
        parse_time_word,
        parse_where_words,
        samples_of,
    )
    from verifyrig.runs.import_record import ImportOrder
    from verifyrig.runs.import_whole import bring_in
    from verifyrig.runs.summary import sentences_of

    channels = [parse_channel_word(word) for word in args.channel]
    if len({entry.channel for entry in channels}) != len(channels):
        raise UsageError("a channel is named twice", where="--channel", mend="Give each channel one column.")
    stages, where = parse_stage_words(args.stage), parse_where_words(args.where)
    time_column, time_unit_s = parse_time_word(args.time)
    path = Path(args.file)
    data = _read(path)
    wanted = [time_column, *(entry.column for entry in channels)]
    table = read_table(decode(data, path.name), wanted, where, path.name)
    samples = samples_of(table, time_column, channels, time_unit_s=time_unit_s)
    meant = job_meant(context, args.job, args.place)
    job = meant.job_id if meant is not None else None
    order = ImportOrder(
        origin=path.name,
        data=data,
        channels=channels,
        stages=stages,
        ended=args.ended,
        ambient=parse_ambient(args.ambient) if args.ambient else None,
        profile=find_profile(args.profile, context.bench) if args.profile else None,
        job=job,
        purpose=args.purpose,
        where=where,
    )
    record, summary = bring_in(context.bench.writable(context.bench.runs_dir(job)), samples, order)
    sign_with_own_key(record)
    head = [name_at_place(context, meant)] if meant is not None else []
    notes = [f"{n} rows left out: {why}." for why, n in samples.left_out.items()]
    return Answer(data=summary, text=plain_lines([*head, *sentences_of(summary), *notes]))


def _read(path: Path) -> bytes:
    try:
        return read_bytes(path, FileKind.TABLE)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise ImportFault(f"cannot be read ({why})", where=str(path), mend="Check the path and its rights.") from error
