"""Jobs found again, recognised, checked where they are typed, put right and put away; nothing personal is left."""

from __future__ import annotations

import json
import os
import shutil
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.fake_asker import FakeAsker
from tests.pictures import png
from tests.small_records import write_record
from verifyrig.bench.day import note_shift
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Answer, Context
from verifyrig.commands import job as job_command
from verifyrig.commands.cli import run
from verifyrig.commands.parsers import command_parser
from verifyrig.core.errors import UsageError
from verifyrig.dialogs.line_edit import after_key
from verifyrig.jobs.actions import note_findings, record_change
from verifyrig.jobs.dangers import standing_dangers
from verifyrig.jobs.ending import close_job, hand_over
from verifyrig.jobs.keeping import kept_until
from verifyrig.jobs.model import Customer, EntryKind, Intake, Job, Machine
from verifyrig.jobs.store import append, new_entry, new_job, read_job, read_jobs
from verifyrig.jobs.text import parse_job
from verifyrig.jobs.typed import check_answer, check_months
from verifyrig.jobs.upkeep import clear_due

START = datetime(2024, 3, 14, 9, 0, tzinfo=UTC)
JOB = "20240314-1"


@pytest.fixture(autouse=True)
def no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)


def verifyrig(bench: Path, *words: str) -> int:
    return run([*words, "--bench", str(bench)])


def as_json(capsys: pytest.CaptureFixture[str], bench: Path, *words: str) -> tuple[int, Any]:
    capsys.readouterr()
    code = verifyrig(bench, *words, "--json")
    return code, json.loads(capsys.readouterr().out)


def by_keys(bench: Path, words: list[str], asker: FakeAsker) -> Answer:
    parser, _ = command_parser("job")
    return job_command.execute(parser.parse_args(words), Context(bench=find_bench(str(bench))), asker)


def opened(bench: Path, n: int = 0, serial: str = "SN-QXZK", who: str = "Q. Uestion", ticket: str = "T-1") -> Job:
    intake = Intake(
        complaint=f"{who} says: it goes off",
        customer=Customer(name=who, contact="call 000-111", ticket=ticket),
        machine=Machine(kind="desktop-air", maker="Nobody's", model=f"Box {n}", serial=serial),
        answers={"doing": "office", "recent-changes": f"{who} moved it"},
        condition="scratches, sticker of Uestion",
    )
    return new_job(Bench(root=bench), intake, operator="N. Bench", now=START + timedelta(minutes=n))


def ended(bench: Path, job: Job, cause: str = "airflow", hours: float = 5.0) -> Job:
    found, when = Bench(root=bench), START + timedelta(hours=hours)
    job = close_job(found, job, [], cause, override=f"{job.intake.customer.name} wants it", now=when)
    return hand_over(found, job, [], job.intake.customer.name, now=when + timedelta(minutes=1))


# ---- the list


def test_the_list_shows_everything_that_finds_a_job(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    opened(tmp_path)
    assert verifyrig(tmp_path, "job", "list") == 0
    head, line = capsys.readouterr().out.splitlines()
    assert head.split() == ["job", "taken", "in", "ticket", "customer", "machine", "state", "next"]
    for told in (JOB, "2024-03-14", "T-1", "Q. Uestion", "Nobody's Box 0", "taken in", "measure a baseline"):
        assert told in line


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (["uestion"], [0, 5]), (["T-103"], [3]), (["sn-0007"], [7]), (["SN 0007"], [7]), (["Box 4"], [4]),

        (["2024-03-14"], list(range(10))), (["Q. Uestion", "T-105"], [5]), (["cancelled"], [9]),
        (["nobody at all"], []),
        (["moon"], []), (["goes off", "box 2"], [2]), (["open"], list(range(9))), (["000-111", "T-102"], [2]),
    ],
)  # fmt: skip
def test_a_job_is_found_by_any_of_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], found: list[int]
) -> None:
    for n in range(10):
        who = "Q. Uestion" if n in (0, 5) else f"Person {chr(65 + n)}"
        opened(tmp_path, n, serial=f"SN-000{n}", who=who, ticket=f"T-10{n}")
    assert verifyrig(tmp_path, "job", "cancel", "--job", "20240314-10", "--reason", "taken home") == 0
    _, data = as_json(capsys, tmp_path, "job", "list", *words)
    assert [row["job"] for row in data["jobs"]] == [f"20240314-{n + 1}" for n in found] or (
        sorted(row["job"] for row in data["jobs"]) == sorted(f"20240314-{n + 1}" for n in found)
    )
    assert verifyrig(tmp_path, "job", "list", *words) == 0


