"""A danger that another process notes while a load runs ends the load and the run."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from tests.test_run_process import HANG_S, REPO, wait_until
from tests.test_run_process import bench as bench  # the fixture: a short blind plan
from tests.test_runner import Stand, sound
from verifyrig.bench.folder import Bench
from verifyrig.core.errors import JobError
from verifyrig.core.interfaces import Controls, DangerNotice
from verifyrig.jobs.danger_look import DangerLook
from verifyrig.jobs.model import EntryKind, Intake, Job
from verifyrig.jobs.store import append, job_file, new_entry, new_job, read_job
from verifyrig.record import read_trace
from verifyrig.rig.danger_watch import danger_watch

LEAK = DangerNotice(code="leak", noted="leak=seen", what="coolant leaks", do="Switch off and unplug.")


@pytest.mark.parametrize(("noted_s", "stage"), [(10, "idle"), (21, "pulses"), (70, "load"), (125, "cooldown")])
def test_a_danger_ends_load_and_run_in_whatever_stage(noted_s: float, stage: str) -> None:
    stand = Stand(sound)

    def listen(view: object) -> None:
        if view.t_s >= noted_s:  # type: ignore[attr-defined]
            stand.controls.warn_of(LEAK)

    stand.ears.tick = listen  # type: ignore[method-assign]
    end = stand.run()
    assert end.outcome == "stopped" and end.cause is None
    assert end.messages == ("a danger was noted: coolant leaks (leak=seen)",)
    assert stand.writer.facts["danger"] == "leak" and stand.writer.closed
    # Nothing is sampled after the tick at which it was told: the machine is to be switched off, not watched.
    assert stand.writer.rows[-1][0] == noted_s
    assert list(stand.writer.stages)[-1] == stage and stand.writer.stages[stage] == "stopped"
    assert [detail["code"] for _, kind, detail in stand.writer.events if kind == "danger"] == ["leak"]
    commanded = [detail["share"] for _, kind, detail in stand.writer.events if kind == "load"]
    assert commanded == [] or commanded[-1] == 0.0
    assert any(loud and "unplug" in text for text, loud in stand.ears.said)


def test_the_watch_tells_of_a_danger_and_a_file_that_cannot_be_read_tells_nothing() -> None:
    controls, looks = Controls(), []

    def look() -> DangerNotice | None:
        looks.append(1)
        if len(looks) == 1:
            raise JobError("cannot be read", where="job.toml", mend="Check the file.")
        return LEAK if len(looks) > 2 else None

    with danger_watch(controls, look, every_s=0.01):
        assert controls.wake.wait(HANG_S)
    assert controls.danger == LEAK and len(looks) == 3


def test_a_look_that_hangs_holds_nothing_up() -> None:
    never = threading.Event()
    began = time.monotonic()

    def look() -> None:
        never.wait(HANG_S)

    with danger_watch(Controls(), look, every_s=0.0):
        time.sleep(0.05)
    assert time.monotonic() - began < HANG_S / 2
    never.set()


def test_a_look_reads_the_file_only_where_it_changed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from datetime import UTC, datetime

    bench, now = Bench(root=tmp_path), datetime.now(UTC)
    job = new_job(bench, Intake(), now=now)
    reads: list[str] = []

    def counted(at: Bench, job_id: str) -> Job:
        reads.append(job_id)
        return read_job(at, job_id)

    monkeypatch.setattr("verifyrig.jobs.danger_look.read_job", counted)
    look = DangerLook(bench, job.job_id)
    assert look() is None and look() is None
    first = len(reads)
    append(bench, job.job_id, [new_entry(EntryKind.FINDING, "pack", now=now, detail={"value": "swollen"})])
    found = look()
    assert found is not None and found.code == "pack" and look() == found
    assert (first, len(reads)) == (1, 2)


def test_a_look_at_a_job_that_is_gone_says_so(tmp_path: Path) -> None:
    from datetime import UTC, datetime

    bench = Bench(root=tmp_path)
    job = new_job(bench, Intake(), now=datetime.now(UTC))
    look = DangerLook(bench, job.job_id)
    job_file(bench, job.job_id).unlink()
    with pytest.raises(JobError):
        look()


def test_a_note_of_another_process_ends_a_running_load(bench: Path) -> None:
    """On simulated hardware at its own pace, so that no other load on this computer is in the way."""

    def words(*more: str) -> list[str]:
        return [sys.executable, "-m", "verifyrig", *more, "--bench", str(bench)]

    def verifyrig(*more: str) -> int:
        return subprocess.run(words(*more), capture_output=True, cwd=REPO, timeout=HANG_S, check=False).returncode

    assert verifyrig("job", "open", "--complaint", "hot", "--kind", "desktop-air") == 0
    mock = ("run", str(bench / "blind.toml"), "--mock", "healthy-air", "--speed", "1", "--yes")
    command = words(*mock, "--json")
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=REPO)
    try:
        wait_until(lambda: "pulses" in stages_begun(bench), HANG_S)
        assert verifyrig("job", "finding", "leak=seen", "--by", "O. Bench") == 0
        noted = time.monotonic()
        out, _ = run.communicate(timeout=HANG_S)
        print(f"over {time.monotonic() - noted:.2f} s after the note was written")
    finally:
        if run.poll() is None:
            run.kill()
            run.communicate()
    assert run.returncode == 3
    found = json.loads(out)
    assert found["outcome"] == "stopped" and found["stages"][-1]["name"] == "pulses"
    trace = read_trace(Path(found["record"]))
    assert trace.facts["danger"] == "leak" and "leak=seen" in trace.facts["stopped_because"][0]
    # The plan's pulse lasts 25 s; it was cut short.
    assert found["stages"][-1]["end_s"] - found["stages"][-1]["start_s"] < 20
    assert verifyrig(*mock) == 3


def stages_begun(bench: Path) -> set[str]:
    """Return the stages that the one record of the job holds so far."""
    records = list(bench.glob("jobs/*/runs/*.sqlite"))
    if not records:
        return set()
    with contextlib.suppress(sqlite3.Error), contextlib.closing(sqlite3.connect(records[0])) as db:
        return {name for (name,) in db.execute("SELECT name FROM stage")}
    return set()
