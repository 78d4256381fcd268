"""How the machine comes: sorted first, led to what can be done, by titles; what was typed is never lost."""

from __future__ import annotations

import os
import re
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.fake_asker import FakeAsker
from tests.pictures import png
from verifyrig.bench.day import note_shift
from verifyrig.bench.find_profile import find_profile, list_profiles
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Answer, Context, next_step
from verifyrig.commands import job as job_command
from verifyrig.commands import setup as setup_command
from verifyrig.commands.cli import run
from verifyrig.commands.parsers import command_parser
from verifyrig.core.errors import ImportFault, NoTemperature, UsageError
from verifyrig.dialogs.draft import DRAFT_NAME, DraftAsker, is_draft_older_than
from verifyrig.dialogs.import_interview import ask_import, columns_of, stages_of
from verifyrig.jobs.model import Intake, Machine
from verifyrig.jobs.situations import DEED_TITLES, OF_ITS_KIND, SITUATIONS, Deed
from verifyrig.jobs.store import new_job, read_jobs

TRAINING = '[training]\nbefore = "healthy-air"\n'


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    (tmp_path / "bench.toml").write_text(TRAINING, encoding="utf-8")
    return tmp_path


def turn(bench: Path, *answers: str) -> FakeAsker:
    asker = FakeAsker(*answers, "q")
    next_step.execute(Context(bench=find_bench(str(bench))), asker)
    return asker


# ---- sorted


def test_the_six_ways_in_which_a_machine_comes_are_asked_first(bench: Path) -> None:
    asker = turn(bench)
    assert asker.said[-1] == "What stands on the bench?"
    titles = [situation.title for situation in SITUATIONS]
    assert titles == [
        "It works", "It shuts off or restarts", "It does not start", "It shows no temperatures",
        "It runs another system", "It is a laptop",
    ]  # fmt: skip


