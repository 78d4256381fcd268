"""job.toml: what is written comes back, the list only grows, foreign keys stay, a failed write leaves the old file."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import tomli_w
from hypothesis import example, given, settings
from hypothesis import strategies as st

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import JobError, RigError
from verifyrig.jobs.model import Customer, EntryKind, Intake, Machine
from verifyrig.jobs.store import (
    append,
    job_file,
    merge_job,
    new_entry,
    new_job,
    open_job,
    read_job,
    read_jobs,
    wanted_job,
)
from verifyrig.jobs.text import job_data, parse_intake, parse_job
from verifyrig.jobs.which import SeveralJobs

NOW = datetime(2026, 3, 14, 12, 0, 0, 123000, tzinfo=UTC)
INTAKE = Intake(
    complaint='It goes "off" after a while.\nEvery time.',
    customer=Customer(name="A. Customer", contact="by letter"),
    machine=Machine(kind="desktop-liquid", maker="Nobody's", model="Box 1", serial="0001"),
    answers={"restart": "after-minutes", "how-often": "2 h"},
    consent={"heavy-load": "yes", "data": "no"},
    price_ceiling="120",
    accessories="power cord",
    condition="a scratch",
)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(root=tmp_path)


def test_a_job_comes_back_as_it_was_written(bench: Bench) -> None:
    job = new_job(bench, INTAKE, operator="N. Bench", now=NOW)
    assert job.job_id == NOW.astimezone().strftime("%Y%m%d-1")
    assert read_job(bench, job.job_id) == job and job.opened == NOW
    assert open_job(bench) == job


def test_ids_of_a_day_count_on_and_a_taken_id_is_refused(bench: Bench) -> None:
    ids = [new_job(bench, INTAKE, now=NOW).job_id for _ in range(3)]
    assert [job_id.rpartition("-")[2] for job_id in ids] == ["1", "2", "3"]
    with pytest.raises(JobError, match="already"):
        new_job(bench, INTAKE, job_id=ids[0], now=NOW)
    assert new_job(bench, INTAKE, again=ids[0], now=NOW).again == ids[0]


@pytest.mark.parametrize("job_id", ["../up", "A", "", "a/b", "x" * 65, "-a", "a\n", "ü"])
def test_an_id_that_could_leave_the_bench_is_refused(bench: Bench, job_id: str) -> None:
    with pytest.raises(RigError) as caught:
        new_job(bench, INTAKE, job_id=job_id, now=NOW)
    assert caught.value.exit_code == 2 and not list(bench.root.rglob("job.toml"))


def test_entries_are_appended_and_foreign_keys_stay(bench: Bench) -> None:
    job = new_job(bench, INTAKE, now=NOW)
    path = job_file(bench, job.job_id)
    text = path.read_text(encoding="utf-8") + '\n[other_tool]\nkey = "kept"\n\n[[entry]]\nid = "later"\n'
    text += 'time = 2026-03-14T13:00:00Z\nkind = "weighed"\nwhat = "scale"\nforeign = 7\n'
    path.write_text(text, encoding="utf-8")
    change = new_entry(
        EntryKind.CHANGE,
        "part-replaced",
        now=NOW + timedelta(hours=2),
        by="N. Bench",
        detail={"part": "pump", "warranty_months": 24, "agreed": True, "price": 89.5, "photos": ["photos/a.jpg"]},
    )
    job = append(bench, job.job_id, [change])
    assert [entry.kind for entry in job.entries] == ["weighed", "change"]
    assert job.changes == (change,)
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    assert data["other_tool"] == {"key": "kept"} and data["entry"][0]["foreign"] == 7


def test_the_open_job_is_the_only_one_that_is_not_both_closed_and_handed_over(bench: Bench) -> None:
    assert open_job(bench) is None
    with pytest.raises(JobError, match="no job is open"):
        wanted_job(bench, None)
    old = new_job(bench, INTAKE, job_id="old", now=NOW)
    new = new_job(bench, INTAKE, job_id="new", now=NOW + timedelta(hours=1))
    assert wanted_job(bench, "new").job_id == "new" and wanted_job(bench, "old").job_id == "old"
    with pytest.raises(SeveralJobs, match="2 jobs are open"):
        wanted_job(bench, None)
    later = NOW + timedelta(hours=2)
    append(bench, new.job_id, [new_entry(EntryKind.CLOSE, "airflow", now=later)])
    with pytest.raises(SeveralJobs):
        open_job(bench)
    append(bench, new.job_id, [new_entry(EntryKind.HANDOVER, "", now=later, detail={"to": "A. Customer"})])
    assert wanted_job(bench, None).job_id == old.job_id


def test_a_damaged_job_is_named_and_does_not_hide_the_others(bench: Bench) -> None:
    new_job(bench, INTAKE, job_id="good", now=NOW)
    for name, text in (("torn", "schema = 1\njob = "), ("empty", ""), ("future", 'schema = 9\njob = "future"\n')):
        job_file(bench, name).parent.mkdir()
        job_file(bench, name).write_text(text, encoding="utf-8")
    job_file(bench, "binary").parent.mkdir()
    job_file(bench, "binary").write_bytes(b"\xff\xfe")
    jobs, faults = read_jobs(bench)
    assert [job.job_id for job in jobs] == ["good"]
    assert len(faults) == 4 and all(fault.mend and "job.toml" in fault.where for fault in faults)


def test_a_write_that_fails_leaves_the_old_file_whole_and_nothing_beside_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = new_job(bench, INTAKE, now=NOW)
    before = job_file(bench, job.job_id).read_bytes()

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(JobError, match="No space left"):
        append(bench, job.job_id, [new_entry(EntryKind.FINDING, "pump", now=NOW, detail={"value": "silent"})])
    assert job_file(bench, job.job_id).read_bytes() == before
    assert [path.name for path in job_file(bench, job.job_id).parent.iterdir()] == ["job.toml"]


APPENDER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from verifyrig.bench.folder import Bench
from verifyrig.jobs.model import EntryKind
from verifyrig.jobs.store import append, new_entry
for n in range(12):
    entry = new_entry(EntryKind.FINDING, sys.argv[2], now=datetime.now(UTC), detail={"value": str(n)})
    append(Bench(root=Path(sys.argv[1])), "a", [entry])
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no lock on folders there")
def test_programs_that_append_at_once_lose_nothing(bench: Bench) -> None:
    new_job(bench, INTAKE, job_id="a", now=NOW)
    words = [sys.executable, "-c", APPENDER, str(bench.root)]
    writers = [subprocess.Popen([*words, name]) for name in ("pump", "dust", "hoses")]
    assert [writer.wait(timeout=60) for writer in writers] == [0, 0, 0]
    assert len(read_job(bench, "a").entries) == 36


def test_a_copy_from_the_stick_is_merged_by_id_once(bench: Bench, tmp_path: Path) -> None:
    stick = Bench(root=tmp_path / "stick")
    job = new_job(bench, INTAKE, job_id="a", now=NOW)
    text = job_file(bench, "a").read_text(encoding="utf-8")
    assert merge_job(stick, text, "job.toml") == ("a", 0) and read_job(stick, "a") == job
    append(bench, "a", [new_entry(EntryKind.FINDING, "pump", now=NOW, detail={"value": "silent"})])
    append(stick, "a", [new_entry(EntryKind.CHANGE, "cleaned", now=NOW + timedelta(minutes=1))])
    theirs = job_file(stick, "a").read_text(encoding="utf-8")
    assert merge_job(bench, theirs, "job.toml") == ("a", 1)
    assert merge_job(bench, theirs, "job.toml") == ("a", 0)
    assert [entry.what for entry in read_job(bench, "a").entries] == ["pump", "cleaned"]


def test_another_job_of_the_same_id_comes_in_under_a_number(bench: Bench) -> None:
    new_job(bench, INTAKE, job_id="a", now=NOW)
    other = tomli_w.dumps({"schema": 1, "job": "a", "opened": NOW + timedelta(days=1), "complaint": "another"})
    assert merge_job(bench, other, "job.toml") == ("a-2", 0)
    assert merge_job(bench, other, "job.toml") == ("a-2", 0)
    assert read_job(bench, "a-2").intake.complaint == "another"
    hostile = tomli_w.dumps({"schema": 1, "job": "../../up", "opened": NOW})
    with pytest.raises(RigError, match="is no job id"):
        merge_job(bench, hostile, "job.toml")


TEXTS = st.text(max_size=40)


@settings(max_examples=80, deadline=None)
@example(complaint=" ", name="\x00", model="\x85", answer="\r", detail={"\n": " "})
@given(
    complaint=TEXTS,
    name=TEXTS,
    model=TEXTS,
    answer=TEXTS,
    detail=st.dictionaries(TEXTS.filter(bool), TEXTS, max_size=3),
)
def test_any_text_comes_back_unchanged(
    complaint: str, name: str, model: str, answer: str, detail: dict[str, str]
) -> None:
    intake = Intake(
        complaint=complaint, customer=Customer(name=name), machine=Machine(model=model), answers={"place": answer}
    )
    from verifyrig.jobs.model import Job

    entry = new_entry(EntryKind.FINDING, "note", now=NOW, detail=detail)
    job = Job(job_id="a", opened=NOW, intake=intake, entries=(entry,))
    back = parse_job(tomli_w.dumps(job_data(job)), "job.toml")
    assert back.intake.complaint == complaint and back.intake.customer.name == name
    assert back.intake.answers.get("place", "") == answer
    assert back.entries[0].detail == {key: value for key, value in detail.items() if value}


def test_an_intake_file_is_read_and_its_typos_are_named() -> None:
    text = 'complaint = "hot"\n[machine]\nkind = "laptop"\n[consent]\ndata = "yes"\n[answers]\nrestart = "at-once"\n'
    intake = parse_intake(text, "intake.toml")
    assert intake.machine.kind == "laptop" and intake.consent == {"data": "yes"}
    for old, new, where, words in (
        ('kind = "laptop"', 'kind = "labtop"', "intake.toml, machine", "laptop?"),
        ('data = "yes"', 'data = "perhaps"', "intake.toml, consent", "yes, no, not-asked"),
        ("restart", "restarts", "intake.toml, answers", "restart?"),
        ("complaint", "complain", "intake.toml", "complaint?"),
        ('"hot"', "7", "intake.toml", "must be a text"),
        ("[machine]", "[machine", "intake.toml", "TOML"),
    ):
        with pytest.raises(JobError) as caught:
            parse_intake(text.replace(old, new), "intake.toml")
        assert caught.value.where == where and words in str(caught.value)
