"""What a load lacks is said before the run, with the lines to add; consent not asked is no consent; --no-load."""

from __future__ import annotations

import json
import re
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.fake_asker import FakeAsker
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench
from verifyrig.commands.cli import run
from verifyrig.core.profile import Profile
from verifyrig.dialogs.attestation import answers_for
from verifyrig.jobs.model import Intake, Job, Machine
from verifyrig.jobs.safety import parse_attestation
from verifyrig.jobs.store import new_job, read_job
from verifyrig.record import read_trace

# A load above quarter-share pulses that needs no sensor, so that it would start on any machine.
HEAVY = """
name = "heavy"
title = "A short full load"
blind_load_s = 2
[sampling]
period_s = 0.2
[trip]
die_temp_c = { max = 90.0, optional = true }
[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 0.5
[[stage]]
name = "load"
kind = "load"
load = { work = "linear-algebra", pattern = "steady", share = 0.3, workers = 1 }
max_duration_s = 1
"""
# With a load to leave out, for a simulated machine.
SHORT = """
name = "short"
title = "A short load"
[trip]
die_temp_c = { max = 95.0, below_machine_limit_k = 3.0 }
[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 60
gate = { channel = "die_temp_c", max = 50.0, max_rise_k = 25.0 }
[[stage]]
name = "load"
kind = "load"
load = { work = "linear-algebra", pattern = "steady" }
max_duration_s = 30
"""


@pytest.fixture
def no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)


@pytest.fixture
def bench(tmp_path: Path, no_terminal: None) -> Bench:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "heavy.toml").write_text(HEAVY, encoding="utf-8")
    return Bench(root=tmp_path)


@pytest.fixture
def heavy(bench: Bench) -> Profile:
    return find_profile("heavy", bench)


def verifyrig(bench: Bench, *words: str) -> int:
    return run([*words, "--bench", str(bench.root)])


def as_json(capsys: pytest.CaptureFixture[str], bench: Bench, *words: str) -> tuple[int, Any]:
    capsys.readouterr()
    code = verifyrig(bench, *words, "--json")
    return code, json.loads(capsys.readouterr().out)


def records(bench: Bench) -> list[Path]:
    return sorted(bench.root.rglob("*.sqlite"))


def answers_file(bench: Bench, *left_out: str, hours: float = 5, heavy_load: str = "") -> Path:
    until = datetime.now() + timedelta(hours=hours)
    lines = {
        "by": '"N. Bench"', "present": '"N. Bench"', "until": f"{until:%Y-%m-%dT%H:%M:%S}",
        "leak": '"no"', "pack": '"no"', "burnt": '"no"', "ground": '"yes"',
    }  # fmt: skip
    lines |= {"heavy-load": f'"{heavy_load}"'} if heavy_load else {}
    path = bench.root / "answers.toml"
    path.write_text("\n".join(f"{key} = {value}" for key, value in lines.items() if key not in left_out))
    return path


def job_of(bench: Bench, **consent: str) -> Job:
    named = {key.replace("_", "-"): value for key, value in consent.items()}
    return new_job(bench, Intake(machine=Machine(kind="laptop"), consent=named), now=datetime.now(UTC))


# ---- said before the run


