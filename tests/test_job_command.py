"""`verifyrig job`: from flags, from a file, from keys; what is refused; text from outside drives nothing."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.fake_asker import FakeAsker
from tests.nobody import open_folder, python_for_nobody
from tests.pictures import png
from tests.small_records import write_record
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Answer, Context
from verifyrig.commands import job as job_command
from verifyrig.commands.cli import run
from verifyrig.commands.parsers import command_parser
from verifyrig.jobs.store import open_job, read_job, read_jobs
from verifyrig.jobs.vocabulary import protective_steps

HOSTILE = "\x1b[2J\x1b]0;owned\x07<script>alert(1)</script>\u202eevil\r\n=cmd|' /C calc'!A0 ../../etc"


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


def taken_in(bench: Path, kind: str = "desktop-air") -> None:
    assert verifyrig(bench, "job", "open", "--complaint", "hot", "--kind", kind, "--customer", "A. Customer") == 0


def tick_all(bench: Path, kind: str = "desktop-air") -> None:
    steps = [word for step in protective_steps(kind) for word in ("--tick", step)]
    assert verifyrig(bench, "job", "finding", *steps) == 0


def measured(bench: Path) -> None:
    """A baseline that keeps its limits, in the open job."""
    job = open_job(Bench(root=bench))
    assert job is not None
    write_record(Bench(root=bench).runs_dir(job.job_id), 0, facts={"purpose": "baseline", "job": job.job_id})


# ---- intake


def test_an_intake_by_flags_is_kept_and_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["job", "open", "--complaint", "It goes off", "--kind", "laptop", "--model", "Flat 1", "--serial", "0007"]
    words += [
        "--answer",
        "restart=at-once",
        "--answer",
        "how-often=every 20 min",
        "--consent",
        "heavy-load=no",
        "--price-ceiling",
        "80",
        "--by",
        "N. Bench",
    ]
    code, data = as_json(capsys, tmp_path, *words)
    assert code == 0 and data["machine"] == {"kind": "laptop", "maker": "", "model": "Flat 1", "serial": "0007"}
    assert data["answers"] == {"restart": "at-once", "how-often": "every 20 min"} and data["price_ceiling"] == "80"
    assert data["consent"]["heavy-load"] == "no" and data["consent"]["data"] == "not-asked"
    assert data["state"] == "taken in" and data["next"] == "measure a baseline"
    assert verifyrig(tmp_path, "job", "show") == 0
    shown = capsys.readouterr().out
    assert "“It goes off”" in shown and "restart: at-once" in shown and "by N. Bench" in shown
    assert "One failure in 20 min of use asks for 60 min of like use without any" in shown


def test_an_intake_from_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "intake.toml"
    file.write_text('complaint = "hot"\naccessories = "lead"\n[machine]\nkind = "small-form"\n', encoding="utf-8")
    code, data = as_json(capsys, tmp_path, "job", "open", "--file", str(file))
    assert code == 0 and data["accessories"] == "lead" and data["machine"]["kind"] == "small-form"
    assert verifyrig(tmp_path, "job", "open", "--file", str(file), "--complaint", "x") == 2
    file.write_bytes(b"\xff")
    assert verifyrig(tmp_path, "job", "open", "--file", str(file)) == 2
    assert verifyrig(tmp_path, "job", "open", "--file", str(tmp_path / "gone.toml")) == 2


def test_an_intake_by_keys_asks_everything_once(tmp_path: Path) -> None:
    asker = FakeAsker(
        "It goes off", "0007", "A. Customer", "counter", "T-7", "2", "Nobody's", "Box 1",
        "1", "6", "", "2", "4", "2 h", "40 s", "2", "1", "", "1", "24", "1",
        "n", "y", "y", "y", "", "n", "120", "lead", "scratches", "", "", "",
    )  # fmt: skip
    answer = by_keys(tmp_path, ["open"], asker)
    assert asker.answers == []
    assert answer.data["machine"]["kind"] == "desktop-liquid"
    assert answer.data["answers"] == {
        "what": "switches-off, hot", "when": "under-load", "doing": "office", "how-often": "2 h",
        "time-from-start": "40 s",
        "restart": "after-minutes", "noises": "none", "place": "desk", "room": "24",
        "leak": "none", "smell": "none", "connector": "sound",
    }  # fmt: skip
    assert answer.data["consent"]["data"] == "no" and answer.data["consent"]["graphics-and-processor"] == "not-asked"


def test_a_machine_that_came_back_is_known(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken_in(tmp_path, "laptop")
    job = open_job(Bench(root=tmp_path))
    assert job is not None
    code, data = as_json(capsys, tmp_path, "job", "open", "--again", job.job_id, "--complaint", "again")
    assert code == 0 and data["machine"]["kind"] == "laptop" and data["customer"]["name"] == "A. Customer"
    assert verifyrig(tmp_path, "job", "open", "--again", "nosuchjob", "--complaint", "x") == 2


@pytest.mark.parametrize(
    "words",
    [
        ["open", "--kind", "toaster"],
        ["open", "--answer", "restrt=at-once"],
        ["open", "--consent", "data=maybe"],
        ["open", "--id", "../x", "--complaint", "x"],
        ["change"],
        ["change", "painted"],
        ["change", "part-replaced"],
        ["change", "part-returned"],
        ["change", "setting-changed", "--before", "x"],
        ["change", "cleaned", "--photo", "/nonexistent.jpg"],
        ["change", "part-replaced", "--part", "x", "--warranty", "9999"],
        ["finding"],
        ["finding", "radiator"],
        ["finding", "radiator=cld"],
        ["finding", "hose-in=warm"],
        ["finding", "hose-in=900"],
        ["finding", "consent-data=perhaps"],
        ["finding", "consent-dat=yes"],
        ["finding", "--tick", "danced"],
        ["close", "--cause", "bad-luck"],
        ["handover"],
        ["show", "nosuchjob"],
        ["show", "../.."],
        ["burn"],
        [],
    ],
)
def test_what_cannot_be_meant_ends_with_2_one_sentence_and_nothing_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    taken_in(tmp_path)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    capsys.readouterr()
    assert verifyrig(tmp_path, "job", *words) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and err.startswith("verifyrig")
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


def test_without_an_open_job_it_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["change", "cleaned"], ["finding", "radiator=cold"], ["close", "--cause", "none"], ["show"]):
        assert verifyrig(tmp_path, "job", *words) == 2
        assert "no job is open" in capsys.readouterr().err
    code, data = as_json(capsys, tmp_path, "job", "list")
    assert code == 0 and data["jobs"] == []


# ---- changes and findings


def test_findings_are_evidence_with_their_own_uncertainty(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken_in(tmp_path)
    code, data = as_json(
        capsys, tmp_path, "job", "finding", "radiator=Cold", "hose-in=52", "plate=61,5 ± 2 K", "note=a b"
    )
    found = {entry["what"]: entry["detail"] for entry in data["entries"]}
    assert code == 0 and found["radiator"] == {"value": "cold"} and found["note"] == {"value": "a b"}
    assert found["hose-in"] == {"value": 52.0, "u95": 3.0, "unit": "°C", "typed": True}
    assert (found["plate"]["value"], found["plate"]["u95"]) == (61.5, 2.0)
    assert [entry["what"] for entry in data["entries"]] == ["radiator", "hose-in", "plate", "note"]


def test_a_finding_by_keys(tmp_path: Path) -> None:
    taken_in(tmp_path)
    assert by_keys(tmp_path, ["finding"], FakeAsker("1", "1")).data["entries"][-1]["detail"] == {"value": "cold"}
    answer = by_keys(tmp_path, ["finding"], FakeAsker("d", "1", "52±2"))
    assert answer.data["entries"][-1]["what"] == "hose-in" and answer.data["entries"][-1]["detail"]["u95"] == 2.0
    assert by_keys(tmp_path, ["finding"], FakeAsker("e", "smells of glue")).data["entries"][-1]["what"] == "note"
    assert len(by_keys(tmp_path, ["finding"], FakeAsker("e", "")).data["entries"]) == 3


def test_later_consent_is_an_entry(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken_in(tmp_path)
    _, data = as_json(capsys, tmp_path, "job", "finding", "consent-graphics-and-processor=yes")
    assert data["consent"]["graphics-and-processor"] == "yes"


def test_changes_with_their_facts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken_in(tmp_path)
    photo = tmp_path / "print.jpg"
    photo.write_bytes(png(40, 30))
    words = ["job", "change", "part-replaced", "--part", "pump", "--lot", "L1", "--price", "89", "--warranty", "24"]
    _, data = as_json(capsys, tmp_path, *words, "--photo", str(photo), "--agreed", "yes")
    detail = data["entries"][0]["detail"]
    assert (detail["part"], detail["lot"], detail["warranty_months"], detail["agreed"]) == ("pump", "L1", 24, "yes")
    assert (tmp_path / "jobs" / data["job"] / detail["photos"][0]).read_bytes().startswith(b"\xff\xd8")  # JPEG
    _, data = as_json(capsys, tmp_path, "job", "change", "firmware-set", "--before", "4095 W", "--after", "125 W")
    assert data["entries"][1]["detail"] == {"before": "4095 W", "after": "125 W"}


def test_a_test_part_goes_in_and_comes_out_by_keys(tmp_path: Path) -> None:
    taken_in(tmp_path)
    answer = by_keys(tmp_path, ["change"], FakeAsker("6", "cooler of the shop", "y", "", "", ""))
    assert answer.data["test_parts"] == ["cooler of the shop"]
    assert verifyrig(tmp_path, "job", "change", "part-returned", "--part", "another") == 2
    # Its name is offered, so that Enter will do.
    answer = by_keys(tmp_path, ["change"], FakeAsker("9", "", "y", "", "", ""))
    assert answer.data["test_parts"] == [] and answer.data["entries"][-1]["what"] == "part-returned"


def test_a_new_part_by_keys(tmp_path: Path) -> None:
    taken_in(tmp_path)
    answer = by_keys(tmp_path, ["change"], FakeAsker("5", "pump", "L1", "89.00", "24", "y", "n", "", "", ""))
    detail = answer.data["entries"][-1]["detail"]
    assert detail == {"part": "pump", "lot": "L1", "price": "89.00", "warranty_months": 24, "agreed": "yes"}


# ---- close and pickup


def test_the_close_says_everything_that_is_open_and_an_override_is_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken_in(tmp_path)
    assert verifyrig(tmp_path, "job", "change", "part-fitted-for-test", "--part", "supply") == 0
    capsys.readouterr()
    assert verifyrig(tmp_path, "job", "close", "--cause", "supply") == 4
    err = capsys.readouterr().err
    assert "still in the machine: supply" in err and "no verification run" in err and "not ticked" in err
    code, data = as_json(capsys, tmp_path, "job", "close", "--cause", "supply", "--override", "taken home unrepaired")
    closing = data["entries"][-1]
    # Closed as it is: the machine may be given back, and is not fit for use.
    assert code == 4 and closing["detail"]["override"] == "taken home unrepaired"
    assert len(closing["detail"]["refused"]) >= 3
    assert data["fitness"]["status"] == "as-is" and data["hand_over"]["yes"] is False


def test_a_job_without_a_change_closes_when_its_steps_are_ticked_and_is_handed_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken_in(tmp_path)
    measured(tmp_path)
    assert verifyrig(tmp_path, "job", "handover", "--to", "A. Customer") == 4
    tick_all(tmp_path)
    code, data = as_json(capsys, tmp_path, "job", "close", "--cause", "none")
    assert code == 0 and data["state"] == "closed" and "override" not in data["entries"][-1]["detail"]
    code, data = as_json(capsys, tmp_path, "job", "handover", "--to", "A. Customer")
    assert code == 0 and data["state"] == "handed over"
    detail = {"to": "A. Customer", "old_parts": "none", "signature": "A. Customer", "as": "ready-watch"}
    assert data["entries"][-1]["detail"] == detail
    assert open_job(Bench(root=tmp_path)) is None


def test_old_parts_are_the_customers_and_must_be_offered(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken_in(tmp_path)
    assert verifyrig(tmp_path, "job", "change", "part-replaced", "--part", "pump", "--warranty", "24") == 0
    assert verifyrig(tmp_path, "job", "close", "--cause", "coolant-flow", "--override", "no time") == 4
    capsys.readouterr()
    assert verifyrig(tmp_path, "job", "handover", "--to", "A. Customer") == 2
    assert "Offer them back" in capsys.readouterr().err
    code, data = as_json(capsys, tmp_path, "job", "handover", "--to", "A. Customer", "--old-parts", "taken")
    # Nothing was measured after the change: it leaves as it is.
    assert code == 4 and data["warranties"][0]["part"] == "pump"


def test_close_and_pickup_by_keys(tmp_path: Path) -> None:
    taken_in(tmp_path)
    measured(tmp_path)
    steps = list(protective_steps("desktop-air"))
    left_open = FakeAsker(*["y"] * (len(steps) - 1), "n", "")
    with pytest.raises(Exception, match="not ticked"):
        by_keys(tmp_path, ["close"], left_open)
    answer = by_keys(tmp_path, ["close"], FakeAsker("y", "1"))
    assert answer.data["state"] == "closed" and all(answer.data["steps"].values())
    answer = by_keys(tmp_path, ["handover"], FakeAsker("", ""))
    assert answer.data["state"] == "handed over" and answer.data["entries"][-1]["detail"]["to"] == "A. Customer"


# ---- hostile text, permissions


def test_hostile_text_is_kept_and_shown_as_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    long = "x" * 10_000
    words = ["job", "open", "--complaint", HOSTILE, "--customer", HOSTILE, "--model", HOSTILE, "--condition", long]
    assert verifyrig(tmp_path, *words) == 0
    assert verifyrig(tmp_path, "job", "change", "cleaned", "--note", HOSTILE) == 0
    assert verifyrig(tmp_path, "job", "finding", f"note={HOSTILE}") == 0
    capsys.readouterr()
    assert verifyrig(tmp_path, "job", "show") == 0 and verifyrig(tmp_path, "job", "list") == 0
    shown = capsys.readouterr().out
    assert "<script>" in shown and all(line.isprintable() for line in shown.splitlines())
    assert "\u202e" not in shown and len(shown) < 6000
    _, data = as_json(capsys, tmp_path, "job", "show")
    assert data["complaint"] == HOSTILE and data["condition"] == long


def test_a_read_only_bench_is_said_in_one_sentence() -> None:
    python = python_for_nobody()
    with open_folder() as bench:
        done = subprocess.run(
            [*python, "-m", "verifyrig", "job", "open", "--complaint", "x", "--bench", str(bench)],
            capture_output=True, text=True, stdin=subprocess.DEVNULL, cwd="/", timeout=60,
        )  # fmt: skip
        assert done.returncode == 2 and "cannot be written" in done.stderr and done.stderr.count("\n") == 1
        assert list(bench.iterdir()) == []


def test_nothing_hangs_where_stdin_is_no_terminal(tmp_path: Path) -> None:
    for words in (["job", "open"], ["job", "close", "--cause", "none"], ["job", "handover"]):
        done = subprocess.run(
            [sys.executable, "-m", "verifyrig", *words, "--bench", str(tmp_path)],
            capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=60,
        )  # fmt: skip
        assert done.returncode in (0, 2, 4)
    assert read_job(Bench(root=tmp_path), open_job(Bench(root=tmp_path)).job_id).intake.complaint == ""  # type: ignore[union-attr]


def test_a_machine_that_came_back_is_measured_against_its_sign_off(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    profile = tmp_path / "profiles" / "rest.toml"
    profile.parent.mkdir()
    profile.write_text(
        'name = "rest"\ntitle = "Rest"\n[[stage]]\nname = "idle"\nkind = "idle"\nmax_duration_s = 30\n'
        '[[threshold]]\nmetric = "idle.die_temp_c.peak"\nmax = 45\n',
        encoding="utf-8",
    )

    def measured(case: str) -> None:
        assert verifyrig(tmp_path, "run", "rest", "--mock", case) in (0, 1, 4)

    taken_in(tmp_path)
    measured("healthy-air")
    assert verifyrig(tmp_path, "job", "change", "part-replaced", "--part", "fan", "--warranty", "12") == 0
    measured("healthy-air")
    tick_all(tmp_path)
    assert verifyrig(tmp_path, "job", "close", "--cause", "airflow") == 0
    assert verifyrig(tmp_path, "job", "handover", "--to", "A. Customer", "--old-parts", "taken") == 0
    old = read_jobs(Bench(root=tmp_path))[0][0].job_id
    assert verifyrig(tmp_path, "job", "open", "--again", old, "--complaint", "again") == 0
    # Without a profile's name it is the one of the sign-off, so that the two runs can be compared.
    assert verifyrig(tmp_path, "run", "--mock", "healthy-air") in (0, 1, 4)
    _, data = as_json(capsys, tmp_path, "job", "show")
    assert data["runs"][-1]["profile"] == "rest"
    assert data["again"] == old and data["come_back"]["word"] == "same"
    assert verifyrig(tmp_path, "job", "show") == 0
    shown = capsys.readouterr().out
    assert f"Came back: job {old}" in shown and "warranty of fan runs until" in shown
    measured("coolant-stopped")
    _, data = as_json(capsys, tmp_path, "job", "show")
    assert data["come_back"]["word"] == "new-fault"
