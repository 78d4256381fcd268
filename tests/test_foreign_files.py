"""Files of others: a pipe, a device, a link out, gigabytes or a wrong id harm nothing, and the rest works."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.pictures import png
from tests.small_records import PROFILE_TEXT, write_record
from verifyrig.bench.folder import Bench
from verifyrig.commands import cli
from verifyrig.files.foreign_file import LARGEST_BYTES, FileKind, UnfitFile, copy_new, read_bytes
from verifyrig.jobs.model import EntryKind, Intake
from verifyrig.jobs.store import append, new_entry, new_job, read_job

NOW = datetime(2031, 3, 14, 9, 0, tzinfo=UTC)
HANG_S = 20.0
pytestmark = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")


@pytest.fixture
def here(tmp_path: Path) -> Bench:
    (tmp_path / "shop").mkdir()
    return Bench(root=tmp_path / "shop")


@pytest.fixture
def stick(tmp_path: Path) -> Bench:
    (tmp_path / "stick").mkdir()
    return Bench(root=tmp_path / "stick")


@pytest.fixture(autouse=True)
def _no_pipe_waits_for_ever(tmp_path: Path) -> Iterator[None]:
    """Open every pipe of the test for writing after a while: whoever waits for one then goes on, too late."""
    late = threading.Event()
    timer = threading.Timer(HANG_S, _feed, (tmp_path, late))
    timer.start()
    yield
    timer.cancel()
    assert not late.is_set(), "it waited for a pipe"


def _feed(folder: Path, late: threading.Event) -> None:
    late.set()
    for path in folder.rglob("*"):
        if path.is_fifo():
            os.close(os.open(path, os.O_RDWR | os.O_NONBLOCK))


def ask(capsys: pytest.CaptureFixture[str], bench: Bench, *words: str) -> tuple[int, dict[str, Any]]:
    capsys.readouterr()
    code = cli.run([*words, "--json", "--bench", str(bench.root)])
    return code, json.loads(capsys.readouterr().out)


def good_job(bench: Bench, job_id: str = "good") -> str:
    job = new_job(bench, Intake(complaint="hot"), job_id=job_id, now=NOW).job_id
    append(bench, job, [new_entry(EntryKind.FINDING, "radiator cold", now=NOW)])
    write_record(bench.runs_dir(job), 1)
    return job


# ---- the door


def test_only_regular_files_of_bounded_size_inside_their_folder_are_read(tmp_path: Path) -> None:
    folder, secret = tmp_path / "in", tmp_path / "secret"
    folder.mkdir()
    secret.write_bytes(b"key")
    os.mkfifo(folder / "pipe")
    (folder / "link").symlink_to(secret)
    (folder / "ring").symlink_to("ring")
    with (folder / "big").open("wb") as file:
        file.truncate(LARGEST_BYTES[FileKind.PHOTO] + 1)  # a sparse file: it takes no room
    for name, why in (("pipe", "a pipe"), ("link", "out of its folder"), ("big", "larger than 50 MB")):
        with pytest.raises(UnfitFile, match=why):
            read_bytes(folder / name, FileKind.PHOTO, inside=folder)
    for path in (folder / "ring", folder / "none", folder, Path("/dev/zero"), Path("a\0b"), tmp_path / ("n" * 300)):
        with pytest.raises(OSError):
            read_bytes(path, FileKind.PHOTO)
    assert (
        read_bytes(folder / "link", FileKind.PHOTO) == b"key"
    )  # a person's own link is followed where no folder is set
    with pytest.raises(UnfitFile):
        copy_new(folder / "big", tmp_path / "copy", FileKind.PHOTO)
    assert not (tmp_path / "copy").exists()


# ---- a stick


def test_one_bad_file_never_ends_a_collection(here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    good_job(stick)
    for name in ("pipe", "date", "digits", "zoned", "deep", "link"):
        stick.job_dir(name).mkdir(parents=True)
    os.mkfifo(stick.job_dir("pipe") / "job.toml")
    head = 'schema = 1\njob = "{}"\nopened = {}\n'
    files = {
        "date": head.format("date", "9999-12-31T23:59:59-14:00"),
        "digits": head.format("digits", "2031-03-14T09:00:00Z") + f"x = {'1' * 5000}\n",
        "zoned": head.format("zoned", "0001-01-01T00:00:00+14:00"),
        "deep": head.format("deep", "2031-03-14T09:00:00Z") + f"{'a.' * 100_000}a = 1\n",
    }
    for name, text in files.items():
        (stick.job_dir(name) / "job.toml").write_text(text, encoding="utf-8")
    (stick.job_dir("link") / "job.toml").symlink_to("/etc/passwd")
    os.mkfifo(stick.root / "jobs/good/runs/20310101-000000-pipe.sqlite")
    with (stick.root / "jobs/good/runs/20310101-000000-huge.sqlite").open("wb") as file:
        file.truncate(LARGEST_BYTES[FileKind.RECORD] + 1)
    code, answer = ask(capsys, here, "runs", "--collect", str(stick.root))
    assert code == 0
    refused = {Path(one["record"]): one["why"] for one in answer["collected"]["refused"]}
    assert {path.parent.name for path in refused if path.name == "job.toml"} == {
        "pipe",
        "date",
        "zoned",
        "digits",
        "deep",
        "link",
    }
    assert {path.stem for path in refused if path.suffix == ".sqlite"} == {
        "20310101-000000-pipe",
        "20310101-000000-huge",
    }
    assert all(refused.values())
    assert [entry.what for entry in read_job(here, "good").entries] == ["radiator cold"]
    assert len(answer["runs"]) == 1 and answer["runs"][0]["outcome"] == "completed"


def test_a_link_named_photos_copies_nothing_of_this_computer(
    here: Bench, stick: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good_job(stick)
    private = tmp_path / "private"
    private.mkdir()
    (private / "letter.jpg").write_bytes(b"private")
    (stick.job_dir("good") / "photos").symlink_to(private)
    code, answer = ask(capsys, here, "runs", "--collect", str(stick.root))
    assert code == 0 and not (here.job_dir("good") / "photos").exists()
    assert [one["why"] for one in answer["collected"]["refused"]] == ["it is a link out of its folder"]


def test_photos_that_are_too_large_or_no_files_are_named_and_the_others_come_in(
    here: Bench, stick: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    good_job(stick)
    photos = stick.job_dir("good") / "photos"
    photos.mkdir()
    (photos / "a.jpg").write_bytes(b"a picture")
    with (photos / "b.jpg").open("wb") as file:
        file.truncate(3_000_000_000)
    os.mkfifo(photos / "c.jpg")
    (photos / "d.jpg").symlink_to("/etc/passwd")
    code, answer = ask(capsys, here, "runs", "--collect", str(stick.root))
    assert code == 0
    assert [path.name for path in (here.job_dir("good") / "photos").iterdir()] == ["a.jpg"]
    assert {Path(one["record"]).name for one in answer["collected"]["refused"]} == {"b.jpg", "c.jpg", "d.jpg"}


def test_a_record_that_calls_itself_a_path_is_not_taken_in_and_no_report_leaves_the_bench(
    here: Bench, stick: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = write_record(stick.runs_dir(None), 1, facts={"run": "../../../x"})
    good = write_record(stick.runs_dir(None), 2)
    code, answer = ask(capsys, here, "runs", "--collect", str(stick.root))
    assert code == 1 and [Path(one["record"]) for one in answer["collected"]["refused"]] == [bad]
    assert [row["run"] for row in answer["runs"]] == [good.stem]
    (here.root / "runs").mkdir(exist_ok=True)
    shutil.copy(bad, here.root / "runs" / bad.name)
    before = sorted(path for path in tmp_path.rglob("*") if here.root not in path.parents)
    assert ask(capsys, here, "report", bad.stem)[0] == 2
    assert sorted(path for path in tmp_path.rglob("*") if here.root not in path.parents) == before


# ---- the bench itself


def test_pipes_and_links_in_a_bench_are_listed_and_the_rest_works(
    here: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    good_job(here)
    here.job_dir("bad").mkdir()
    os.mkfifo(here.job_dir("bad") / "job.toml")
    os.mkfifo(here.root / "jobs/good/runs/20310101-000000-pipe.sqlite")
    write_record(here.runs_dir(None), 3)
    os.mkfifo(here.root / "runs" / "20260202-080003-test.sqlite-wal")
    code, answer = ask(capsys, here, "runs")
    assert code == 0 and len(answer["runs"]) == 3
    assert sum("damage" in row for row in answer["runs"]) == 2
    code, answer = ask(capsys, here, "job", "list")
    assert code == 0 and [job["job"] for job in answer["jobs"]] == ["good"]
    assert ask(capsys, here, "report", "good", "--at", "2031-03-14T12:00")[0] == 0
    assert "20310101-000000-pipe" in (here.reports_dir / "good.archive.html").read_text(encoding="utf-8")


def test_a_job_that_calls_itself_otherwise_is_refused(
    here: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good_job(here)
    file = here.job_dir("good") / "job.toml"
    for name in ("../../x", "other"):
        file.write_text(f'schema = 1\njob = "{name}"\nopened = 2031-03-14T09:00:00Z\n', encoding="utf-8")
        assert ask(capsys, here, "report", "good")[0] == 2
    assert not (tmp_path / "x.html").exists()


@pytest.mark.parametrize("kind", ["pipe", "large", "zero"])
def test_a_logo_that_is_none_is_said(here: Bench, kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    good_job(here)
    (here.root / "bench.toml").write_text('[shop]\nlogo = "logo.png"\n', encoding="utf-8")
    if kind == "pipe":
        os.mkfifo(here.root / "logo.png")
    elif kind == "large":
        with (here.root / "logo.png").open("wb") as file:
            file.truncate(3_000_000_000)
    else:
        (here.root / "bench.toml").write_text('[shop]\nlogo = "a\\u0000.png"\n', encoding="utf-8")
    code, answer = ask(capsys, here, "report", "good")
    assert code == 2 and "logo" in answer["error"]["what"]


@pytest.mark.parametrize(
    "words",
    [
        ["import", "PIPE", "--time", "t", "--channel", "die_temp_c=a", "--stage", "load=0:10"],
        ["profile", "check", "PIPE.toml"],
        ["run", "PIPE.toml", "--mock", "healthy-air"],
        ["history", "PIPE"],
        ["job", "open", "--file", "PIPE"],
        ["inspect", "./PIPE.sqlite"],
        ["metrics", "./PIPE.sqlite"],
        ["export", "./PIPE.sqlite"],
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_a_pipe_named_on_the_command_line_is_refused(
    here: Bench, words: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(here.root)
    for name in ("PIPE", "PIPE.toml", "PIPE.sqlite"):
        os.mkfifo(here.root / name)
    code, _ = ask(capsys, here, *words)
    assert code == 2


def test_a_pipe_in_place_of_bench_toml_is_refused(here: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo(here.root / "bench.toml")
    code, answer = ask(capsys, here, "runs")
    assert code == 2 and "a pipe" in answer["error"]["what"]


# ---- what a view or a computed column would run


def test_a_view_that_never_ends_in_place_of_a_table_is_damage(here: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_record(here.runs_dir(None), 1)
    with sqlite3.connect(path) as connection:
        connection.execute("ALTER TABLE stage RENAME TO stage_before")
        connection.execute(
            "CREATE VIEW stage AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) "
            "SELECT 'a' AS name, 'load' AS kind, 0.0 AS start_s, 1.0 AS end_s, 'time' AS ended FROM n WHERE i < 0"
        )
    connection.close()
    assert ask(capsys, here, "inspect", path.stem)[0] == 1
    assert ask(capsys, here, "metrics", path.stem)[0] == 2
    code, answer = ask(capsys, here, "runs")
    assert code == 0 and "damage" in answer["runs"][0]


def test_the_bounds_of_all_kinds_stand_in_one_table() -> None:
    assert set(LARGEST_BYTES) == set(FileKind)
    assert len(PROFILE_TEXT) < LARGEST_BYTES[FileKind.PROFILE]


def test_nothing_is_written_through_a_link_in_a_job(
    here: Bench, stick: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    good_job(stick)
    (stick.job_dir("good") / "photos").mkdir()
    (stick.job_dir("good") / "photos/a.jpg").write_bytes(b"a picture")
    new_job(here, Intake(complaint="hot"), job_id="good", now=NOW)
    outside = tmp_path / "outside"
    outside.mkdir()
    for name in ("runs", "photos"):
        (here.job_dir("good") / name).symlink_to(outside)
    (tmp_path / "log.csv").write_text("t,a\n0,40\n1,41\n", encoding="utf-8")
    (tmp_path / "b.jpg").write_bytes(png(4, 3))
    imported = ["import", "log.csv", "--time", "t", "--channel", "die_temp_c=a", "--stage", "load=0:9", "--job", "good"]
    changed = ["job", "change", "cleaned", "--job", "good", "--photo", "b.jpg"]
    run = ["run", "quick-look", "--mock", "healthy-air", "--speed", "max", "--job", "good"]
    for words in (imported, changed, run):
        code, answer = ask(capsys, here, *words)
        assert code == 2 and "link out" in answer["error"]["what"], words
    assert ask(capsys, here, "runs", "--collect", str(stick.root))[0] == 0
    assert not list(outside.iterdir())
