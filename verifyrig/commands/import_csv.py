"""`verifyrig import`: bring a CSV of any logger as a record."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.signing import sign_with_own_key
from verifyrig.commands.which_job import add_job_words, job_meant, name_at_place
from verifyrig.core.errors import ImportFault, UsageError
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.plain_text import plain_lines
from verifyrig.core.profile import Purpose
from verifyrig.dialogs.prompt import Option, TerminalAsker, can_ask
from verifyrig.files.foreign_file import FileKind, read_bytes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verifyrig.files.csv_table import TextTable
    from verifyrig.jobs.model import Job
    from verifyrig.runs.csv_import import Imported, UnclearTimesFault
    from verifyrig.runs.import_words import ChannelColumn, TimeWords

# Plain words: argparse prints a choice as Python writes it.
PURPOSES = tuple(purpose.value for purpose in Purpose)
_ORDERS = ("dmy", "mdy", "ymd")
_ENDS = (Outcome.COMPLETED.value, CauseClass.POWER_OFF.value)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `import`."""
    add = parser.add_argument
    add("file", metavar="FILE.csv", help="any separator, decimal point or comma, UTF-8, UTF-16 or Windows-1252")
    add("--time", metavar="COLUMN", help="seconds (or COLUMN:ms, :min, :h), ISO times, dates, a clock (:hh:mm, :mm:ss)")
    add("--date", metavar="COLUMN", help="the column of the date, where it is another than that of the time")
    add("--date-order", choices=_ORDERS, help="what 03/04/2026 is, where the log does not show it")
    add("--period", metavar="SECONDS", help="from row to row, where no column holds the time")
    add("--started", metavar="TIME", help="when the first row was written (ISO), where the log names no date")
    add("--no-head", action="store_true", help="no row names the columns: they are 1, 2, 3, ...")
    add("--channel", action="append", required=True, metavar="NAME=COLUMN[:UNIT]", help="e.g. die_temp_c=temp:°F")
    add("--stage", action="append", required=True, metavar="NAME[:KIND]=START:END", help="seconds, END exclusive")
    add("--where", action="append", default=[], metavar="COLUMN=VALUE", help="keep only these rows")
    add("--ambient", metavar="C[±U]", help="room temperature, °C, and its uncertainty, K")
    add("--ended", choices=_ENDS, default=Outcome.COMPLETED.value, help="how the run ended")
    add("--profile", metavar="NAME", help="whose thresholds to judge by (none: no thresholds)")
    add_job_words(parser, "the job it belongs to (else the open one)")
    add("--without-job", action="store_true", help="keep it with no job, also where one is open")
    add("--unit", metavar="NAME", help="which unit of a build line")
    add("--batch", metavar="NAME", help="which batch the unit is of")
    add("--rework", metavar="CODE", help="why this unit was measured again: what was changed on it")
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
    from verifyrig.files.typed_values import parse_ambient, short_name
    from verifyrig.jobs.runs import defaults_for
    from verifyrig.runs.csv_import import with_load
    from verifyrig.runs.import_record import ImportOrder
    from verifyrig.runs.import_remarks import imported_lines, imported_object
    from verifyrig.runs.import_whole import bring_in
    from verifyrig.runs.import_words import parse_channel_word, parse_stage_words, parse_time_words, parse_where_words
    from verifyrig.runs.summary import sentences_of

    channels = [parse_channel_word(word) for word in args.channel]
    if len({entry.channel for entry in channels}) != len(channels):
        raise UsageError("a channel is named twice", where="--channel", mend="Give each channel one column.")
    stages, where = parse_stage_words(args.stage), parse_where_words(args.where)
    time = parse_time_words(args.time, args.date, args.date_order, args.period, args.started)
    unit, batch = short_name(args.unit, "--unit"), short_name(args.batch, "--batch")
    path = Path(args.file)
    data = _read(path)
    table = read_table(
        decode(data, path.name),
        [*time.columns, *(entry.column for entry in channels)],
        where,
        path.name,
        has_head=not args.no_head,
        went_dark=args.ended == CauseClass.POWER_OFF,
    )
    samples = with_load(_samples(table, time, channels, context), stages)
    meant = _job_of(args, context)
    job = meant.job_id if meant is not None else None
    recipes = defaults_for(context.bench, meant).recipes
    order = ImportOrder(
        origin=path.name,
        data=data,
        channels=channels,
        stages=stages,
        ended=args.ended,
        ambient=parse_ambient(args.ambient) if args.ambient else None,
        profile=find_profile(args.profile, context.bench, recipes) if args.profile else None,
        job=job,
        unit=unit,
        batch=batch,
        rework=short_name(args.rework, "--rework"),
        purpose=args.purpose,
        where=where,
    )
    record, summary = bring_in(context.bench.writable(context.bench.runs_dir(job)), samples, order)
    sign_with_own_key(record)
    summary["imported"] = imported = imported_object(samples, path.name, stages)
    head = [name_at_place(context, meant)] if meant is not None else []
    notes = imported_lines(imported, samples)
    return Answer(data=summary, text=plain_lines([*head, *sentences_of(summary), *([""] if notes else []), *notes]))


def _job_of(args: argparse.Namespace, context: Context) -> Job | None:
    if not args.without_job:
        return job_meant(context, args.job, args.place)
    if args.job is not None:
        raise UsageError("a job is named", where="--without-job", mend="Leave --job or --without-job out.")
    return None


def _samples(table: TextTable, time: TimeWords, channels: Sequence[ChannelColumn], context: Context) -> Imported:
    """Return the rows as samples; a person at the terminal is asked what a date or a clock means."""
    from verifyrig.runs.csv_import import UnclearTimesFault, samples_of

    try:
        return samples_of(table, time, channels)
    except UnclearTimesFault as fault:
        if not can_ask(json=context.json):
            raise
        return samples_of(table, _told(time, fault), channels)


def _told(time: TimeWords, fault: UnclearTimesFault) -> TimeWords:
    from verifyrig.files.csv_times import DateOrder

    labels = {
        "dmy": "day, month, year",
        "mdy": "month, day, year",
        "ymd": "year, month, day",
        "hh:mm": "hours and minutes",
        "mm:ss": "minutes and seconds",
    }
    options = [Option(key=way[0], label=labels[way]) for way in fault.ways]
    key = TerminalAsker().choose(f"{fault.where}: {fault.what}. What does it mean?", options)
    chosen = next(way for way in fault.ways if way[0] == key)
    return replace(time, order=chosen) if isinstance(chosen, DateOrder) else replace(time, clock=chosen)


def _read(path: Path) -> bytes:
    try:
        return read_bytes(path, FileKind.TABLE)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise ImportFault(f"cannot be read ({why})", where=str(path), mend="Check the path and its rights.") from error