def test_thirty_jobs_are_listed_in_lines_of_their_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for n in range(30):
        opened(tmp_path, n, who="A name that is as long as names of people can be " * 3)
    assert verifyrig(tmp_path, "job", "list") == 0
    assert len(capsys.readouterr().out.splitlines()) == 31


# ---- the serial


INTAKE_REST = ["", "", "", "", "", "", *[""] * 30]


def test_a_serial_is_recognised_and_the_come_back_offered(tmp_path: Path) -> None:
    old = ended(tmp_path, opened(tmp_path), cause="airflow")
    asker = FakeAsker("off again", "sn qxzk", "y", *[""] * 3, "1", "", "", *[""] * 3)
    with pytest.raises(KeyboardInterrupt):
        by_keys(tmp_path, ["open"], asker)
    told = " ".join(asker.said)
    assert old.job_id in told and "left on 2024-03-14" in told and "air does not flow" in told
    # What was known is offered with the questions.
    assert asker.asked[2].startswith("Did it come back, after job")


def test_flags_name_the_earlier_job_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old = ended(tmp_path, opened(tmp_path))
    assert verifyrig(tmp_path, "job", "open", "--serial", "SNQXZK", "--complaint", "again") == 0
    told = capsys.readouterr().out
    assert f"This machine was here before: {old.job_id}" in told and f"--again {old.job_id}" in told


@pytest.mark.parametrize(("cause", "same"), [("airflow", True), ("contact", False), ("none", False)])
def test_the_same_cause_again_is_called_that(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], cause: str, same: bool
) -> None:
    old = ended(tmp_path, opened(tmp_path), cause="none" if cause == "none" else "airflow")
    job = opened(tmp_path, 30)
    code = verifyrig(tmp_path, "job", "close", "--job", job.job_id, "--cause", cause, "--override", "x")
    said = capsys.readouterr().out
    assert code == 4 and (f"The same cause again, as in job {old.job_id}" in said) is same
    _, data = as_json(capsys, tmp_path, "job", "show", job.job_id)
    assert data["same_cause"] == ([old.job_id] if same else [])


def test_the_same_cause_again_stands_on_the_page(tmp_path: Path) -> None:
    old = ended(tmp_path, opened(tmp_path))
    job = ended(tmp_path, opened(tmp_path, 30), hours=9)
    assert verifyrig(tmp_path, "report", job.job_id) == 0
    page = (tmp_path / "reports" / f"{job.job_id}.archive.html").read_text(encoding="utf-8")
    assert "the same cause again, as in job" in page and old.job_id in page
    assert verifyrig(tmp_path, "report", old.job_id) == 0
    page = (tmp_path / "reports" / f"{old.job_id}.archive.html").read_text(encoding="utf-8")
    assert "the same cause again" not in page


# ---- checked where it is typed


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("time-from-start", "ungefähr 10 Minuten"), ("time-from-start", "a while"), ("time-from-start", "10"),
        ("time-from-start", "ungefähr 10 min"), ("room", "warm"), ("room", "240"), ("room", "75 °F"),
        ("how-often", "often"), ("how-often", "ab und zu"),
    ],
)  # fmt: skip
def test_what_is_no_figure_is_asked_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], key: str, text: str
) -> None:
    with pytest.raises(UsageError):
        check_answer(key, text, key)
    assert verifyrig(tmp_path, "job", "open", "--answer", f"{key}={text}") == 2
    file = tmp_path / "intake.toml"
    file.write_text(f'[answers]\n{key} = "{text}"\n', encoding="utf-8")
    assert verifyrig(tmp_path, "job", "open", "--file", str(file)) == 2
    assert not (tmp_path / "jobs").exists()


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("time-from-start", "10 min"), ("time-from-start", "40 s"), ("time-from-start", "at once"), ("room", "24"),
        ("time-from-start", "1,5 h"), ("room", "24,5 °C"), ("how-often", "every time"), ("how-often", "2 h"),
        ("how-often", "not-known"), ("how-often", "twice a week 3 h a day"), ("doing", "ab und zu"), ("room", ""),
    ],
)  # fmt: skip
def test_what_is_one_is_taken_as_it_was_typed(key: str, text: str) -> None:
    assert check_answer(key, text, key) == text


