"""`verifyrig qa`: units against the limits, what they prove of those to come, and which of them stand out."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.core.errors import ExitCode, ProfileError, RecordError, UsageError
from verifyrig.core.plain_text import plain_line, plain_lines
from verifyrig.files.output_file import Output, check_place, write_output
from verifyrig.files.streams import tell

if TYPE_CHECKING:
    from datetime import datetime

    from verifyrig.core.interfaces import RunTable
    from verifyrig.core.profile import Profile
    from verifyrig.core.run_columns import RunFilter
    from verifyrig.metrology.verdict import Verdict
    from verifyrig.qa import QaFinding, UnitRun
    from verifyrig.qa.comparing import BuildsCompared
    from verifyrig.qa.contract import ProposalObject
    from verifyrig.qa.golden_charts import GoldenChart

ENDINGS = (".html", ".csv", ".xml")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `qa`."""
    parser.add_argument("records", nargs="*", metavar="RECORD", help="records (default: all runs of the profile)")
    parser.add_argument("--profile", metavar="NAME", help="whose thresholds the units are judged by (needed)")
    parser.add_argument(
        "--out", metavar="FILE", action="append", default=[], help="write .html, .csv or .xml (JUnit); may be repeated"
    )
    parser.add_argument("--batch", metavar="NAME", help="only units of this batch or model")
    parser.add_argument("--against", metavar="NAME", help="compare with the units of another batch or model")
    parser.add_argument(
        "--margin",
        metavar="METRIC=VALUE",
        action="append",
        default=[],
        help="a difference that would not matter; with --against",
    )
    parser.add_argument("--propose", metavar="FILE.toml", help="take limits from these units and write a profile")
    parser.add_argument("--of-bench", metavar="ID", help="only runs of this bench")
    parser.add_argument("--since", metavar="DATE", help="only runs from this day on, as 2026-03-01")
    parser.add_argument("--until", metavar="DATE", help="only runs before this day")
    parser.add_argument("--dataset", metavar="PLACE", help="take the runs from a dataset instead of this bench folder")
    parser.add_argument(
        "--table", action="store_true", help="only the capability table over all of them, for very many units"
    )
    parser.add_argument("--cluster", metavar="ADDRESS", help="compute on a Dask cluster, as tcp://host:8786")
    parser.add_argument("--cores", metavar="N", type=int, help="how many cores compute (default: all)")
    parser.add_argument("--schema", action="store_true", help="print the JSON Schema of what --json gives")


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Hold all comparable runs against the profile; write what was asked for."""
    from verifyrig.bench.find_profile import find_profile
    from verifyrig.qa import as_json, find, lines_of

    if args.schema:
        return _schema()
    if args.profile is None:
        raise UsageError("no profile is named", where="verifyrig qa", mend="Name one with --profile.")
    outs = [_out_path(text) for text in args.out]
    margins = _margins(args)
    profile = find_profile(args.profile, context.bench)
    if args.table:
        return _table(args, context, profile)
    source, asked = _source(args, context), _asked(args)
    runs = source.runs(profile, asked)
    # Units that were measured before the plan was changed are judged by what it was then; the newest unit decides.
    meant = _of_group(runs, args.batch) if args.batch else runs
    newest_first = sorted(meant, key=lambda run: run.started_utc_s, reverse=True)
    edition = find_profile(args.profile, context.bench, [run.recipe for run in newest_first if run.recipe])
    if edition.recipe != profile.recipe:
        profile = edition
        runs = source.runs(profile, asked)
    # A kept machine that is measured every week is no unit of a batch, unless nothing else is asked about.
    runs = [run for run in runs if run.unit not in context.bench.golden_units] or runs
    own = _of_group(runs, args.batch) if args.batch else runs
    if args.against and not args.batch:
        own = [run for run in runs if args.against not in (run.batch, run.model)]
    found = _with_line(find(own, profile), context, own)
    # Whoever asks for JSON reads no table, and ten thousand lines of one take their time.
    data, lines = as_json(found), [] if context.json else lines_of(found)
    compared = _compare(args, profile, found, runs, margins)
    if compared is not None:
        from verifyrig.qa.comparing import comparison_json, comparison_lines

        data["comparison"] = comparison_json(compared)
        lines += comparison_lines(compared)
    if args.propose:
        data["proposals"], more = _propose(Path(args.propose), found, profile)
        lines += more
    for path in outs:
        _write(path, found, compared, context, args)
    data["files"] = [str(path) for path in outs]
    return Answer(data=data, text=plain_lines([*lines, *data["files"]]), code=_code(found))


def _schema() -> Answer:
    from verifyrig.core.json_schema import schema_object, schema_text
    from verifyrig.qa.contract import QaObject

    return Answer(data=schema_object(QaObject), text=schema_text(QaObject).rstrip("\n"))


def _with_line(found: QaFinding, context: Context, runs: Sequence[UnitRun]) -> QaFinding:
    """Return the finding with what the line's trail says against it: holds, and limits that changed unexplained."""
    from verifyrig.line.limits import changed_limits, limits_of
    from verifyrig.line.state import state_of
    from verifyrig.line.trail import read_trail
    from verifyrig.metrology.verdict import Verdict, worst

    state, notes = state_of(read_trail(context.bench)), []
    held = dict.fromkeys(run.unit for run in runs if state.hold_of(run.unit, run.batch) is not None)
    if held:
        notes.append("on hold: " + ", ".join(held))
    name = found.profile.name
    if name in state.limits and changed_limits(state.limits[name], limits_of(found.profile)):
        notes.append(f"limits of {name} changed and nobody said why: `verifyrig line limits {name}`")
    if not notes:
        return found
    return replace(found, notes=(*found.notes, *notes), verdict=worst([found.verdict, Verdict.CONDITIONAL_PASS]))


