"""A run calls somebody who does not look at it: bell, the shop's command, a large word, the time until then."""

from __future__ import annotations

import os
import stat
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.fake_asker import FakeAsker
from tests.fakes import Ears
from verifyrig.bench.day import SHIFT, Day, note_read, note_shift, read_day
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.core.errors import BenchError
from verifyrig.core.interfaces import Controls
from verifyrig.core.pattern import longest_s_of
from verifyrig.dialogs.attestation import answers_for
from verifyrig.jobs.cautions import NOTES
from verifyrig.jobs.safety import FIRST_RULE
from verifyrig.rig.assemble import run as run_on_rig
from verifyrig.rig.observer import Attention, TickView
from verifyrig.rig.request import RunRequest
from verifyrig.terminal.alerting import Alerting, alert_command
from verifyrig.terminal.letters import large_word, word_of
from verifyrig.terminal.words import until_words

NOW = datetime(2024, 3, 14, 9, 0, tzinfo=UTC)


class Caller(Ears):
    """Keeps what it was called for, and the views."""

    def __init__(self) -> None:
        super().__init__()
        self.called: list[Attention | None] = []
        self.views: list[TickView] = []

    def attend(self, what: Attention | None) -> None:
        self.called.append(what)

    def tick(self, view: TickView) -> None:
        self.views.append(view)


SHORT = """
name = "short"
title = "A short one"
{more}

[trip]
die_temp_c = {{ max = {trip}, below_machine_limit_k = 3.0 }}

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 20
gate = {{ channel = "die_temp_c", max = {gate} }}

[[stage]]
name = "pulses"
kind = "load"
load = {{ work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 10, count = 2, workers = "quarter" }}

[[stage]]
name = "load"
kind = "load"
max_duration_s = {load_s}
load = {{ work = "linear-algebra", share = 1.0 }}

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 30
"""


def watched(tmp_path: Path, case: str = "healthy-air", keys: str = "", **facts: Any) -> Caller:
    text = SHORT.format(**{"trip": 95.0, "gate": 60.0, "load_s": 60, "more": "", **facts})
    path = tmp_path / "profiles" / "short.toml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    bench, face, controls = Bench(root=tmp_path), Caller(), Controls()
    controls.keys += keys
    run_on_rig(RunRequest(profile=find_profile("short", bench), purpose="check", mock=(case, 0)), bench, face, controls)
    return face


def test_a_run_that_goes_well_calls_nobody_before_its_end(tmp_path: Path) -> None:
    assert watched(tmp_path).called == []


def test_a_trip_and_a_closed_gate_call(tmp_path: Path) -> None:
    assert watched(tmp_path, trip=32.0, gate=31.0).called == [Attention.TRIP]
    assert watched(tmp_path, gate=20.0).called == [Attention.GATE]


def test_a_question_calls_and_what_follows_of_it_calls_again(tmp_path: Path) -> None:
    face = watched(tmp_path, more="ask_presence_every_s = 60", load_s=600)
    assert face.called == [Attention.QUESTION, Attention.STOP]  # nobody pressed P


def test_the_longest_time_until_the_end_and_the_next_question_is_known_all_the_time(tmp_path: Path) -> None:
    face = watched(tmp_path, more="ask_presence_every_s = 60")
    views = [view for view in face.views if view.stage.name == "idle"]
    # 20 s of idle, 30 s of pulses, 60 s of load, 30 s of cooldown.
    assert views[0].until_end_s == pytest.approx(140, abs=1.5)
    left = [view.until_end_s for view in face.views if view.until_end_s is not None]
    assert left == sorted(left, reverse=True) and left[-1] < 3
    under_load = [view for view in face.views if view.share > 0]
    assert all(view.until_question_s is not None for view in under_load[1:])
    assert all(view.until_question_s is None for view in views)
    bench = Bench(root=tmp_path)
    assert sum(map(longest_s_of, find_profile("short", bench).stages)) == 140


@pytest.mark.parametrize(
    ("end_s", "question_s", "words"),
    [
        (None, None, ""),
        (2300.0, None, "at most 38:20 until the end"),
        (2300.0, 720.0, "next question in 12:00, at most 38:20 until the end"),
        (None, 5.0, "next question in 0:05"),
    ],
)
def test_the_time_is_said_in_words(end_s: float | None, question_s: float | None, words: str) -> None:
    assert until_words(end_s, question_s) == words


# ---- the large word