def test_a_load_that_nobody_answered_for_ends_with_2_before_anything_is_measured(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    assert verifyrig(bench, "run", "heavy", "--yes") == 2
    said = capsys.readouterr().err
    for key in ("by", "leak", "pack", "burnt", "ground", "present", "until"):
        assert re.search(rf"^{key} = ", said, re.MULTILINE), key
    assert "--no-load" in said and records(bench) == []
    code, data = as_json(capsys, bench, "run", "heavy", "--yes")
    assert code == 2 and 'ground = "yes or no"' in data["error"]["mend"] and "--attest" in data["error"]["mend"]


@pytest.mark.parametrize("left_out", ["leak", "pack", "burnt", "ground", "present", "until"])
def test_only_the_lines_that_the_file_lacks_are_asked_for(
    bench: Bench, capsys: pytest.CaptureFixture[str], left_out: str
) -> None:
    file = answers_file(bench, left_out)
    assert verifyrig(bench, "run", "heavy", "--yes", "--attest", str(file)) == 2
    said = capsys.readouterr().err
    asked = re.findall(r"^([a-z-]+) = ", said, re.MULTILINE)
    assert asked == [left_out] and str(file) in said and records(bench) == []


def test_a_person_who_leaves_before_the_load_is_over_is_told_until_when(bench: Bench) -> None:
    plan = find_profile("desktop-air", bench)
    found = answers_for(bench, plan, None, answers_file(bench, hours=0.1))
    (line,) = found.lines
    assert line.startswith("until = ") and found.refusals[0].code == "presence-too-short"


def test_the_lines_once_filled_in_are_all_that_was_missing(bench: Bench, heavy: Profile) -> None:
    lines = answers_for(bench, heavy, None, None).lines
    safe = {"leak": "no", "pack": "no", "burnt": "no", "ground": "yes"}
    text = "\n".join(
        re.sub("yes or no", safe.get(line.split(" ")[0], ""), line).replace("NAME", "N. Bench") for line in lines
    )
    file = bench.root / "filled.toml"
    file.write_text(text, encoding="utf-8")
    found = answers_for(bench, heavy, None, file)
    assert found.refusals == [] == found.lines


def test_the_lines_answer_nothing_themselves(bench: Bench, heavy: Profile) -> None:
    """Copied as they are they are refused: a question is answered by a person."""
    text = "\n".join(answers_for(bench, heavy, None, None).lines)
    with pytest.raises(Exception, match="yes, no"):
        parse_attestation(text, "copied.toml", datetime.now(UTC))


# ---- without its load


def test_no_load_measures_idle_and_pulses_and_says_so(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["run", "desktop-air", "--mock", "healthy-air", "--ambient", "22", "--no-load"]
    code = verifyrig(bench, *words, "--json")
    told = capsys.readouterr()
    assert "Idle and quarter-share pulses only" in told.err
    data = json.loads(told.out)
    ended = {stage["name"]: stage["ended"] for stage in data["stages"]}
    assert (code, data["outcome"], data["verdict"], data["purpose"]) == (4, "completed", "not-measured", "check")
    assert ended["load"] == ended["steps"] == "skipped" and ended["pulses"] == "time" and ended["cooldown"] != "skipped"
    trace = read_trace(Path(data["record"]))
    assert trace.facts["no_load"] is True
    assert [event.kind for event in trace.events if event.kind.startswith("load-")] == ["load-left-out"] * 2


def test_a_run_on_this_machine_goes_without_its_load_where_nobody_answered(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    code, data = as_json(capsys, bench, "run", "heavy", "--yes", "--no-load")
    assert code == 4 and data["outcome"] == "completed" and data["simulated"] is False
    assert [stage["ended"] for stage in data["stages"]] == ["time", "skipped"]


@pytest.mark.parametrize("purpose", ["verification", "build"])
def test_a_run_without_its_load_verifies_nothing(bench: Bench, purpose: str) -> None:
    words = ["run", "desktop-air", "--mock", "healthy-air", "--ambient", "22", "--no-load", "--as", purpose]
    assert verifyrig(bench, *words) == 2 and records(bench) == []


def test_a_stage_left_out_of_choice_is_not_called_unsafe(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    (bench.root / "profiles" / "short.toml").write_text(SHORT, encoding="utf-8")
    words = ["run", "short", "--mock", "healthy-air", "--ambient", "22"]
    _, before = as_json(capsys, bench, *words, "--no-load")
    _, after = as_json(capsys, bench, *words)
    _, data = as_json(capsys, bench, "compare", before["record"], after["record"])
    assert data["stages"]["load"]["before"] == "not run" and data["stages"]["idle"]["comparable"]


def test_a_load_that_a_job_warns_of_is_said_before_the_run(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert verifyrig(bench, "job", "open", "--complaint", "hot", "--kind", "desktop-liquid") == 0
    mock = ["--mock", "coolant-stopped", "--ambient", "22"]
    assert verifyrig(bench, "run", "desktop-liquid", *mock) == 3
    before = records(bench)
    capsys.readouterr()
    assert verifyrig(bench, "run", *mock) == 2
    assert "not repeated unless you name the profile" in capsys.readouterr().err
    assert records(bench) == before


# ---- consent


def test_consent_not_asked_refuses_a_heavy_load_and_names_the_line(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    job = job_of(bench)
    file = answers_file(bench)
    assert verifyrig(bench, "run", "heavy", "--yes", "--attest", str(file)) == 2
    said = capsys.readouterr().err
    assert re.findall(r"^([a-z-]+) = ", said, re.MULTILINE) == ["heavy-load"]
    assert "May we run a heavy load" in said and records(bench) == []
    assert read_job(bench, job.job_id).entries == ()


def test_a_file_may_say_the_consent_and_the_job_keeps_it(bench: Bench, heavy: Profile) -> None:
    job = job_of(bench)
    found = answers_for(bench, heavy, job.job_id, answers_file(bench, heavy_load="yes"))
    assert found.refusals == []
    (entry,) = read_job(bench, job.job_id).entries
    assert (entry.kind, entry.what, entry.text("value"), entry.by) == ("consent", "heavy-load", "yes", "N. Bench")
    assert answers_for(bench, heavy, job.job_id, answers_file(bench)).refusals == []


def test_a_customers_no_stands_against_a_file_that_says_yes(bench: Bench, heavy: Profile) -> None:
    job = job_of(bench, heavy_load="no")
    found = answers_for(bench, heavy, job.job_id, answers_file(bench, heavy_load="yes"))
    assert len(found.refusals) == 1 and found.refusals[0].code == "not-agreed"
    assert found.lines == [] and read_job(bench, job.job_id).consent("heavy-load") == "no"


@pytest.mark.parametrize(
    ("key", "consent", "starts"), [("y", "yes", True), ("n", "no", False), ("-", "not-asked", False)]
)
def test_at_the_terminal_consent_that_was_not_asked_is_asked_now(
    bench: Bench, heavy: Profile, key: str, consent: str, starts: bool
) -> None:
    job = job_of(bench)
    asker = FakeAsker(key)
    found = answers_for(bench, heavy, job.job_id, answers_file(bench), asker=asker)
    assert len(asker.asked) == 1 and "May we run a heavy load" in asker.asked[0]
    assert (found.refusals == []) == starts
    assert read_job(bench, job.job_id).consent("heavy-load") == consent


def test_the_terminal_asks_only_for_what_the_file_lacks(bench: Bench, heavy: Profile) -> None:
    asker = FakeAsker("n")
    found = answers_for(bench, heavy, None, answers_file(bench, "burnt"), asker=asker)
    assert len(asker.asked) == 1 and "burnt" in asker.asked[0].lower()
    assert found.refusals == [] and found.attestation is not None
    assert found.attestation.answers == {"leak": "no", "pack": "no", "burnt": "no", "ground": "yes"}
    assert found.attestation.present == "N. Bench"
    asker = FakeAsker("", "y")
    found = answers_for(bench, heavy, None, answers_file(bench, "until"), asker=asker)
    assert found.refusals == [] and len(asker.asked) == 2 and asker.asked[0].startswith("Who stays")


def test_a_machine_without_a_customer_asks_for_no_consent(bench: Bench, heavy: Profile) -> None:
    assert answers_for(bench, heavy, None, answers_file(bench)).refusals == []


# ---- at a real terminal


@pytest.mark.skipif(sys.platform != "linux", reason="a pseudo-terminal of Linux")
@pytest.mark.parametrize(
    ("keys", "code", "said"),
    [
        # Leak, pack, burnt, ground; who stays, whether long enough; rest only.
        (["n", "n", "n", "y", "N. Bench\r", "n", "n"], 2, "no load would start"),
        (["n", "n", "n", "y", "N. Bench\r", "n", "y"], 4, "Idle and quarter-share pulses only"),
        (["n", "y"], 3, "trained people"),
        (["n", "n", "n", "n"], 3, "soft ground"),
    ],
)
def test_a_terminal_asks_before_the_run(bench: Bench, keys: list[str], code: int, said: str) -> None:
    pexpect = pytest.importorskip("pexpect")
    words = ["-m", "verifyrig", "run", "heavy", "--yes", "--bench", str(bench.root)]
    repo = Path(__file__).resolve().parent.parent
    child = pexpect.spawn(sys.executable, words, cwd=str(repo), encoding="utf-8", timeout=60, dimensions=(40, 100))
    seen = ""
    for key in keys:
        child.expect(r"\(y/[nN]\)|machine\?")
        seen += child.before + child.after
        child.send(key)
    child.expect(pexpect.EOF)
    seen += child.before
    child.close()
    assert child.exitstatus == code, seen
    assert said in " ".join(seen.split())
    assert bool(records(bench)) == (code == 4)


def test_the_lines_to_add_stand_whole_on_the_screen(
    bench: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    assert verifyrig(bench, "run", "heavy", "--yes") == 2
    shown = capsys.readouterr().err.splitlines()
    _, _, lines = json_lines_of(bench, capsys)
    assert lines and [line for line in lines if not line.startswith("until")] == [
        line for line in shown if line in lines and not line.startswith("until")
    ]
    assert any(re.fullmatch(r"until = \S+  # .*load may last that long", line) for line in shown)


def json_lines_of(bench: Bench, capsys: pytest.CaptureFixture[str]) -> tuple[int, Any, list[str]]:
    """Return code, answer and the lines that the error's `mend` names."""
    code, data = as_json(capsys, bench, "run", "heavy", "--yes")
    lines = data["error"]["mend"].partition("the lines: ")[2].partition(". Or leave")[0]
    return code, data, lines.split(" | ")
