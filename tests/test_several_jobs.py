"""Several jobs on one bench: which is meant is said, asked or refused, and never the newest taken silently."""

from __future__ import annotations

import json
import os
import re
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.fake_asker import FakeAsker
from tests.small_records import write_record
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Context, next_step
from verifyrig.commands.cli import run
from verifyrig.commands.which_job import job_meant
from verifyrig.core.errors import BenchError
from verifyrig.dialogs.rows import RowMark
from verifyrig.jobs.actions import put_on_place
from verifyrig.jobs.ending import close_job, hand_over
from verifyrig.jobs.model import Customer, Intake, Job, Machine
from verifyrig.jobs.places import places_of
from verifyrig.jobs.store import new_job, read_job
from verifyrig.jobs.which import SeveralJobs, meant_of

START = datetime(2031, 3, 14, 9, 0, tzinfo=UTC)
PLACES = '[place]\nnames = ["left", "right"]\n'


def opened(bench: Path, n: int, ticket: str, who: str, model: str) -> Job:
    intake = Intake(
        customer=Customer(name=who, ticket=ticket), machine=Machine(kind="desktop-air", maker="Nobody's", model=model)
    )
    return new_job(Bench(root=bench), intake, now=START + timedelta(minutes=n))


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """Two open jobs of invented people, and the places of the bench."""
    (tmp_path / "bench.toml").write_text(PLACES, encoding="utf-8")
    opened(tmp_path, 0, "T-101", "A. Customer", "Box One")
    opened(tmp_path, 1, "T-102", "B. Uyer", "Box Two")
    return tmp_path


OLDER, NEWER = "20310314-1", "20310314-2"


@pytest.fixture(autouse=True)
def no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    monkeypatch.delenv("VERIFYRIG_PLACE", raising=False)


def verifyrig(bench: Path, *words: str) -> int:
    return run([*words, "--bench", str(bench)])


CSV = "t,temp\n" + "".join(f"{t},{30 + t / 10}\n" for t in range(30))


@pytest.mark.parametrize(
    "words",
    [
        ["run", "quick-look", "--mock", "healthy-air"],
        ["report"],
        ["diagnose"],
        ["compare"],
        ["import", "log.csv", "--time", "t", "--channel", "die_temp_c=temp", "--stage", "idle=0:20"],
        ["job", "show"],
        ["job", "change", "cleaned"],
        ["job", "finding", "radiator=cold"],
        ["job", "close", "--cause", "none"],
        ["job", "handover", "--to", "A. Customer"],
        ["job", "place", "left"],
        ["channels", "--prove", "--root", "tree"],
    ],
)
def test_nothing_is_taken_silently_where_nobody_can_be_asked(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, words: list[str]
) -> None:
    monkeypatch.chdir(bench)
    (bench / "log.csv").write_text(CSV, encoding="utf-8")
    before = {path: path.read_bytes() for path in bench.rglob("*") if path.is_file()}
    assert verifyrig(bench, *words) == 2
    out, err = capsys.readouterr()
    assert out == "" and "2 jobs are open" in err
    for told in (OLDER, "T-101", "A. Customer", "Box One", NEWER, "T-102", "B. Uyer", "Box Two"):
        assert told in err
    assert {path: path.read_bytes() for path in bench.rglob("*") if path.is_file()} == before


def test_a_job_by_name_and_by_place_is_taken_and_named(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["--job", OLDER], ["--place", "left"]):
        assert verifyrig(bench, "job", "place", "left", "--job", OLDER) == 0
        assert verifyrig(bench, "job", "finding", "radiator=cold", *words) == 0
        told = capsys.readouterr().out
        assert f"Job {OLDER} (left), ticket T-101, A. Customer, Nobody's Box One" in told
    assert len(read_job(Bench(root=bench), NEWER).entries) == 0
    assert verifyrig(bench, "job", "finding", "radiator=cold", "--place", "right") == 2
    assert "none stands on right" in capsys.readouterr().err
    assert verifyrig(bench, "job", "finding", "radiator=cold", "--place", "shelf") == 2
    assert "no place 'shelf'" in capsys.readouterr().err