@pytest.mark.parametrize("what", list(Attention))
@pytest.mark.parametrize(("columns", "rows"), [(40, 12), (80, 24), (200, 60), (10, 3), (20, 50), (80, 0)])
def test_the_word_is_as_large_as_fits_and_never_larger(what: Attention, columns: int, rows: int) -> None:
    lines = large_word(what, columns, rows)
    assert lines and all(len(line) <= columns for line in lines)
    assert len(lines) <= max(1, rows)
    if columns >= 48 and rows >= 8:
        assert len(lines) >= 8 and "█" in lines[0]
    else:
        assert "█" in "".join(lines) or word_of(what)[: max(0, columns - 4)] in lines[0]


# ---- the bell and the command


@pytest.fixture
def rung() -> list[str]:
    return []


def test_every_call_rings_and_a_question_rings_until_it_is_answered(
    rung: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s = [0.0]
    monkeypatch.setattr("verifyrig.terminal.alerting.time.monotonic", lambda: now_s[0])
    face = Alerting(Caller(), ring=lambda: rung.append("bell"))
    face.attend(Attention.TRIP)
    assert len(rung) == 1
    face.attend(Attention.QUESTION)
    view: Any = None
    for now_s[0] in (1.0, 5.0, 6.0, 10.0):
        face.tick(view)
    assert len(rung) == 4
    face.attend(None)
    now_s[0] = 60.0
    face.tick(view)
    assert len(rung) == 4


@pytest.fixture
def ring(tmp_path: Path) -> Iterator[Path]:
    """A command that writes down what it was called with."""
    script = tmp_path / "ring"
    script.write_text(f'#!/bin/sh\necho "$@" >> "{tmp_path}/heard"\n', encoding="utf-8")
    script.chmod(0o755)
    yield script


def heard(tmp_path: Path, lines: int) -> list[str]:
    path, end_s = tmp_path / "heard", time.monotonic() + 30
    while time.monotonic() < end_s:
        found = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
        if len(found) >= lines:
            return found
        time.sleep(0.05)
    raise AssertionError("the command was not started")


@pytest.mark.skipif(sys.platform == "win32", reason="a shell script")
def test_the_shops_command_is_started_with_one_word_more_and_not_waited_for(tmp_path: Path, ring: Path) -> None:
    slow = tmp_path / "slow"
    slow.write_text(f'#!/bin/sh\necho "$@" >> "{tmp_path}/heard"\nexec sleep 5\n', encoding="utf-8")
    slow.chmod(0o755)
    face = Alerting(Caller(), [str(slow), "loud"], ring=lambda: None)
    began_s = time.monotonic()
    face.attend(Attention.GATE)
    face.join()
    assert time.monotonic() - began_s < 4
    assert heard(tmp_path, 1) == ["loud gate"]


def test_a_command_that_cannot_be_started_is_said_and_changes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    face = Alerting(Caller(), [str(tmp_path / "gone")], ring=lambda: None)
    face.attend(Attention.TRIP)
    face.join()
    assert "cannot be started" in capsys.readouterr().err


@pytest.mark.skipif(sys.platform == "win32", reason="rights of files")
def test_a_bench_that_others_may_write_to_starts_nothing(tmp_path: Path) -> None:
    settings = tmp_path / "bench.toml"
    settings.write_text('[alert]\ncommand = ["/bin/true"]\n', encoding="utf-8")
    settings.chmod(0o644)
    config = find_bench(str(tmp_path)).config
    assert alert_command(config, settings) == (("/bin/true",), "")
    settings.chmod(0o666)
    command, why = alert_command(config, settings)
    assert command == () and "others may write" in why
    settings.chmod(stat.S_IRUSR | stat.S_IWUSR)
    if os.geteuid() == 0:
        os.chown(settings, 65534, 65534)
        assert alert_command(config, settings)[0] == ()


@pytest.mark.parametrize(
    "text", ['command = "ring"', "command = []", 'command = [""]', "command = [1]", "bell = 1", 'comand = ["x"]']
)
def test_an_alert_that_cannot_be_meant_is_a_fault_of_bench_toml(tmp_path: Path, text: str) -> None:
    (tmp_path / "bench.toml").write_text(f"[alert]\n{text}\n", encoding="utf-8")
    with pytest.raises(BenchError):
        find_bench(str(tmp_path))


# ---- on a real terminal

pexpect = pytest.importorskip("pexpect")


def terminal(bench: Path, *words: str) -> Any:
    env = {key: value for key, value in os.environ.items() if key not in ("COLUMNS", "LINES")} | {"TERM": "xterm"}
    words = ("-m", "verifyrig", *words, "--bench", str(bench))
    child = pexpect.spawn(sys.executable, list(words), dimensions=(60, 100), encoding="utf-8", timeout=120, env=env)
    child.searchwindowsize = 8000  # a panel writes much, and searching all of it again falls behind
    return child


def lay(bench: Path, ring: Path, **facts: Any) -> None:
    text = SHORT.format(**{"trip": 95.0, "gate": 60.0, "load_s": 60, "more": "", **facts})
    (bench / "profiles").mkdir(exist_ok=True)
    (bench / "profiles" / "short.toml").write_text(text, encoding="utf-8")
    (bench / "bench.toml").write_text(f'[alert]\ncommand = ["{ring}"]\n', encoding="utf-8")


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_trip_and_end_are_heard_and_seen_from_afar(tmp_path: Path, ring: Path) -> None:
    lay(tmp_path, ring, trip=32.0, gate=31.0)
    child = terminal(tmp_path, "run", "short", "--mock", "healthy-air", "--without-job")
    child.expect(pexpect.EOF)
    child.close()
    seen = child.before
    assert child.exitstatus == 3 and "\a" in seen and "██" in seen and "At most 2:20 until the end." in seen
    assert heard(tmp_path, 2) == ["trip", "end"]


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_the_panel_asks_in_large_letters_and_stops_when_p_is_pressed(tmp_path: Path, ring: Path) -> None:
    lay(tmp_path, ring, more="ask_presence_every_s = 60", load_s=150)
    child = terminal(tmp_path, "run", "short", "--mock", "healthy-air", "--without-job", "--speed", "5")
    child.expect_exact("next question in")
    child.expect_exact("Who is here?")
    child.expect_exact("\a")
    child.expect_exact("██")
    child.send("p")
    child.expect_exact("next question in 0:5")
    child.sendintr()
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 130
    assert heard(tmp_path, 1)[0] == "question"


# ---- the safety text of the day


SOUND = ("n", "n", "n", "y")  # no leak, no swollen pack, nothing burnt, on hard ground


def told(tmp_path: Path, *answers: str) -> FakeAsker:
    bench = find_bench(str(tmp_path))
    asker = FakeAsker(*answers)
    answers_for(bench, find_profile("desktop-air", bench), None, None, asker=asker)
    return asker


def test_the_whole_safety_text_comes_once_a_day_and_then_on_demand(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text('[shop]\noperator = "N. Bench"\n', encoding="utf-8")
    first = told(tmp_path, *SOUND, "", "y")
    assert NOTES["hot"].text in "\n".join(first.said) and FIRST_RULE in "\n".join(first.said)
    again = told(tmp_path, *SOUND, "", "y")
    said = "\n".join(again.said)
    assert NOTES["hot"].text not in said and NOTES["hot"].short in said and FIRST_RULE in said
    assert len(said) < len("\n".join(first.said)) / 2
    asked = told(tmp_path, "?", *SOUND, "", "y")
    assert NOTES["hot"].text in "\n".join(asked.said)


def test_every_person_and_every_day_is_told_anew(tmp_path: Path) -> None:
    note_read(tmp_path, "N. Bench", NOW)
    note_read(tmp_path, "O. Ther", NOW + timedelta(hours=1))
    day = read_day(tmp_path)
    assert day.has_read("N. Bench", NOW + timedelta(hours=3)) and day.has_read("O. Ther", NOW)
    assert not day.has_read("N. Bench", NOW + timedelta(days=1)) and not day.has_read("S. Omebody", NOW)
    note_read(tmp_path, "N. Bench", NOW + timedelta(days=1))
    assert list(read_day(tmp_path).read) == ["N. Bench"]  # of other days nothing is kept


def test_a_shift_ends_by_itself(tmp_path: Path) -> None:
    note_shift(tmp_path, "N. Bench", NOW)
    day = read_day(tmp_path)
    assert day.on_shift(NOW + timedelta(hours=8)) == "N. Bench"
    assert day.on_shift(NOW + SHIFT + timedelta(minutes=1)) == "" and day.on_shift(NOW - timedelta(hours=1)) == ""


@pytest.mark.parametrize("text", ["", "by = 3", "since = 2024-01-01", "read = 1", "read = { a = 1 }", "\x00", "x = ["])
def test_a_day_that_cannot_be_read_is_an_empty_one(tmp_path: Path, text: str) -> None:
    (tmp_path / "day.toml").write_text(text, encoding="utf-8")
    assert read_day(tmp_path) == Day()