def _table(args: argparse.Namespace, context: Context, profile: Profile) -> Answer:
    """Answer with the capability table alone; what points at single units is asked of a batch."""
    from verifyrig.bench.find_profile import find_profile
    from verifyrig.qa.capability_table import capability_table, recipes_newest_first
    from verifyrig.qa.table_words import table_json, table_lines

    for option, value in (("--out", args.out), ("--against", args.against), ("--propose", args.propose)):
        if value:
            mend = f"Leave --table out, or {option}."
            raise UsageError(f"{option} looks at single units, and --table has none", where="qa", mend=mend)
    source, asked = _source(args, context), _asked(args)
    columns = source.columns(profile, asked)
    edition = find_profile(args.profile, context.bench, recipes_newest_first(columns))
    if edition.recipe != profile.recipe:
        profile = edition
        columns = source.columns(profile, asked)
    found = capability_table(columns, profile)
    code = _code_of(found.verdict, broken=bool(columns.broken.any()))
    return Answer(data=table_json(found), text=plain_lines(table_lines(found)), code=code)


def _asked(args: argparse.Namespace) -> RunFilter:
    from verifyrig.core.run_columns import RunFilter

    # A batch to compare with is another one, so the batch is no filter of what is read then.
    batch = None if args.against else args.batch
    days = _day(args.since, "--since"), _day(args.until, "--until")
    return RunFilter(batch=batch, bench=args.of_bench, since=days[0], until=days[1])


def _source(args: argparse.Namespace, context: Context) -> RunTable[UnitRun]:
    """Return where the figures are taken from: a dataset, or the records of this bench."""
    from verifyrig.qa.index import BenchTable

    if args.cores is not None and args.cores < 1:
        raise UsageError(f"{args.cores} is no number of cores", where="--cores", mend="Give 1 or more.")
    if args.dataset is not None:
        from verifyrig.qa.dataset import Dataset

        if args.records:
            raise UsageError("records are named, and a dataset", where="qa", mend="Leave one of them out.")
        return Dataset(args.dataset)
    named = [context.bench.find_record(text) for text in args.records]
    return BenchTable(
        folder=context.bench.root,
        paths=named or context.bench.records(),
        named=bool(named),
        workers=args.cluster or args.cores,
        progress=_show_progress if not context.json and sys.stderr.isatty() else None,
    )


def _day(text: str | None, option: str) -> datetime | None:
    """Return the begin of a day, in UTC."""
    from datetime import UTC, datetime

    if text is None:
        return None
    try:
        return datetime.strptime(text, "%Y-%m-%d").replace(tzinfo=UTC)
    except ValueError:
        raise UsageError(f"{text!r} is no day", where=option, mend="Write it as 2026-03-01.") from None


def _show_progress(done: int, of: int) -> None:
    """Tell a person how far the computing is, in one line that is written over."""
    if of >= 20 and (done % 10 == 0 or done == of):
        tell(f"computing {done} of {of} records", end="\n" if done == of else "\r")


def _of_group(runs: Sequence[UnitRun], name: str) -> list[UnitRun]:
    """Return the runs of a batch or model; a record that cannot be read says of neither, and stays to be named."""
    found = [run for run in runs if name in (run.batch, run.model)]
    if not found:
        known = sorted({group for run in runs for group in (run.batch, run.model) if group})
        mend = f"Known are: {', '.join(known)}." if known else "Name units with `verifyrig run --batch`."
        raise RecordError(f"no run belongs to {name!r}", where="qa", mend=mend)
    return [run for run in runs if run.refused or name in (run.batch, run.model)]


def _margins(args: argparse.Namespace) -> dict[str, float]:
    margins = {}
    for text in args.margin:
        name, equals, value = text.partition("=")
        try:
            margins[name] = float(value)
        except ValueError:
            margins[name] = -1.0
        if not equals or not 0 < margins[name] < float("inf"):
            raise UsageError(
                f"{text!r} is no margin", where="--margin", mend="Write METRIC=VALUE, the value above 0 in its unit."
            )
    if margins and not args.against:
        raise UsageError("--margin needs --against", where="--margin", mend="Name the build to compare with.")
    return margins


