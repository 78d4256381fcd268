"""The demo: a whole invented job on simulated hardware. Shop, people and machine are invented, and plainly so."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands.demo_stories import HEALTHY, DemoStory, story_of
from verifyrig.core.errors import BenchError
from verifyrig.core.interfaces import Controls
from verifyrig.core.profile import Profile, Purpose
from verifyrig.files.atomic_write import write_whole
from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.jobs.actions import tick_steps
from verifyrig.jobs.ending import close_job
from verifyrig.jobs.model import Customer, EntryKind, Intake, Job, Machine
from verifyrig.jobs.rules import missing_verification
from verifyrig.jobs.runs import runs_of
from verifyrig.jobs.store import append, new_entry, new_job, read_job
from verifyrig.jobs.vocabulary import CAUSES, CHANGE_KINDS
from verifyrig.terminal.lines import PlainLines

# The demo's day; the machine's whole job fits into one afternoon of it.
DAY = datetime(2031, 3, 14, 13, 5, tzinfo=UTC)
OPERATOR = "I. N. Vented (demo)"

_SETTINGS = """\
[shop]
name = "Demo Bench (invented)"
operator = "I. N. Vented (demo)"
address = "1 Example Lane, Nowhere"
phone = "+00 0000 555 01"

[report]
language = "en"
paper = "A4"
temperature_unit = "C"
terms = "This is a demo on simulated hardware. Nothing in it is about a real machine, shop or person."
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoDone:
    """What the demo left: the job, its runs, the report, and the one sentence that sums it up."""

    job: str
    runs: list[str]
    report: Path
    sentence: str


def run_demo(out: Path, case: str, *, say: Callable[[str], None]) -> DemoDone:
    """Take an invented machine in, measure, change one thing, measure again with the same recipe, report.

    Args:
        out: Bench folder of the demo; made where it is missing, refused where it holds another bench.
        case: What is wrong with the simulated machine.
        say: Takes what is going on, a line at a time.

    Raises:
        BenchError: The folder holds something that is not a demo.
    """
    bench = _bench(out)
    from verifyrig.rig.simulated import typical_machine

    machine = typical_machine(case)
    story = story_of(case, machine.cause, machine.cooler)
    profile = find_profile(story.profile, bench)
    say("Demo on simulated hardware: shop, people and machine are invented.\n")
    job = _take_in(bench, story)
    say(f"Job {job.job_id}: {job.intake.machine.description}. Complaint: {job.intake.complaint!r}")
    say("\nFirst the baseline, as the machine came in:")
    before = _run(bench, job, profile, case, Purpose.BASELINE, DAY + timedelta(minutes=12))
    _diagnose(bench, before, say)
    _open_and_change(bench, job, story, DAY + timedelta(hours=2))
    for what, value in story.seen.items():
        say(f"Seen once it is open: {what} {value}.")
    say(f"\nOne thing is changed: {CHANGE_KINDS[story.change.kind]}. Then the same recipe again:")
    runs = [before]
    for hours in (2.5, 4.0):
        runs.append(
            _run(bench, job, profile, HEALTHY[machine.cooler], Purpose.VERIFICATION, DAY + timedelta(hours=hours))
        )
        if missing_verification(read_job(bench, job.job_id), runs_of(bench, job.job_id)) is None:
            break
        say("\nNew paste or a new mount is verified twice: the first heat cycles still move the paste.")
    _close(bench, job, machine.cause)
    report, sentence = _report(bench, job)
    return DemoDone(job=job.job_id, runs=runs, report=report, sentence=sentence)


def _is_ours(settings: Path) -> bool:
    try:
        return read_text(settings, FileKind.SETTINGS, inside=settings.parent) == _SETTINGS
    except (OSError, UnicodeDecodeError):
        return False


def _bench(out: Path) -> Bench:
    settings = out / "bench.toml"
    if out.exists() and not out.is_dir():
        raise BenchError("this is no folder", where=str(out), mend="Name another with --out.")
    if os.path.lexists(settings) and not _is_ours(settings):
        raise BenchError(
            "the folder is a bench of its own", where=str(out), mend="Name an empty or new folder with --out."
        )
    try:
        out.mkdir(parents=True, exist_ok=True)
        write_whole(settings, _SETTINGS)
    except OSError as error:
        raise BenchError(
            f"cannot be written ({error.strerror})", where=str(out), mend="Name another with --out."
        ) from error
    return find_bench(str(out))


def _take_in(bench: Bench, story: DemoStory) -> Job:
    intake = Intake(
        complaint=story.complaint,
        customer=Customer(name="Q. Uestion (demo)", contact="counter", ticket="D-0001"),
        machine=Machine(kind=story.kind, maker="Example Works", model=story.model, serial="DEMO-0000-1234"),
        answers=story.answers,
        consent={"data": "no", "backup": "yes", "encryption-key": "yes", "heavy-load": "yes"},
        price_ceiling="150",
        accessories="mains lead",
        condition=story.condition,
    )
    return new_job(bench, intake, operator=OPERATOR, now=DAY)


def _diagnose(bench: Bench, run: str, say: Callable[[str], None]) -> None:
    """Say what the baseline shows of the cause, before anything is opened."""
    from verifyrig.commands import Context, diagnose

    answer = diagnose.execute(argparse.Namespace(records=[run], out=None, job=None, place=None), Context(bench=bench))
    first = answer.data["suspects"][0]
    say(f"\nWhat it shows of the cause: {CAUSES[first['cause']]} ({first['probability']:.0%}).")


def _open_and_change(bench: Bench, job: Job, story: DemoStory, when: datetime) -> None:
    seen = [
        new_entry(EntryKind.FINDING, what, now=when, by=OPERATOR, detail={"value": value})
        for what, value in story.seen.items()
    ]
    change = new_entry(
        EntryKind.CHANGE, story.change.kind, now=when + timedelta(minutes=10), by=OPERATOR, detail=story.change.detail
    )
    append(bench, job.job_id, [*seen, change])


def _run(bench: Bench, job: Job, profile: Profile, case: str, purpose: str, start: datetime) -> str:
    from verifyrig.rig.assemble import run
    from verifyrig.rig.request import RunRequest

    request = RunRequest(
        profile=profile,
        purpose=purpose,
        job=job.job_id,
        mock=(case, 0),
        probes=("room", "plate"),
        from_cold=True,
        start_utc_s=start.timestamp(),
        states={"panel": "on", "position": "upright", "fans": "automatic"},
        facts={"operator": OPERATOR},
    )
    return run(request, bench, PlainLines(every_s=300.0), Controls()).run


def _close(bench: Bench, job: Job, cause: str) -> None:
    """Tick the protective steps and close the job, as a bench would before the machine goes to the counter."""
    now, done = DAY + timedelta(hours=5.5), read_job(bench, job.job_id)
    done = tick_steps(bench, done, [s for s, ticked in done.steps().items() if not ticked], by=OPERATOR, now=now)
    close_job(bench, done, runs_of(bench, job.job_id), cause, by=OPERATOR, now=now + timedelta(minutes=5))


def _report(bench: Bench, job: Job) -> tuple[Path, str]:
    from verifyrig.commands import Context, report

    at = (DAY + timedelta(hours=6)).isoformat()
    answer = report.execute(
        argparse.Namespace(
            what=[job.job_id], place=None, out=None, pdf=False, at=at, language=None, temperature_unit=None
        ),
        Context(bench=bench),
    )
    return Path(answer.data["files"][0]), answer.data["sentence"]
