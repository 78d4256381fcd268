"""What `--out` may be: a new file or an output of before, never a record, a job, bench.toml or anybody's letter."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.small_records import write_record
from verifyrig.bench.folder import Bench
from verifyrig.commands import cli
from verifyrig.files.output_file import PDF_MARK, Output, check_place
from verifyrig.jobs.model import Intake
from verifyrig.jobs.store import new_job

NOW = datetime(2031, 3, 14, 9, 0, tzinfo=UTC)
COMMANDS = {
    "report": ["report", "good", "--at", "2031-03-14T12:00"],
    "export": ["export", "last"],
    "diagnose": ["diagnose", "last"],
    "qa": ["qa", "--profile", "tiny.toml"],
    "pair": ["runs", "--pair", "first", "last"],
}
ENDINGS = {"report": ".html", "export": ".csv", "diagnose": ".svg", "qa": ".html", "pair": ".csv"}


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    from tests.small_records import PROFILE_TEXT

    bench = Bench(root=tmp_path / "shop")
    bench.root.mkdir()
    (bench.root / "bench.toml").write_text('[shop]\nname = "Invented"\n', encoding="utf-8")
    (bench.root / "tiny.toml").write_text(PROFILE_TEXT, encoding="utf-8")
    new_job(bench, Intake(complaint="hot"), job_id="good", now=NOW)
    for number in (1, 2):
        write_record(bench.runs_dir("good"), number)
    monkeypatch.chdir(bench.root)
    return bench


def ask(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    capsys.readouterr()
    code = cli.run([*words, "--json"])
    return code, json.loads(capsys.readouterr().out)


def contents(folder: Path) -> dict[str, bytes]:
    files = (path for path in folder.rglob("*") if path.is_file() and not path.name.startswith((".", "index.sqlite")))
    return {str(path.relative_to(folder)): path.read_bytes() for path in files}


@pytest.mark.parametrize("command", COMMANDS)
def test_no_output_replaces_a_file_that_is_none_of_ours(
    bench: Bench, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    letter = bench.root / f"letter{ENDINGS[command]}"
    letter.write_text("Dear customer, ...", encoding="utf-8")
    record = next(bench.runs_dir("good").glob("*.sqlite"))
    before = contents(bench.root)
    for place in (record, bench.root / "jobs/good/job.toml", bench.root / "bench.toml", letter, bench.root):
        code, answer = ask(capsys, *COMMANDS[command], "--out", str(place))
        assert code == 2 and answer["error"]["where"].startswith("--out"), place
        assert contents(bench.root) == before
    for name in ("new.sqlite", "new.toml", "new.sqlite-wal", "new.after.json"):
        assert ask(capsys, *COMMANDS[command], "--out", str(bench.root / name))[0] == 2
    assert contents(bench.root) == before


@pytest.mark.parametrize("command", COMMANDS)
def test_an_output_of_before_is_replaced_and_a_new_one_written(
    bench: Bench, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    out = bench.root / "out" / f"mine{ENDINGS[command]}"
    out.parent.mkdir()
    assert ask(capsys, *COMMANDS[command], "--out", str(out))[0] in (0, 1, 4)
    first = out.read_bytes()
    out.write_bytes(first + b"\n")
    assert ask(capsys, *COMMANDS[command], "--out", str(out))[0] in (0, 1, 4)
    assert out.read_bytes().rstrip() == first.rstrip() or command == "qa"  # qa's page bears its time
    assert out.read_bytes() != first + b"\n"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
def test_a_pipe_or_a_device_is_no_place_for_an_output(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo(bench.root / "pipe.csv")
    assert ask(capsys, "export", "last", "--out", "pipe.csv")[0] == 2
    (bench.root / "null.csv").symlink_to(os.devnull)
    assert ask(capsys, "export", "last", "--out", "null.csv")[0] == 2
    assert (bench.root / "null.csv").is_symlink() and (bench.root / "pipe.csv").is_fifo()


def test_all_editions_are_checked_before_the_first_is_written(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    (bench.root / "mine.slip.html").write_text("a slip of somebody's", encoding="utf-8")
    assert ask(capsys, "report", "good", "--out", "mine.html")[0] == 2
    assert not (bench.root / "mine.html").exists() and not (bench.root / "mine.archive.html").exists()


def test_the_bench_keeps_its_own_report_from_a_foreign_page_in_its_place(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.reports_dir.mkdir()
    (bench.reports_dir / "good.html").write_text("<p>my notes</p>", encoding="utf-8")
    assert ask(capsys, "report", "good")[0] == 2
    assert (bench.reports_dir / "good.html").read_text(encoding="utf-8") == "<p>my notes</p>"


def test_a_name_too_long_is_said(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    for command, words in COMMANDS.items():
        code, answer = ask(capsys, *words, "--out", "n" * 300 + ENDINGS[command])
        assert code == 2 and len(answer["error"]["where"]) < 400


def test_a_pdf_of_ours_is_known_by_its_last_line(tmp_path: Path) -> None:
    pdf = tmp_path / "a.pdf"
    pdf.write_bytes(b"%PDF-1.4\n" + b"x" * 100_000 + b"\n%%EOF\n")
    with pytest.raises(Exception, match="no PDF of ours"):
        check_place(pdf, Output.PDF)
    pdf.write_bytes(pdf.read_bytes() + PDF_MARK.encode())
    check_place(pdf, Output.PDF)


def test_limits_are_never_proposed_into_a_job_or_the_settings(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    before = contents(bench.root)
    for place in ("jobs/good/job.toml", "bench.toml", "jobs/bench.toml", "jobs/job.toml"):
        assert ask(capsys, "qa", "--profile", "tiny.toml", "--propose", place)[0] == 2
    assert contents(bench.root) == before


def test_an_index_that_is_a_link_is_left_alone(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "other.sqlite"
    (bench.root / "index.sqlite").symlink_to(other)
    assert ask(capsys, "qa", "--profile", "tiny.toml")[0] in (0, 1, 4)
    assert ask(capsys, "runs")[0] == 0
    assert not other.exists()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
def test_an_index_that_is_a_pipe_is_left_alone(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo(bench.root / "index.sqlite")
    assert ask(capsys, "runs")[0] == 0
    assert (bench.root / "index.sqlite").is_fifo()


def test_one_index_keeps_both_the_list_of_runs_and_the_figures(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    ask(capsys, "runs")
    ask(capsys, "qa", "--profile", "tiny.toml")
    assert [path.name for path in bench.root.iterdir() if "index" in path.name] == ["index.sqlite"]