@pytest.mark.parametrize("number", range(6))
def test_each_leads_to_ways_by_their_titles(bench: Path, number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    shown: list[str] = []

    def choose(self: FakeAsker, question: str, options: Any, default: str = "") -> str:
        if question == "What now?":
            shown.extend(option.label for option in options)
        key = self._next(question) or default
        return options[-1].key if question == "What now?" else key

    monkeypatch.setattr(FakeAsker, "choose", choose)
    new_job(Bench(root=bench), Intake(machine=Machine(kind="small-form")), now=datetime.now(UTC))
    asker = turn(bench, "2", str(number + 1), "back")
    situation = SITUATIONS[number]
    assert all(sentence in asker.said for sentence in situation.says)
    names = {file.name for file in list_profiles(Bench(root=bench))}
    assert not names & set(shown), "keys of profiles are no titles"
    for way, label in zip(situation.ways, shown, strict=False):
        if way in tuple(Deed):
            assert label == DEED_TITLES[Deed(way)]
        else:
            name = "small-form" if way == OF_ITS_KIND else way
            assert label == find_profile(name, Bench(root=bench)).title[:70].rstrip() or label.endswith("…")


def test_every_profile_of_a_way_exists() -> None:
    names = {file.name for file in list_profiles(Bench(root=Path("/nonexistent")))}
    for situation in SITUATIONS:
        for way in situation.ways:
            assert way in names or way == OF_ITS_KIND or way in tuple(Deed), way


def test_a_machine_without_temperatures_is_offered_the_probe_first() -> None:
    by_title = {situation.title: situation.ways for situation in SITUATIONS}
    assert by_title["It shows no temperatures"][0] == by_title["It runs another system"][0] == "outside-probe"
    assert Deed.STICK in by_title["It does not start"] and Deed.LOG in by_title["It runs another system"]
    assert by_title["It shuts off or restarts"][:2] == (Deed.HISTORY, "pulses-only")


def test_a_way_measures_and_another_takes_the_log_over(bench: Path) -> None:
    turn(bench, "2", "2")  # it works; the quick look, without a job
    assert len(list((bench / "runs").glob("*.sqlite"))) == 1
    log = bench / "log.csv"
    log.write_text("time;CPU;room\n" + "".join(f"{t};{40 + t / 10:.1f};22\n" for t in range(60)), encoding="utf-8")
    # It runs another system; the log: mistyped first, then right; time, die, no plate, the room, none of the rest.
    way = str(2 + SITUATIONS[4].ways.index(Deed.LOG))
    asker = turn(
        bench, "6", way, "/nonexistent.csv", str(log), "1", "1", "3", "2", "3", "3", "3", "idle 0-30, load 30-59"
    )
    assert any("no table" in line for line in asker.said)
    assert len(list((bench / "runs").glob("*.sqlite"))) == 2


@pytest.mark.parametrize("text", ["idle", "rest 0-3", "idle 0-", "0-30", "idle 5 5", "idle 0-3, load"])
def test_stages_that_cannot_be_meant_are_asked_again(text: str) -> None:
    with pytest.raises(UsageError):
        stages_of(text)
    assert stages_of("idle 0-300, load 300 to 900.5") == ["--stage", "idle=0:300", "--stage", "load=300:900.5"]


def test_what_is_no_table_is_asked_again(tmp_path: Path) -> None:
    (tmp_path / "one.csv").write_text("a\n1\n", encoding="utf-8")
    (tmp_path / "empty.csv").write_text("", encoding="utf-8")
    for name in ("one.csv", "empty.csv", "gone.csv", "."):
        with pytest.raises(ImportFault):
            columns_of(str(tmp_path / name))
    assert ask_import(FakeAsker("")) == []


# ---- no die temperature


def test_a_lacking_die_temperature_is_told_before_any_question(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    monkeypatch.setattr("verifyrig.rig.stand.open_bank", nothing_to_read)
    monkeypatch.setattr("verifyrig.dialogs.attestation.answers_for", asked)
    assert run(["run", "desktop-air", "--bench", str(tmp_path)]) == 2
    err = capsys.readouterr().err
    assert "die_temp_c cannot be read" in err and "`verifyrig run outside-probe`" in err
    assert not (tmp_path / "runs").exists()


def asked(*_: Any, **__: Any) -> Any:
    raise AssertionError("somebody was asked before it was known that nothing can be measured")


def nothing_to_read(root: Path, config: Any, **options: Any) -> Any:
    from verifyrig.sensors.bank import open_bank

    return open_bank(Path("/nonexistent"), {}, **options)


pexpect = pytest.importorskip("pexpect")
on_terminal = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")


def terminal(bench: Path, *words: str, **env: str) -> Any:
    known = {key: value for key, value in os.environ.items() if key not in ("COLUMNS", "LINES")} | {"TERM": "xterm"}
    words = ("-m", "verifyrig", *words, "--bench", str(bench))
    return pexpect.spawn(
        sys.executable, list(words), dimensions=(50, 100), encoding="utf-8", timeout=60, env=known | env
    )


@on_terminal
def test_on_a_terminal_the_probe_is_offered_in_place(tmp_path: Path) -> None:
    if list(Path("/sys/class/hwmon").glob("hwmon*/temp*_input")):
        pytest.skip("this machine shows temperatures of its own")
    child = terminal(tmp_path, "run", "desktop-air")
    child.expect_exact("(y/N)")
    first = re.sub(r"\s+", " ", child.before)
    assert "die_temp_c cannot be read" in first and "Measure from outside now" in first
    assert "swollen" not in first and "Who stays" not in first
    child.send("y")
    child.expect(pexpect.EOF)
    child.close()
    # No probe either: that is said, with what to connect.
    assert child.exitstatus == 2 and "Connect a probe" in re.sub(r"\s+", " ", child.before)


def test_only_a_lacking_temperature_of_the_machine_offers_the_probe() -> None:
    assert NoTemperature("x", where="y", mend="z").exit_code == 2


# ---- what was typed


def test_a_mistyped_port_is_asked_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[str] = []

    def listen(port: str) -> Any:
        from verifyrig.core.errors import SerialError

        tried.append(port)
        raise SerialError("no such port", where=port, mend="Check the plug.")

    monkeypatch.setattr("verifyrig.sensors.probe_finder.find_probe", listen)
    monkeypatch.setattr("verifyrig.sensors.probe_finder.ports", lambda: [])
    asker = FakeAsker("y", "/dev/ttyUSB9", "/dev/ttyUSB8", "")
    assert setup_command.ask_probes(asker, {}) == []
    assert tried == ["/dev/ttyUSB9", "/dev/ttyUSB8"]


def test_a_mistyped_logo_and_photo_are_asked_again(tmp_path: Path) -> None:
    (tmp_path / "logo.png").write_bytes(png(4, 3))
    asker = FakeAsker("Shop", "N. Bench", "", "", "lgo.png", "logo.png", "", "", "", "UTC", "")
    values = setup_command.ask_settings(asker, {}, tmp_path)
    assert values["shop", "logo"] == "logo.png" and any("no such file" in line for line in asker.said)
    new_job(Bench(root=tmp_path), Intake(), job_id="a", now=datetime.now(UTC))
    parser, _ = command_parser("job")
    asker = FakeAsker("1", "", "", str(tmp_path / "gone.jpg"), str(tmp_path / "logo.png"), "")
    answer = job_command.execute(parser.parse_args(["change"]), Context(bench=find_bench(str(tmp_path))), asker)
    assert len(answer.data["entries"][-1]["detail"]["photos"]) == 1


def open_job_by(bench: Path, asker: FakeAsker) -> Any:
    parser, _ = command_parser("job")
    return job_command.execute(parser.parse_args(["open"]), Context(bench=find_bench(str(bench))), asker)


WHOLE = [
    "It goes off", "0007", "A. Customer", "counter", "T-7", "2", "Nobody's", "Box 1",
    "1", "6", "", "2", "4", "2 h", "40 s", "2", "1", "", "1", "24", "1",
    "n", "y", "y", "y", "", "n", "120", "lead", "scratches", "", "", "",
]  # fmt: skip


@pytest.mark.parametrize("left_at", [1, 8, 10, 13, 20, 29])
def test_an_intake_that_is_left_goes_on_from_there(tmp_path: Path, left_at: int) -> None:
    asker = FakeAsker(*WHOLE[:left_at])
    with pytest.raises(KeyboardInterrupt):
        open_job_by(tmp_path, asker)
    assert (tmp_path / DRAFT_NAME).is_file() and not (tmp_path / "jobs").exists()
    assert "Kept as a draft: the next intake goes on from there." in asker.said
    again = FakeAsker("y", *WHOLE[left_at:])
    answer = open_job_by(tmp_path, again)
    assert "It goes off" in again.asked[0] and again.answers == []
    assert answer.data["complaint"] == "It goes off" and answer.data["condition"] == "scratches"
    assert answer.data["answers"]["what"] == "switches-off, hot" and answer.data["machine"]["serial"] == "0007"
    assert not (tmp_path / DRAFT_NAME).exists()


def test_a_draft_is_left_again_and_grows(tmp_path: Path) -> None:
    for upto, begin in ((5, 0), (12, 5), (len(WHOLE), 12)):
        asker = FakeAsker(*(["y"] if begin else []), *WHOLE[begin:upto])
        if upto < len(WHOLE):
            with pytest.raises(KeyboardInterrupt):
                open_job_by(tmp_path, asker)
        else:
            open_job_by(tmp_path, asker)
    assert len(read_jobs(Bench(root=tmp_path))[0]) == 1


def test_a_draft_can_be_thrown_away_and_nothing_is_kept_of_nothing(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        open_job_by(tmp_path, FakeAsker())
    assert not (tmp_path / DRAFT_NAME).exists()
    with pytest.raises(KeyboardInterrupt):
        open_job_by(tmp_path, FakeAsker("It goes off"))
    answer = open_job_by(tmp_path, FakeAsker("n", "Another", *WHOLE[1:]))
    assert answer.data["complaint"] == "Another"


@pytest.mark.parametrize(
    "text", ["", "answer = 3", "answer = [1]", "x = [", '[[answer]]\nquestion = 1\nanswer = "a"\n']
)
def test_a_draft_that_cannot_be_read_is_none(tmp_path: Path, text: str) -> None:
    (tmp_path / DRAFT_NAME).write_text(text, encoding="utf-8")
    assert open_job_by(tmp_path, FakeAsker(*WHOLE)).data["complaint"] == "It goes off"


def test_where_something_else_is_asked_now_the_rest_of_a_draft_is_void() -> None:
    asker = DraftAsker(FakeAsker("new", "newer"), left=[("A?", "old"), ("B?", "old")])
    assert [asker.line("A?"), asker.line("C?"), asker.line("B?")] == ["old", "new", "newer"]


def test_a_draft_is_not_kept_longer_than_a_job(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bench.toml").write_text("[privacy]\nkeep_days = 3\n", encoding="utf-8")
    draft = tmp_path / DRAFT_NAME
    draft.write_text('[[answer]]\nquestion = "x"\nanswer = "Uestion"\n', encoding="utf-8")
    assert run(["job", "list", "--bench", str(tmp_path)]) == 0 and draft.exists()
    old = (datetime.now(UTC) - timedelta(days=4)).timestamp()
    os.utime(draft, (old, old))
    assert is_draft_older_than(tmp_path, 3, datetime.now(UTC))
    assert run(["job", "list", "--bench", str(tmp_path)]) == 0 and not draft.exists()


@on_terminal
def test_ctrl_c_in_a_long_intake_keeps_a_draft_on_a_real_terminal(tmp_path: Path) -> None:
    note_shift(tmp_path, "N. Bench", datetime.now(UTC))
    child = terminal(tmp_path, "job", "open")
    child.expect_exact("own words?")
    child.send("It goes off\r")
    child.expect_exact("Serial number?")
    child.send("0007\r")
    child.expect_exact("Customer's name?")
    child.sendintr()
    child.expect_exact("Kept as a draft")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 130
    child = terminal(tmp_path, "job", "open")
    child.expect_exact("Go on with the draft")
    child.send("\r")
    child.expect_exact("Customer's name?")
    assert "own words?" not in child.before
    child.close(force=True)


def test_the_menu_tells_a_lacking_temperature_before_it_asks_for_the_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("verifyrig.rig.stand.open_bank", nothing_to_read)
    asker = FakeAsker("7", "2", "n", "q")  # a laptop, its own plan; not from outside
    next_step.execute(Context(bench=find_bench(str(tmp_path))), asker)
    assert any("die_temp_c cannot be read" in line for line in asker.said)
    assert not any("Room" in question for question in asker.asked)
    assert "Measure from outside now, with a probe and its own load marked by hand?" in asker.asked


def test_a_room_that_is_no_temperature_is_asked_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[list[str]] = []
    monkeypatch.setattr("verifyrig.commands.run.look_first", lambda *_: None)

    def execute(args: Any, context: Context) -> Answer:
        done.append([args.ambient])
        return Answer()

    monkeypatch.setattr("verifyrig.commands.run.execute", execute)
    turn_real = FakeAsker("2", "2", "warm", "22", "q")
    next_step.execute(Context(bench=find_bench(str(tmp_path))), turn_real)
    assert done == [["22"]] and any("no temperature" in line for line in turn_real.said)
