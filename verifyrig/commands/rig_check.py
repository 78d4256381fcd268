"""`verifyrig rig-check`: is the bench itself still right."""

from __future__ import annotations

import argparse
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, NamedTuple

from verifyrig.commands import Answer, Context
from verifyrig.core.errors import ExitCode, UsageError
from verifyrig.core.plain_text import plain_line, plain_lines
from verifyrig.files.streams import tell

if TYPE_CHECKING:
    from verifyrig.qa import UnitRun
    from verifyrig.qa.bench_check import Calibrated
    from verifyrig.qa.contract import RigCheckObject


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `rig-check`."""
    parser.add_argument("records", nargs="*", metavar="RECORD", help="records (default: all runs of the profile)")
    parser.add_argument("--profile", metavar="NAME", help="the profile of those runs (else bench.toml, rig_check)")
    parser.add_argument(
        "--golden", metavar="UNIT", action="append", default=[], help="a kept machine, run every week; may be repeated"
    )


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Chart the golden units, study the gauge, and look at the dates of the calibrations."""
    from verifyrig.bench.find_profile import find_profile
    from verifyrig.metrology.verdict import Verdict
    from verifyrig.qa.bench_check import FACTORS, check_bench
    from verifyrig.qa.bench_words import check_json, check_lines
    from verifyrig.qa.index import collect_runs

    settings = _settings(context)
    golden = set(args.golden or settings.golden)
    profile = find_profile(_profile_name(args, settings), context.bench)
    named = [context.bench.find_record(text) for text in args.records]
    runs = collect_runs(
        context.bench.root,
        named or context.bench.records(),
        lambda _name: True,
        profile=None if named else profile,
    )
    studied = [run for run in runs if any(factor in run.states for factor in FACTORS)]
    today = datetime.now(UTC).date()
    found = check_bench(_golden_runs(runs, golden), studied, profile, _calibrated(context), _matches(context), today)
    code = {Verdict.PASS: ExitCode.DONE, Verdict.FAIL: ExitCode.FAILED}.get(found.verdict, ExitCode.NOT_PROVEN)
    if any(item.broken for item in found.left_out):
        code = ExitCode.FAILED
    data: RigCheckObject = {"profile": profile.name, **check_json(found)}
    return Answer(data=data, text=plain_lines(check_lines(found)), code=code)


def _golden_runs(runs: list[UnitRun], golden: set[str]) -> list[UnitRun]:
    missing = sorted(golden - {run.unit for run in runs})
    if missing:
        tell(f"verifyrig: no run of golden unit {', '.join(plain_line(name, 60) for name in missing)}")
    return [run for run in runs if run.unit in golden]


class _Settings(NamedTuple):
    """Table `rig_check` of bench.toml: names of the golden units, and the profile."""

    golden: tuple[str, ...]
    profile: str


def _settings(context: Context) -> _Settings:
    table = context.bench.config.get("rig_check", {})
    return _Settings(tuple(table.get("golden", ())), table.get("profile") or "")


def _profile_name(args: argparse.Namespace, settings: _Settings) -> str:
    name = args.profile or settings.profile
    if not name:
        raise UsageError(
            "no profile is named", where="rig-check", mend="Use --profile, or set profile in bench.toml, [rig_check]."
        )
    return str(name)


def _calibrated(context: Context) -> list[Calibrated]:
    from verifyrig.qa.bench_check import Calibrated

    return [
        Calibrated(channel=name, calibrated=_date(table.get("calibrated")), due=_date(table.get("due")))
        for name, table in context.bench.config.get("channel", {}).items()
        if "calibrated" in table
    ]


def _date(value: object) -> date | None:
    return value.date() if isinstance(value, datetime) else value if isinstance(value, date) else None


def _matches(context: Context) -> dict[str, str]:
    """Return, for probes that were matched to another, what the match says, in words."""
    return {
        name: f"{table['correction']:+.2f} ± {table['expanded_uncertainty']:.2f} K to agree with {table['matched_to']}"
        for name, table in context.bench.config.get("channel", {}).items()
        if {"matched_to", "correction", "expanded_uncertainty"} <= set(table)
    }
