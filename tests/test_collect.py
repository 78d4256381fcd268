"""Collecting from another bench: whole records and job entries come in, altered ones do not, nothing is overwritten."""

from __future__ import annotations

import json
import shutil
import sqlite3
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from verifyrig.bench.folder import Bench
from verifyrig.commands import cli
from verifyrig.core.contract import CauseObject
from verifyrig.core.interfaces import Reading
from verifyrig.core.outcome import CauseClass
from verifyrig.jobs.model import EntryKind, Intake
from verifyrig.jobs.store import append, new_entry, new_job, read_job
from verifyrig.record import open_record, read_trace
from verifyrig.record.check import RecordCheck, check_record
from verifyrig.record.restart_note import Aftermath, read_aftermath, write_aftermath
from verifyrig.record.schema import wal_path

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)


@pytest.fixture
def here(tmp_path: Path) -> Bench:
    (tmp_path / "shop").mkdir()
    return Bench(root=tmp_path / "shop")


@pytest.fixture
def stick(tmp_path: Path) -> Bench:
    (tmp_path / "stick").mkdir()
    return Bench(root=tmp_path / "stick")


def record(bench: Bench, run: str, *, job: str | None = None, die_c: float = 50.0, close: bool = True) -> Path:
    path = bench.runs_dir(job) / f"{run}.sqlite"
    facts = {"run": run, "job": job, "purpose": "check"}
    writer = open_record(path, facts=facts, profile_text=None, channels=["die_temp_c"], live=not close)
    for i in range(30):
        writer.sample(float(i), 1.7e9 + i, {"die_temp_c": Reading(value=die_c + i / 10)})
    if close:
        writer.fact("outcome", "completed")
        writer.close()
    else:
        writer.abandon()
    return path


def collect(here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, Any]]:
    code = cli.run(["runs", "--collect", str(stick.root), "--json", "--bench", str(here.root)])
    return code, json.loads(capsys.readouterr().out)


def contents(bench: Bench) -> dict[str, bytes]:
    files = (
        path for path in bench.root.rglob("*") if path.is_file() and not path.name.startswith((".", "index.sqlite"))
    )
    return {str(path.relative_to(bench.root)): path.read_bytes() for path in files if not path.name.endswith("-shm")}