@pytest.mark.parametrize("text", ["two years", "-1", "241", "24 m", "²", "9" * 400])
def test_a_warranty_is_a_number_of_months(text: str) -> None:
    with pytest.raises(UsageError):
        check_months(text)
    assert check_months("24") == 24


def test_a_wrong_figure_stands_in_the_line_to_be_put_right(tmp_path: Path) -> None:
    opened(tmp_path)
    asker = FakeAsker("5", "pump", "L1", "89.00", "two years", "24", "-", "n", "", "", "")
    by_keys(tmp_path, ["change"], asker)
    assert read_job(Bench(root=tmp_path), JOB).changes[-1].detail["warranty_months"] == 24
    assert any("no number of months" in line for line in asker.said)
    asker = FakeAsker("d", "1", "warm", "52±2")
    by_keys(tmp_path, ["finding"], asker)
    assert read_job(Bench(root=tmp_path), JOB).finding("hose-in") is not None


def test_keys_put_a_line_right() -> None:
    line = "10 Minuten"
    for _ in range(5):
        line = after_key(line, "\x7f")
    assert line + "in" == "10 Miin" and after_key("abc", "\x15") == "" and after_key("a", "é") == "aé"
    assert after_key("a", "\x1b[A") == after_key("a", "\x00") == after_key("a", "\u202e") == "a"
    assert after_key("", "\b") == ""


def test_an_old_job_with_any_text_is_read() -> None:
    old = f"""
schema = 1
job = "{JOB}"
opened = 2024-03-01T09:00:00Z
complaint = "hot"
[answers]
time-from-start = "ungefähr 10 Minuten"
how-often = "ab und zu"
what = "hot"
"""
    job = parse_job(old, "job.toml")
    assert job.intake.answers["time-from-start"] == "ungefähr 10 Minuten" and job.is_open and not job.withdrawn


# ---- several symptoms


def test_several_symptoms_weigh_as_one_answer(tmp_path: Path) -> None:
    from verifyrig.diagnosis.evidence import _word_pieces

    one, hot = _word_pieces("answer", {"what": "switches-off"}), _word_pieces("answer", {"what": "hot"})
    both = _word_pieces("answer", {"what": "switches-off, hot"})
    assert len(one) == len(hot) == 1 and len(both) == 2
    # The mean of the logarithms: two words for one fault are no two faults.
    assert sum(piece.logs for piece in both) == pytest.approx((one[0].logs + hot[0].logs) / 2)


# ---- put right


