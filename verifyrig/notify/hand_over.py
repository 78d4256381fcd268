"""From a run or an alarm to notices that wait, and the process that delivers them; a run neither waits nor fails."""

from __future__ import annotations

import hashlib
import os
import secrets
import subprocess
import sys
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from verifyrig.bench.folder import Bench
from verifyrig.bench.notice_targets import NoticeEvent, NoticeTarget, targets_of
from verifyrig.core.errors import RigError
from verifyrig.core.plain_json import plain_json
from verifyrig.core.plain_text import plain_line
from verifyrig.files.own_settings import why_not_own
from verifyrig.files.streams import tell
from verifyrig.notify.contract import NoticeAlarm, NoticeObject, NoticeRun
from verifyrig.notify.spool import SPOOL_NAME, Spool
from verifyrig.runs.contract import RunObject

__all__ = [
    "Facts",
    "alarm_notice",
    "for_target",
    "hand_over",
    "notice_of_record",
    "run_notice",
    "spool_of",
    "start_delivery",
    "targets_allowed",
    "trial",
]

Facts = Mapping[str, str | None]
"""Batch, operator and bench of a run, which its summary does not hold."""

_DELIVERING: list[subprocess.Popen[bytes]] = []


def targets_allowed(bench: Bench) -> tuple[tuple[NoticeTarget, ...], str]:
    """Return whom bench.toml names, and why nothing is sent; both empty where it names nobody."""
    targets = targets_of(bench.config)
    refused = why_not_own(bench.root / "bench.toml") if targets else ""
    return (() if refused else targets), refused


def spool_of(bench: Bench) -> Spool:
    """Return where the notices of a bench folder wait; of one that others write to as well, on this computer's disk."""
    if not bench.is_shared:
        return Spool(bench.root / SPOOL_NAME)
    base = os.environ.get("XDG_DATA_HOME") or os.environ.get("LOCALAPPDATA") or str(Path.home() / ".local" / "share")
    own = hashlib.sha256(os.fsencode(bench.root.resolve())).hexdigest()[:12]
    return Spool(Path(base) / "verifyrig" / f"notices-{own}.sqlite")


def run_notice(summary: RunObject, facts: Facts, *, notice_id: str = "") -> NoticeObject:
    """Return the notice of a run, its number still 0; all that may go out stands in it, the personal part too."""
    of_customer = summary["job"] is not None
    run: NoticeRun = {
        "run": summary["run"],
        "unit": None if of_customer else summary["unit"],
        "batch": None if of_customer else facts.get("batch"),
        "profile": summary["profile"],
        "recipe": summary["recipe"],
        "purpose": summary["purpose"],
        "simulated": summary["simulated"],
        "outcome": summary["outcome"],
        "verdict": summary["verdict"],
        "integrity": summary["integrity"],
        "trip": summary["trip"],
        "figures": [
            {
                "metric": one["metric"],
                "value": one["value"],
                "unit": summary["metrics"][one["metric"]]["unit"] if one["metric"] in summary["metrics"] else "",
                "u95": one["u95"],
                "min": one.get("min"),
                "max": one.get("max"),
                "verdict": one["verdict"],
            }
            for one in summary["thresholds"]
        ],
        "job": summary["job"],
        "operator": facts.get("operator"),
    }
    # One id for one run, so that one told again is known for what it is.
    return _notice(NoticeEvent.RUN, facts, notice_id or f"run-{summary['run']}", run=run)


def notice_of_record(record: Path) -> NoticeObject:
    """Return the notice of a run from its record, as of now."""
    from verifyrig.record import read_trace
    from verifyrig.record.check import integrity_of
    from verifyrig.runs.summary import summary_of

    trace = read_trace(record)
    facts = trace.recorded
    summary = summary_of(trace, str(record), integrity=integrity_of(record)[0])
    return run_notice(summary, {"batch": facts.batch, "operator": facts.operator, "bench": facts.bench})


def alarm_notice(alarm: NoticeAlarm, facts: Facts, *, notice_id: str = "") -> NoticeObject:
    """Return the notice of an alarm."""
    return _notice(NoticeEvent.ALARM, facts, notice_id or f"alarm-{secrets.token_hex(8)}", alarm=alarm)


def trial(bench: str | None) -> NoticeObject:
    """Return a notice that tells of nothing but that it arrives."""
    return _notice(NoticeEvent.TRIAL, {"bench": bench}, f"trial-{secrets.token_hex(8)}")


def _notice(
    event: NoticeEvent, facts: Facts, notice_id: str, run: NoticeRun | None = None, alarm: NoticeAlarm | None = None
) -> NoticeObject:
    made = datetime.now(UTC).isoformat(timespec="seconds")
    found: NoticeObject = {
        "schema": 1, "id": notice_id, "number": 0, "event": event, "made": made, "bench": facts.get("bench"),
        "run": run, "alarm": alarm,
    }  # fmt: skip
    return found


def hand_over(bench: Bench, notice: NoticeObject, *, quiet: bool = False) -> bool:
    """Keep a notice for everybody who wants it and start the delivery; return whether somebody does.

    Whatever goes wrong here is told in a line and changes nothing else.
    """
    targets, refused = targets_allowed(bench)
    if refused and not quiet:
        tell(f"verifyrig: [[notify]] sends nothing: {plain_line(refused)}.")
    wanting = [one for one in targets if notice["event"] in (*one.events, NoticeEvent.TRIAL)]
    if not wanting:
        return False
    try:
        spool, now = spool_of(bench), time.time()
        for target in wanting:
            if not spool.put(target, plain_json(for_target(target, notice)), now) and not quiet:
                tell(f"verifyrig: [[notify]] {target.id}: too many notices wait; this one is left out.")
        start_delivery(bench)
    except (RigError, OSError) as error:
        if not quiet:
            tell(f"verifyrig: [[notify]]: {plain_line(str(error))}")
    return True


def for_target(target: NoticeTarget, notice: NoticeObject) -> NoticeObject:
    """Return the notice without what is personal, unless the target is to have that."""
    run = notice["run"]
    if run is None or target.personal:
        return notice
    kept = run.copy()
    kept.pop("job", None)
    kept.pop("operator", None)
    return {**notice, "run": kept}


def start_delivery(bench: Bench) -> None:
    """Start a process that delivers and ends by itself; it outlives this one, and nothing waits for it."""
    words = [sys.executable, "-m", "verifyrig", "notices", "--deliver", "--bench", str(bench.root)]
    _DELIVERING.append(
        subprocess.Popen(
            words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    )