def test_records_and_jobs_of_a_stick_come_in(here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    job = new_job(stick, Intake(complaint="goes off"), now=NOW).job_id
    append(stick, job, [new_entry(EntryKind.FINDING, "radiator cold", now=NOW)])
    record(stick, "20260314-090000-aaaa", job=job)
    record(stick, "20260314-100000-bbbb")
    before = contents(stick)
    code, answer = collect(here, stick, capsys)
    assert code == 0
    assert [row["run"] for row in answer["runs"]] == ["20260314-090000-aaaa", "20260314-100000-bbbb"]
    assert [row["job"] for row in answer["runs"]] == [job, None]
    assert answer["collected"]["jobs"] == {job: 1} and answer["collected"]["refused"] == []
    assert [entry.what for entry in read_job(here, job).entries] == ["radiator cold"]
    assert contents(stick) == before
    for name, data in contents(here).items():
        assert name.endswith("job.toml") or before[name] == data


def test_collecting_again_changes_nothing(here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    job = new_job(stick, Intake(complaint="goes off"), now=NOW).job_id
    append(stick, job, [new_entry(EntryKind.FINDING, "radiator cold", now=NOW)])
    record(stick, "20260314-090000-aaaa", job=job)
    collect(here, stick, capsys)
    before = contents(here)
    code, answer = collect(here, stick, capsys)
    assert code == 0 and contents(here) == before
    assert answer["collected"]["taken"] == [] and len(answer["collected"]["had"]) == 1


def test_entries_of_two_computers_meet_in_one_job(
    here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    job = new_job(here, Intake(complaint="goes off"), now=NOW).job_id
    shutil.copytree(here.root / "jobs", stick.root / "jobs")
    append(here, job, [new_entry(EntryKind.FINDING, "seen in the shop", now=NOW)])
    append(stick, job, [new_entry(EntryKind.FINDING, "seen on the machine", now=NOW)])
    record(here, "20260314-090000-aaaa", job=job)
    record(stick, "20260314-100000-bbbb", job=job)
    _, answer = collect(here, stick, capsys)
    assert {entry.what for entry in read_job(here, job).entries} == {"seen in the shop", "seen on the machine"}
    assert {row["job"] for row in answer["runs"]} == {job} and len(answer["runs"]) == 2


def test_an_interrupted_record_comes_with_its_log_and_its_note(
    here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    path = record(stick, "20260314-090000-aaaa", close=False)
    cause: CauseObject = {"class": CauseClass.POWER_OFF, "why": ["seen at the first start after"]}
    write_aftermath(path, Aftermath(run=path.stem, seen_utc_s=1.8e9, outcome="interrupted", cause=cause))
    code, answer = collect(here, stick, capsys)
    (taken,) = map(Path, answer["collected"]["taken"])
    assert code == 0 and wal_path(taken).exists() and len(read_trace(taken).t_s) == 30
    note = read_aftermath(taken)
    assert note is not None and note.cause == cause
    assert sorted(p.name for p in taken.parent.iterdir() if not p.name.endswith("-shm")) == [
        "20260314-090000-aaaa.after.json",
        "20260314-090000-aaaa.sqlite",
        "20260314-090000-aaaa.sqlite-wal",
    ]


def test_a_missing_log_is_said(here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    path = record(stick, "20260314-090000-aaaa", close=False)
    wal_path(path).unlink()
    code, answer = collect(here, stick, capsys)
    assert code == 0 and "-wal" in answer["collected"]["notes"][0]


def test_altered_and_damaged_records_are_refused_by_name(
    here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    altered = record(stick, "20260314-090000-aaaa")
    connection = sqlite3.connect(altered)
    connection.execute("UPDATE sample SET die_temp_c = 20 WHERE rowid = 7")
    connection.commit()
    connection.close()
    cut = record(stick, "20260314-100000-bbbb")
    cut.write_bytes(cut.read_bytes()[:9000])
    record(stick, "20260314-110000-cccc")
    code, answer = collect(here, stick, capsys)
    assert code == 1
    refused = {Path(row["record"]).stem: row["why"] for row in answer["collected"]["refused"]}
    assert "sample 7 was altered" in refused["20260314-090000-aaaa"] and "damaged" in refused["20260314-100000-bbbb"]
    assert [row["run"] for row in answer["runs"]] == ["20260314-110000-cccc"]


def test_where_ids_collide_with_different_content_both_are_kept(
    here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    ours = record(here, "20260314-090000-aaaa", die_c=50.0)
    record(stick, "20260314-090000-aaaa", die_c=60.0)
    before = ours.read_bytes()
    _, answer = collect(here, stick, capsys)
    assert ours.read_bytes() == before and len(answer["runs"]) == 2
    (taken,) = map(Path, answer["collected"]["taken"])
    assert read_trace(taken).columns["die_temp_c"][0] == 60.0 and taken != ours
    _, again = collect(here, stick, capsys)
    assert again["collected"]["taken"] == [] and len(again["runs"]) == 2


def test_two_jobs_of_one_id_are_kept_apart_with_their_runs(
    here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    new_job(here, Intake(complaint="ours"), job_id="job-1", now=NOW)
    new_job(stick, Intake(complaint="theirs"), job_id="job-1", now=datetime(2026, 3, 15, tzinfo=UTC))
    record(stick, "20260315-090000-aaaa", job="job-1")
    _, answer = collect(here, stick, capsys)
    assert read_job(here, "job-1").intake.complaint == "ours"
    assert read_job(here, "job-1-2").intake.complaint == "theirs"
    assert [row["job"] for row in answer["runs"]] == ["job-1-2"] and "kept as job-1-2" in answer["collected"]["notes"][
        0
    ]


def test_photos_come_along_and_none_is_overwritten(
    here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    job = new_job(here, Intake(complaint="x"), now=NOW).job_id
    shutil.copytree(here.root / "jobs", stick.root / "jobs")
    for bench, content in ((here, b"ours"), (stick, b"theirs")):
        photos = bench.job_dir(job) / "photos"
        photos.mkdir()
        (photos / "paste.jpg").write_bytes(content)
    for _ in range(2):
        collect(here, stick, capsys)
    photos = here.job_dir(job) / "photos"
    assert {p.name: p.read_bytes() for p in photos.iterdir()} == {"paste.jpg": b"ours", "paste-2.jpg": b"theirs"}


def test_files_that_are_none_of_ours_are_refused_and_lead_nowhere(
    here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    runs = stick.runs_dir(None)
    runs.mkdir()
    (tmp_path / "secret").write_text("secret")
    (runs / "link.sqlite").symlink_to(tmp_path / "secret")
    (runs / "Odd Name.sqlite").write_bytes(record(stick, "20260314-090000-aaaa").read_bytes())
    job = stick.jobs_dir / "bad"
    job.mkdir(parents=True)
    (job / "job.toml").write_text('schema = 1\njob = "../../out"\nopened = 2026-01-01T00:00:00Z\n')
    _, answer = collect(here, stick, capsys)
    assert len(answer["collected"]["refused"]) == 3 and len(answer["collected"]["taken"]) == 1
    assert not (tmp_path / "out").exists() and "secret" not in json.dumps(contents(here), default=str)


@pytest.mark.parametrize("words", [["no-such-folder"], ["."]])
def test_a_folder_that_cannot_be_collected_is_refused(
    here: Bench, words: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(here.root)
    assert cli.run(["runs", "--collect", *words, "--json", "--bench", str(here.root)]) == 2
    assert json.loads(capsys.readouterr().out)["error"]["mend"]


def test_the_archive_is_listed_once_and_what_was_taken_over_is_not_read_again(
    here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from verifyrig.jobs import take_over

    for number in range(12):
        record(stick, f"20260314-0900{number:02d}-aaaa")
    listed: list[Path] = []
    read: list[Path] = []
    records, check = Bench.records, check_record

    def listing(own: Bench, job: str | None = None) -> list[Path]:
        listed.append(own.root)
        return records(own, job)

    def reading(path: Path) -> RecordCheck:
        read.append(path)
        return check(path)

    monkeypatch.setattr(Bench, "records", listing)
    monkeypatch.setattr(take_over, "check_record", reading)
    assert len(collect(here, stick, capsys)[1]["collected"]["taken"]) == 12
    assert listed.count(here.root) <= 3  # whatever comes in: to collect, and for the list that is printed
    read.clear()
    assert len(collect(here, stick, capsys)[1]["collected"]["had"]) == 12
    assert not read
    cli.run(["runs", "--collect", str(stick.root), "--verify", "--json", "--bench", str(here.root)])
    capsys.readouterr()
    assert len(read) == 24  # here and on the stick
    # What changed since is read again, and what was altered is found.
    read.clear()
    target = next((here.root / "runs").glob("*-aaaa.sqlite"))
    target.touch()
    assert len(collect(here, stick, capsys)[1]["collected"]["had"]) == 12
    assert {path.name for path in read} == {target.name}


def test_an_index_of_another_version_is_left_alone_and_a_damaged_one_kept_aside(
    here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    record(here, "20260314-090000-aaaa")
    index = here.root / "index.sqlite"
    with sqlite3.connect(index) as connection:
        connection.execute("PRAGMA user_version=99")
    connection.close()
    before = index.read_bytes()
    assert cli.run(["runs", "--json", "--bench", str(here.root)]) == 0
    assert "it has format 99, and this version writes 1" in capsys.readouterr().err
    assert index.read_bytes() == before
    index.write_bytes(b"SQLite format 3\x00" + b"\xff" * 5000)
    assert cli.run(["runs", "--json", "--bench", str(here.root)]) == 0
    assert "kept as index.sqlite.damaged" in capsys.readouterr().err
    assert (here.root / "index.sqlite.damaged").stat().st_size > 5000