def _compare(
    args: argparse.Namespace, profile: Profile, found: QaFinding, runs: Sequence[UnitRun], margins: dict[str, float]
) -> BuildsCompared | None:
    if not args.against:
        return None
    from verifyrig.qa import sort_out
    from verifyrig.qa.comparing import compare_builds

    other = sort_out(_of_group(runs, args.against), profile).counted
    names = [name for name, metric in found.metrics.items() if any(name in run.metrics for run in other) and metric.n]
    unknown = sorted(set(margins) - set(names))
    if unknown:
        raise UsageError(
            f"neither build has {unknown[0]!r}", where="--margin", mend=f"Metrics: {', '.join(names) or 'none'}."
        )
    own = found.sorted.counted
    return compare_builds((args.against, other), (args.batch or "the others", own), profile, names, margins)


def _propose(path: Path, found: QaFinding, profile: Profile) -> tuple[list[ProposalObject], list[str]]:
    """Write a profile with the proposed limits; return the proposals as data and as lines."""
    from verifyrig.bench.folder import check_id
    from verifyrig.plan.text import parse_profile
    from verifyrig.qa.proposing import (
        golden_units,
        profile_text_with,
        proposal_json,
        proposal_lines,
        propose_thresholds,
    )
    from verifyrig.report.page_file import write_page

    if path.suffix != ".toml":
        raise UsageError("a profile ends in .toml", where=f"--propose {path}", mend="Name a file such as golden.toml.")
    name = check_id(path.stem, "profile")
    if name in ("bench", "job"):
        raise UsageError(f"{path.name} is no profile", where=f"--propose {path}", mend="Name another file.")
    if os.path.lexists(path):
        raise ProfileError("there is such a file already", where=str(path), mend="Name another file, or remove it.")
    golden, odd = golden_units(found)
    proposals = propose_thresholds(golden, profile)
    lines = proposal_lines(proposals)
    lines += [f"  left out, since it stands out: {plain_line(unit, 24)} ({run}): {what}" for unit, run, what in odd]
    if not any(proposal.found for proposal in proposals):
        return proposal_json(proposals), [*lines, "No limit could be proposed, so no profile was written."]
    units = ", ".join(run.unit for run in golden[:5]) + (" and others" if len(golden) > 5 else "")
    units += " of simulated hardware" if any(run.simulated for run in golden) else ""
    text = profile_text_with(proposals, profile, name, f"golden units: {units}")
    parse_profile(text, origin=path.name)
    write_page(path, text)
    return proposal_json(proposals), [*lines, f"Written: {path}"]


_OUTPUTS = {".html": Output.PAGE, ".csv": Output.UNIT_TABLE, ".xml": Output.UNIT_TESTS}


def _out_path(text: str) -> Path:
    path = Path(text)
    if path.suffix.lower() not in ENDINGS:
        raise UsageError(
            f"{text!r} has none of the known endings", where="--out", mend=f"Use {', '.join(ENDINGS)} (JUnit)."
        )
    check_place(path, _OUTPUTS[path.suffix.lower()])
    return path


def _write(
    path: Path, found: QaFinding, compared: BuildsCompared | None, context: Context, args: argparse.Namespace
) -> None:
    from verifyrig.qa import as_csv, as_junit

    if path.suffix.lower() == ".csv":
        text = "\ufeff" + as_csv(found)  # the mark by which spreadsheets know UTF-8
    elif path.suffix.lower() == ".xml":
        text = as_junit(found)
    else:
        text = _page(found, compared, context, _golden(args, context, found.profile))
    write_output(path, text, _OUTPUTS[path.suffix.lower()])


def _golden(args: argparse.Namespace, context: Context, profile: Profile) -> Sequence[GoldenChart]:
    """Return what each bench shows of its golden units, whatever batch they were measured beside."""
    from datetime import UTC, datetime

    from verifyrig.qa.bench_check import check_bench

    names = context.bench.golden_units
    if not names:
        return ()
    every = argparse.Namespace(**{**vars(args), "batch": None, "against": None, "records": []})
    own = [run for run in _source(every, context).runs(profile, _asked(every)) if run.unit in names]
    return check_bench(own, [], profile, [], {}, datetime.now(UTC).date()).golden if own else ()


def _page(found: QaFinding, compared: BuildsCompared | None, context: Context, golden: Sequence[GoldenChart]) -> str:
    import time

    from verifyrig.report.gather import read_settings, read_shop
    from verifyrig.report.qa_page import qa_page

    return qa_page(found, read_shop(context.bench), read_settings(context.bench), time.time(), compared, golden)


def _code(found: QaFinding) -> ExitCode:
    return _code_of(found.verdict, broken=any(item.broken for item in found.sorted.left_out))


def _code_of(verdict: Verdict, *, broken: bool) -> ExitCode:
    from verifyrig.metrology.verdict import Verdict

    if verdict is Verdict.FAIL or broken:
        return ExitCode.FAILED
    return ExitCode.DONE if verdict is Verdict.PASS else ExitCode.NOT_PROVEN