def test_a_correction_is_an_entry_and_the_intake_says_what_is_right(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    opened(tmp_path)
    before = (tmp_path / "jobs" / JOB / "job.toml").read_text(encoding="utf-8")
    words = ["customer=R. Ight", "serial=SN-0043", "doing=games-or-3d", "kind=laptop", "recent-changes="]
    code, data = as_json(capsys, tmp_path, "job", "correct", *words, "--reason", "misheard")
    assert code == 0 and data["customer"]["name"] == "R. Ight" and data["machine"]["serial"] == "SN-0043"
    assert data["answers"] == {"doing": "games-or-3d"} and data["machine"]["kind"] == "laptop"
    after = (tmp_path / "jobs" / JOB / "job.toml").read_text(encoding="utf-8")
    assert after.startswith(before.rstrip("\n"))  # nothing is written over
    assert verifyrig(tmp_path, "job", "show") == 0
    assert "corrected: customer Q. Uestion → R. Ight (misheard)" in capsys.readouterr().out


@pytest.mark.parametrize(
    "words",
    [["serial"], ["colour=red"], ["kind=toaster"], ["customer=Q. Uestion"], ["room=warm"], ["smell=none"],
     ["leak=none"],
     ["customer=R. Ight", "room=warm"], ["--withdraw", "nothing"], []],
)  # fmt: skip
def test_a_correction_that_cannot_be_meant_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    opened(tmp_path)
    before = (tmp_path / "jobs" / JOB / "job.toml").read_bytes()
    assert verifyrig(tmp_path, "job", "correct", *words) == 2
    assert (tmp_path / "jobs" / JOB / "job.toml").read_bytes() == before
    assert capsys.readouterr().err.count("\n") == 1


def test_an_entry_written_by_mistake_is_taken_back_and_stays_in_sight(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found, job = Bench(root=tmp_path), opened(tmp_path)
    job = record_change(found, job, "part-replaced", {"part": "fan", "price": "20"}, now=START + timedelta(hours=1))
    entry = job.changes[-1].entry_id
    code, data = as_json(capsys, tmp_path, "job", "correct", "--withdraw", entry, "--reason", "wrong job")
    assert code == 0 and data["withdrawn"] == [entry] and data["state"] == "taken in"
    assert read_job(found, JOB).changes == ()
    assert verifyrig(tmp_path, "job", "show") == 0
    assert "(taken back) change: part replaced (fan)" in capsys.readouterr().out
    assert verifyrig(tmp_path, "job", "correct", "--withdraw", entry) == 2


def test_a_danger_is_not_taken_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found, job = Bench(root=tmp_path), opened(tmp_path)
    job = note_findings(found, job, ["leak=seen"], now=START + timedelta(hours=1))
    assert verifyrig(tmp_path, "job", "correct", "--withdraw", job.entries[-1].entry_id) == 2
    assert "names a danger" in capsys.readouterr().err
    # Nor by an entry that somebody writes into the file by hand.
    job = append(
        found, JOB, [new_entry(EntryKind.WITHDRAWAL, job.entries[-1].entry_id, now=START + timedelta(hours=2))]
    )
    assert standing_dangers(job)


def test_what_was_signed_stays_signed_and_is_marked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = ended(tmp_path, opened(tmp_path))
    assert verifyrig(tmp_path, "job", "correct", "--job", JOB, "serial=SN-1") == 0
    capsys.readouterr()
    assert verifyrig(tmp_path, "job", "show", JOB) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "corrected: serial SN-QXZK → SN-1 [after the signature of 2024-03-14" in shown
    assert read_job(Bench(root=tmp_path), JOB).handover == job.handover


def test_by_keys_a_fact_or_an_entry_is_picked_from_a_list(tmp_path: Path) -> None:
    found = Bench(root=tmp_path)
    note_findings(found, opened(tmp_path), ["radiator=cold"], now=START + timedelta(hours=1))
    by_keys(tmp_path, ["correct"], FakeAsker("1", "R. Ight"))
    assert read_job(found, JOB).intake.customer.name == "R. Ight"
    rows = FakeAsker("1", "")
    by_keys(tmp_path, ["correct"], rows)
    number = next(n for n, row in enumerate(rows.said[1:], start=1) if row.startswith("take back: found: radiator"))
    by_keys(tmp_path, ["correct"], FakeAsker(str(number)))
    assert read_job(found, JOB).finding("radiator") is None


# ---- put away


def test_a_cancelled_job_is_over_and_says_why(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    opened(tmp_path)
    assert verifyrig(tmp_path, "job", "cancel") == 2
    code, data = as_json(capsys, tmp_path, "job", "cancel", "--reason", "too dear")
    assert code == 0 and data["state"] == "cancelled"
    assert verifyrig(tmp_path, "job", "show", JOB) == 0
    assert "cancelled (too dear)" in capsys.readouterr().out
    assert verifyrig(tmp_path, "job", "cancel", "--job", JOB, "--reason", "x") == 2
    assert verifyrig(tmp_path, "job", "show") == 2  # none is open


def test_a_deleted_job_leaves_its_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    opened(tmp_path)
    write_record(Bench(root=tmp_path).runs_dir(JOB), 0, facts={"purpose": "check", "job": JOB})
    assert verifyrig(tmp_path, "job", "delete", JOB) == 2
    assert verifyrig(tmp_path, "job", "delete", JOB, "--reason", "typed twice") == 2
    assert "1 records" in capsys.readouterr().err
    words = ["job", "delete", JOB, "--reason", "typed twice", "--with-records", "--by", "N. Bench"]
    assert verifyrig(tmp_path, *words) == 0
    assert not (tmp_path / "jobs" / JOB).exists()
    code, data = as_json(capsys, tmp_path, "job", "list")
    (line,) = data["log"]
    assert code == 0 and data["jobs"] == []
    assert (line["job"], line["what"], line["by"], line["reason"]) == (JOB, "deleted", "N. Bench", "typed twice")
    assert "Uestion" not in (tmp_path / "jobs" / "log.toml").read_text(encoding="utf-8")


def test_a_deleted_jobs_id_is_never_given_again_and_no_copy_brings_it_back(tmp_path: Path) -> None:
    here, stick = tmp_path / "here", tmp_path / "stick"
    job = opened(here)
    shutil.copytree(here, stick)
    assert verifyrig(here, "job", "delete", JOB, "--reason", "typed twice") == 0
    assert verifyrig(here, "runs", "--collect", str(stick)) == 0
    assert read_jobs(Bench(root=here))[0] == []
    assert opened(here).job_id == "20240314-2" != job.job_id
    assert verifyrig(here, "job", "open", "--id", JOB, "--complaint", "x") == 2


def test_what_was_cleared_does_not_come_back_from_a_stick(tmp_path: Path) -> None:
    here, stick = tmp_path / "here", tmp_path / "stick"
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(png(40, 30))
    record_change(Bench(root=here), opened(here), "cleaned", {"note": "Uestion saw it"}, photos=[photo], now=START)
    ended(here, read_job(Bench(root=here), JOB))
    shutil.copytree(here, stick)
    assert verifyrig(here, "job", "clear", JOB) == 0
    assert verifyrig(here, "runs", "--collect", str(stick)) == 0
    assert b"Uestion" in whole(stick) and b"Uestion" not in whole(here)


def test_a_signed_job_is_not_deleted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ended(tmp_path, opened(tmp_path))
    assert verifyrig(tmp_path, "job", "delete", JOB, "--reason", "x") == 2
    assert "what was signed stays" in capsys.readouterr().err and (tmp_path / "jobs" / JOB).is_dir()


# Letters that stand in no hexadecimal digest: four digits would be found in one by chance.
PRIVATE = ("Uestion", "000-111", "SN-QXZK", "QXZK", "T-77", "scratches", "moved it", "wants it", "goes off")


def whole(bench: Path) -> bytes:
    return b"".join(path.read_bytes() for path in sorted(bench.rglob("*")) if path.is_file())


def test_after_clearing_nothing_personal_is_left_in_the_bench(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found, job = Bench(root=tmp_path), opened(tmp_path, ticket="T-77")
    photo = tmp_path.parent / f"{tmp_path.name}-photo.jpg"
    photo.write_bytes(png(40, 30))
    record_change(
        found,
        job,
        "cleaned",
        {"note": "Q. Uestion watched"},
        photos=[photo],
        by="N. Bench",
        now=START + timedelta(hours=1),
    )
    note_findings(found, job, ["note=Uestion heard it", "radiator=cold", "hose-in=52"], now=START + timedelta(hours=2))
    assert verifyrig(tmp_path, "run", "quick-look", "--mock", "healthy-air", "--job", JOB) in (0, 1, 4)
    assert verifyrig(tmp_path, "job", "correct", "--job", JOB, "condition=Uestion's sticker") == 0
    assert verifyrig(tmp_path, "job", "clear", JOB) == 2  # still open
    ended(tmp_path, read_job(found, JOB))
    assert verifyrig(tmp_path, "report", JOB) == 0
    (record,) = found.records(JOB)
    kept = record.read_bytes()
    assert all(text.encode() not in kept for text in PRIVATE), "a record is never rewritten and must hold nothing"
    assert all(text.encode() in whole(tmp_path) for text in ("Uestion", "SN-QXZK", "T-77"))

    assert verifyrig(tmp_path, "job", "clear", JOB, "--reason", "asked for in writing") == 0
    left = whole(tmp_path)
    assert [text for text in PRIVATE if text.encode() in left] == []
    assert record.read_bytes() == kept
    job = read_job(found, JOB)
    assert job.is_cleared and not job.is_open and job.closing is not None and job.closing.what == "airflow"
    assert job.changes[-1].what == "cleaned" and job.changes[-1].by == "N. Bench"
    assert job.finding("radiator") is not None and job.finding("hose-in").detail["value"] == 52.0  # type: ignore[union-attr]
    assert job.intake.machine.model == "Box 0" and job.intake.answers == {"doing": "office"}
    assert verifyrig(tmp_path, "job", "show", JOB) == 0 and verifyrig(tmp_path, "job", "list") == 0
    assert verifyrig(tmp_path, "report", JOB) == 0 and verifyrig(tmp_path, "diagnose", "--job", JOB) in (0, 4)
    assert verifyrig(tmp_path, "job", "clear", JOB) == 0  # twice is once
    assert job.signed  # that somebody signed is known, who is not
    code, data = as_json(capsys, tmp_path, "job", "list")
    assert code == 0 and [line["what"] for line in data["log"]] == ["cleared"]


def test_the_date_comes_by_itself_and_a_warranty_holds_it_back(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text("[privacy]\nkeep_days = 100\n", encoding="utf-8")
    bench = find_bench(str(tmp_path))
    first = ended(tmp_path, opened(tmp_path))
    second = opened(tmp_path, 1, who="W. Arranted")
    second = record_change(
        bench, second, "part-replaced", {"part": "fan", "warranty_months": 12}, now=START + timedelta(hours=1)
    )
    second = close_job(bench, second, [], "airflow", override="x", now=START + timedelta(hours=2))
    second = hand_over(bench, second, [], "W. Arranted", old_parts="taken", now=START + timedelta(hours=3))
    opened(tmp_path, 2, who="S. Till Here")
    # 14 March 2024 and 100 days is 22 June 2024; twelve months from the pickup end on 14 March 2025.
    assert str(kept_until(first, 100)) == "2024-06-22" and str(kept_until(second, 100)) == "2025-03-14"
    assert clear_due(bench, datetime(2024, 6, 22, 23, tzinfo=UTC)) == []
    assert clear_due(bench, datetime(2024, 6, 23, 1, tzinfo=UTC)) == [first.job_id]
    assert clear_due(bench, datetime(2024, 6, 23, 1, tzinfo=UTC)) == []
    assert clear_due(bench, datetime(2025, 3, 15, 1, tzinfo=UTC)) == [second.job_id]
    assert clear_due(bench, datetime(2099, 1, 1, tzinfo=UTC)) == []
    assert len([job for job in read_jobs(bench)[0] if not job.is_cleared]) == 1


def test_it_happens_at_the_next_use_of_the_bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bench.toml").write_text("[privacy]\nkeep_days = 1\n", encoding="utf-8")
    found = Bench(root=tmp_path)
    old = new_job(found, Intake(customer=Customer(name="Q. Uestion")), now=datetime(2021, 1, 1, tzinfo=UTC))
    old = close_job(found, old, [], "unknown", override="x", now=datetime(2021, 1, 2, tzinfo=UTC))
    hand_over(found, old, [], "Q. Uestion", now=datetime(2021, 1, 3, tzinfo=UTC))
    assert verifyrig(tmp_path, "job", "list") == 0
    assert "cleared, as [privacy] keep_days says" in capsys.readouterr().err
    assert b"Uestion" not in whole(tmp_path)


# ---- on a real terminal

pexpect = pytest.importorskip("pexpect")


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_a_mistyped_time_is_put_right_on_the_line(tmp_path: Path) -> None:
    ended(tmp_path, opened(tmp_path))
    note_shift(tmp_path, "N. Bench", datetime.now(UTC))
    env = {key: value for key, value in os.environ.items() if key not in ("COLUMNS", "LINES")} | {"TERM": "xterm"}
    words = ["-m", "verifyrig", "--bench", str(tmp_path), "job", "open"]
    words = ["-m", "verifyrig", "job", "open", "--bench", str(tmp_path)]
    child = pexpect.spawn(sys.executable, words, dimensions=(50, 90), encoding="utf-8", timeout=60, env=env)

    child.expect_exact("own words?")
    for keys, until in (
        ("off again\r", "Serial number?"), ("snqxzk\r", "(Y/n)"), ("y", "Customer's name? [Q. Uestion]"),
        ("\r", "reach"), ("\r", "Ticket"), ("T-2\r", "kind of machine"), ("\r", "Maker"), ("\r", "Model"),
        ("\r", "exactly"), ("1", "besides"), ("6", "besides"), ("\r", "does it happen"), ("2", "doing"),
        ("4", "How often"), ("2 h\r", "How long from the start"), ("ungefähr 10 Minuten\r", "> ungefähr 10 Minuten"),
        ("\x15", ">"), ("10 min\r", "start again?"), ("2", "noise"), ("1", "changed"), ("\r", "stand?"), ("1", "room"),
        ("24\r", "switched on"),
    ):  # fmt: skip
        child.send(keys)
        child.expect_exact(until)
    child.send("1")
    for _ in range(6):
        child.send("-")
    child.expect_exact("price")
    child.send("\r\r\r\r\r\r")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
    job = read_jobs(Bench(root=tmp_path))[0][-1]
    assert job.again == JOB and job.intake.customer.ticket == "T-2" and job.intake.customer.name == "Q. Uestion"
    assert job.intake.answers["time-from-start"] == "10 min" and job.intake.answers["what"] == "switches-off, hot"