def test_the_computer_knows_its_place_and_what_stands_there(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert verifyrig(bench, "job", "place", "right", "--job", OLDER) == 0
    monkeypatch.setenv("VERIFYRIG_PLACE", "right")
    assert verifyrig(bench, "run", "quick-look", "--mock", "healthy-air") in (0, 1, 4)
    out, err = capsys.readouterr()
    told = f"Job {OLDER} (right), ticket T-101, A. Customer, Nobody's Box One"
    assert told in out and told in err
    (record,) = Bench(root=bench).records(OLDER)
    # The screen names the customer; the record, which is never rewritten, must not.
    for private in (b"Customer", b"T-101"):
        assert private not in record.read_bytes()
    monkeypatch.delenv("VERIFYRIG_PLACE")
    (bench / "bench.toml").write_text(PLACES + 'here = "right"\n', encoding="utf-8")
    assert verifyrig(bench, "job", "show") == 0
    assert told in capsys.readouterr().out.replace(": taken in", "")[:200] + told


def test_a_run_without_a_job_is_possible_beside_open_ones(bench: Path) -> None:
    assert verifyrig(bench, "run", "quick-look", "--mock", "healthy-air", "--without-job") in (0, 1, 4)
    assert len(list((bench / "runs").glob("*.sqlite"))) == 1
    assert verifyrig(bench, "run", "quick-look", "--mock", "healthy-air", "--without-job", "--job", OLDER) == 2


def test_records_named_by_their_ids_ask_for_no_job(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for n in range(2):
        write_record(Bench(root=bench).runs_dir(OLDER), n, facts={"purpose": "check", "job": OLDER})
    ids = [path.stem for path in Bench(root=bench).records(OLDER)]
    assert verifyrig(bench, "compare", *ids) in (0, 4)
    assert OLDER in capsys.readouterr().out
    assert verifyrig(bench, "compare", "first", "last") == 2
    assert verifyrig(bench, "compare", "first", "last", "--job", OLDER) in (0, 4)
    assert verifyrig(bench, "diagnose", *ids) in (0, 4)


def test_the_newest_entry_decides_who_stands_on_a_place(bench: Path) -> None:
    older, newer = (read_job(Bench(root=bench), job) for job in (OLDER, NEWER))
    older = put_on_place(Bench(root=bench), older, "left", now=START + timedelta(hours=1))
    assert places_of([older, newer]) == {OLDER: "left"}
    newer = put_on_place(Bench(root=bench), newer, "left", now=START + timedelta(hours=2))
    assert places_of([older, newer]) == {NEWER: "left"}
    assert meant_of([older, newer], "here", "left") == newer
    with pytest.raises(SeveralJobs):
        meant_of([older, newer], "here", "right")
    # The only open job stands elsewhere: what is measured here is another machine.
    with pytest.raises(SeveralJobs, match="stands on another place"):
        meant_of([newer], "here", "right")
    assert meant_of([newer], "here") == newer
    newer = put_on_place(Bench(root=bench), newer, "none", now=START + timedelta(hours=3))
    assert places_of([newer]) == {} and meant_of([newer], "here", "right") == newer


def test_a_job_that_is_over_stands_nowhere(bench: Path) -> None:
    found = find_bench(str(bench))
    job = put_on_place(found, read_job(found, OLDER), "left", now=START)
    job = close_job(found, job, [], "unknown", override="given back", now=START + timedelta(hours=1))
    job = hand_over(found, job, [], "A. Customer", now=START + timedelta(hours=2))
    assert not job.is_open and places_of([job]) == {}


def test_moving_a_machine_on_the_bench_makes_no_report_out_of_date(bench: Path) -> None:
    from verifyrig.report.index import has_current_report

    assert verifyrig(bench, "job", "finding", "radiator=cold", "--job", OLDER) == 0
    assert verifyrig(bench, "report", OLDER) == 0
    assert has_current_report(Bench(root=bench), OLDER)
    for place in ("left", "right", "none"):
        assert verifyrig(bench, "job", "place", place, "--job", OLDER) == 0
        assert has_current_report(Bench(root=bench), OLDER), place
    assert verifyrig(bench, "job", "finding", "radiator=hot", "--job", OLDER) == 0
    assert not has_current_report(Bench(root=bench), OLDER)


@pytest.mark.parametrize(
    "text",
    [
        'names = "left"',
        'names = ["left", "left"]',
        'names = [""]',
        'names = ["none"]',
        'names = ["left"]\nhere = "right"',
        'here = "left"',
        'names = ["left"]\nhre = "left"',
    ],
)
def test_places_that_cannot_be_meant_are_faults_of_bench_toml(tmp_path: Path, text: str) -> None:
    (tmp_path / "bench.toml").write_text(f"[place]\n{text}\n", encoding="utf-8")
    with pytest.raises(BenchError):
        find_bench(str(tmp_path))


# ---- a person chooses


def test_a_choice_is_remembered_for_the_place(bench: Path) -> None:
    (bench / "bench.toml").write_text(PLACES + 'here = "left"\n', encoding="utf-8")
    context = Context(bench=find_bench(str(bench)))
    asker = FakeAsker("1")
    job = job_meant(context, asker=asker)
    assert job is not None and job.job_id == OLDER
    again = job_meant(context, asker=FakeAsker())
    assert again is not None and again.job_id == OLDER
    assert job_meant(context, None, "right", asker=FakeAsker("2")).job_id == NEWER  # type: ignore[union-attr]


def test_keys_move_the_mark_and_numbers_take_a_row() -> None:
    def after(count: int, *keys: str) -> RowMark:
        mark = RowMark(count=count)
        for key in keys:
            mark = mark.pressed(key)
        return mark

    assert after(3, "2").taken == 1
    assert after(3, "\x1b[B", "\x1b[B", "\r").taken == 1
    assert after(3, "\x1b[A", "\r").taken == 2  # up from nothing is the last
    assert after(3, "\x1b[B", "\x1b[A", "\x1bOA", "\r").taken == 1
    assert after(3, "\r").taken == -1  # Enter typed ahead takes nothing
    assert after(3, "9").taken == after(3, "0").taken == after(3, "x").taken == -1
    # Of twelve rows a 1 may be the start of 10, 11 or 12: Enter ends it.
    assert after(12, "1").taken == -1 and after(12, "1", "\r").taken == 0
    assert after(12, "1", "2").taken == 11 and after(12, "2").taken == 1
    assert after(12, "1", "\x7f", "2").taken == 1


def turn(bench: Path, *answers: str) -> FakeAsker:
    asker = FakeAsker(*answers, "q")
    next_step.execute(Context(bench=find_bench(str(bench))), asker)
    return asker


def test_the_menu_asks_first_and_stays_with_the_job(bench: Path) -> None:
    asker = turn(bench, "1", "3", "1", "1")  # the older job; a finding: the radiator, cold
    assert [entry.what for entry in read_job(Bench(root=bench), OLDER).entries] == ["radiator"]
    assert asker.asked.count("Which job?") == 1
    assert any("T-101" in line and "A. Customer" in line and "Box One" in line for line in asker.said)


def test_the_menu_can_leave_a_job_for_another_and_for_none(bench: Path) -> None:
    asker = turn(bench, "1", "9", "8", "2", "3", "1", "1")
    assert [entry.what for entry in read_job(Bench(root=bench), NEWER).entries] == ["radiator"]
    assert read_job(Bench(root=bench), OLDER).entries == ()
    asker = turn(bench, "3", "9", "2")  # none of them, then the open jobs again, the newer one
    assert "No job." in asker.said and asker.asked.count("Which job?") == 2


# ---- on a real terminal

pexpect = pytest.importorskip("pexpect")


def terminal(bench: Path, *words: str) -> Any:
    env = {key: value for key, value in os.environ.items() if key not in ("COLUMNS", "LINES")}
    env |= {"TERM": "xterm"}
    words = ("-m", "verifyrig", *words, "--bench", str(bench))
    return pexpect.spawn(sys.executable, list(words), dimensions=(40, 100), encoding="utf-8", timeout=120, env=env)


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_a_run_asks_on_a_terminal_which_machine_it_heats(bench: Path) -> None:
    child = terminal(bench, "run", "quick-look", "--mock", "healthy-air")
    child.expect_exact("Which job?")
    child.expect_exact("Box Two")
    child.send("\x1b[A\x1b[A")  # two up from nothing: the older one
    child.expect(r"> 1 20310314-1")
    child.send("\r")
    child.expect(pexpect.EOF)
    child.close()
    seen = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", child.before)
    assert "T-101" in seen and "A. Customer" in seen
    assert child.exitstatus in (0, 1, 4)
    assert len(Bench(root=bench).records(OLDER)) == 1 and Bench(root=bench).records(NEWER) == []


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_the_panel_of_a_run_names_the_job(bench: Path) -> None:
    child = terminal(bench, "run", "quick-look", "--mock", "healthy-air", "--speed", "60", "--job", NEWER)
    child.expect_exact("in this stage")
    child.expect_exact(f"Job {NEWER}, ticket T-102, B. Uyer, Nobody's Box Two")
    child.sendintr()
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 130


def test_json_of_a_refusal_names_them_too(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert verifyrig(bench, "diagnose", "--json") == 2
    error = json.loads(capsys.readouterr().out)["error"]
    assert OLDER in error["mend"] and NEWER in error["mend"]
