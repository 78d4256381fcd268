"""Bare `verifyrig`: a whole job by keys, in a real pseudo-terminal, on a practice bench with simulated hardware."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.bench_session import MENU, SHORT_PROFILE
from tests.fake_asker import FakeAsker
from verifyrig.bench.day import note_shift
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Context, next_step
from verifyrig.commands.cli import run
from verifyrig.jobs.model import Customer, Intake, Machine
from verifyrig.jobs.rules import in_order
from verifyrig.jobs.runs import runs_of
from verifyrig.jobs.store import new_job, open_job, read_jobs

pexpect = pytest.importorskip("pexpect")
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")

PRICES = '[prices]\ncountry = "DE"\ntax_percent = 19\nlabour_per_hour = 60\n'
TRAINING = (
    f'{PRICES}[shop]\noperator = "N. Bench"\n\n[training]\nbefore = "coolant-stopped"\nafter = "healthy-liquid"\n'
)
LAST_OF_MORE = "back (Enter)\r\n"


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A practice bench whose own profiles are shorter than the shipped ones, so that the test is too."""
    (tmp_path / "bench.toml").write_text(TRAINING, encoding="utf-8")
    note_shift(tmp_path, "N. Bench", find_now())
    (tmp_path / "profiles").mkdir()
    for name in ("desktop-liquid", "pulses-only"):
        text = SHORT_PROFILE.replace("desktop-liquid", name)
        (tmp_path / "profiles" / f"{name}.toml").write_text(text, encoding="utf-8")
    return tmp_path


class Desk:
    """The program in a pseudo-terminal, and how many keys were pressed."""

    def __init__(self, bench: Path, columns: int) -> None:
        words = ["-m", "verifyrig", "--bench", str(bench)]
        # Given by name: the line editing library puts COLUMNS of pytest's own terminal behind Python's back.
        env = {key: value for key, value in os.environ.items() if key not in ("COLUMNS", "LINES")}
        size = (50, columns)
        self.child = pexpect.spawn(sys.executable, words, dimensions=size, encoding="utf-8", timeout=60, env=env)
        self.keys = 0
        self.seen = ""

    def until(self, text: str) -> str:
        self.child.expect_exact(text)
        self.seen += self.child.before + self.child.after
        return str(self.child.before)

    def press(self, keys: str, until: str) -> str:
        self.keys += len(keys)
        self.child.send(keys)
        return self.until(until)

    def leave(self) -> int:
        self.child.send("q")
        self.child.expect(pexpect.EOF)
        self.child.close()
        return int(self.child.exitstatus)


@pytest.fixture
def desk(bench: Path) -> Iterator[Any]:
    desks: list[Desk] = []

    def start(columns: int) -> Desk:
        desks.append(Desk(bench, columns))
        desks[-1].until(MENU)
        return desks[-1]

    yield start
    for one in desks:
        one.child.close(force=True)


def take_in(desk: Desk) -> None:
    desk.press("1", "own words?")
    for keys, until in (
        ("It goes off after a minute\r", "Serial number?"), ("\r", "name?"), ("A. Customer\r", "reach them?"),
        ("\r", "Ticket"),
        ("T-7\r", "kind of machine?"),
        ("2", "Maker?"), ("\r", "Model?"), ("Box 1\r", "exactly happens?"),
        ("1", "And besides?"), ("\r", "does it happen?"), ("2", "doing when"), ("4", "How often?"),
        ("2 h\r", "How long"), ("40 s\r", "start again?"),
        ("2", "Any noise?"), ("2", "What changed"), ("\r", "Where does it stand?"), ("1", "How warm"),
        ("24\r", "none of these"), ("1", "Consent:"),
        ("n", "backup"), ("y", "recovery"), ("y", "heavy"), ("y", "together"), ("\r", "drive?"),
        ("n", "Up to what price"), ("120\r", "What came with it?"), ("\r", "How does it look?"),
        ("\r", "photo of how it looks"), ("\r", "language"), ("\r", "Temperatures for the customer"), ("\r", MENU),
    ):  # fmt: skip
        desk.press(keys, until)


def have_it_signed(desk: Desk) -> None:
    for keys, until in (
        ("9", LAST_OF_MORE), ("c", MENU), ("9", LAST_OF_MORE), ("d", "Who signed?"), ("\r", MENU),
        ("9", LAST_OF_MORE), ("e", MENU),
    ):  # fmt: skip
        desk.press(keys, until)


def note_labour(desk: Desk) -> None:
    for keys, until in (
        ("9", LAST_OF_MORE), ("a", "bill?"), ("cooler exchanged\r", "minutes?"), ("50\r", MENU),
    ):  # fmt: skip
        desk.press(keys, until)


def replace_the_cooler(desk: Desk) -> None:
    for keys, until in (
        ("4", "What was done?"), ("5", "Which part?"), ("closed cooler\r", "Lot"), ("\r", "Price?"),
        ("89\r", "Warranty"), ("24\r", "different"), ("-", "cooler off"), ("y", "note?"),
        ("\r", "photo of before"), ("\r", "photo of after"), ("\r", MENU),
    ):  # fmt: skip
        desk.press(keys, until)


def close_and_hand_over(desk: Desk) -> None:
    # Enter presses what comes next: the job is verified, so that it is to be closed.
    desk.press("\r", "Before it leaves:")
    for question in ("photographed", "Strap", "Cables", "screws back", "settings"):
        desk.press("y", "  yes\r\n")
        assert question in desk.seen
    # No double negatives: what is well is answered by what is the case.
    for question in ("Coolant outside its loop?", "Pump at the highest point"):
        desk.press("n", "  no\r\n")
        assert question in desk.seen
    desk.until("What was the cause?")
    desk.press("3", MENU)
    # Closed, and no report is made of it as it stands: Enter writes it, and hands over only then.
    desk.press("\r", MENU)
    for keys, until in (("\r", "Handed over to?"), ("\r", "Old parts"), ("1", "Signed by?"), ("\r", MENU)):
        desk.press(keys, until)


def test_a_whole_job_of_four_runs_takes_few_keys_and_nobody_types_an_id(desk: Any, bench: Path) -> None:
    at = desk(40)
    take_in(at)
    have_it_signed(at)
    screen = at.press("\r", MENU)
    assert "The gate is closed" in screen and "Beware: run" in screen
    at.press("1", MENU)  # the safe pulses in place of the load
    at.press("3", "What was found?")
    at.press("1", "Radiator?")
    at.press("1", MENU)
    replace_the_cooler(at)
    note_labour(at)
    at.press("2", "How is the machine?")
    at.press("1", "What now?")  # it works
    at.press("2", MENU)  # the plan of its kind of machine, by its title
    screen = at.press("\r", MENU)  # a new cooler is a new mount: once more, which Enter does
    assert "verification run" in " ".join(screen.split())
    at.press("9", LAST_OF_MORE)
    screen = at.press("b", MENU)  # what it comes to
    assert "139.00 EUR" in screen and "SUM" in screen  # 89.00 and 50 minutes at 60
    close_and_hand_over(at)
    assert at.leave() == 0
    (job,), faults = read_jobs(Bench(root=bench))
    # Simulated runs may begin within one second, and then only their start tells their order.
    runs = in_order(runs_of(Bench(root=bench), job.job_id, verdicts=False))
    assert not faults and not job.is_open and job.warranties()[0][0] == "closed cooler"
    assert [run.purpose for run in runs] == ["baseline", "check", "verification", "verification"]
    assert (bench / "reports" / f"{job.job_id}.html").is_file()
    # Every key counts, those of the texts too; a complaint in a hundred words more is still below the 300 asked for.
    print(f"keys for a whole job of four runs: {at.keys}")
    assert at.keys <= 190, at.keys
    assert job.job_id not in "".join(re.findall(r"\? (.*)\r\n", at.seen))


@pytest.mark.parametrize("columns", [40, 80])
def test_no_line_of_ours_is_wider_than_the_terminal(desk: Any, bench: Path, columns: int) -> None:
    intake = Intake(
        complaint="It goes off after a minute or so, " * 20,
        customer=Customer(name="A. Customer of many names"),
        machine=Machine(kind="desktop-liquid", maker="Nobody's", model="Box 1 of a long name"),
    )
    new_job(Bench(root=bench), intake, now=find_now())
    at = desk(columns)
    for keys in ("8", "3"):
        at.press(keys, MENU if keys == "8" else "something else")
    lines = [re.sub(r"\x1b\[[0-9;]*[A-Za-z]", "", line) for line in at.seen.split("\r\n")]
    assert [line for line in lines if len(line) > columns] == []
    assert any("Box 1" in line for line in lines)


def find_now() -> Any:
    from datetime import UTC, datetime

    return datetime.now(UTC)


def test_leaving_writes_nothing_and_ctrl_c_ends_with_130(desk: Any, bench: Path) -> None:
    at = desk(80)
    at.press("1", "own words?")
    at.press("\x03", MENU)  # out of the questions, back to the screen
    assert "Left." in at.seen
    assert at.leave() == 0 and open_job(Bench(root=bench)) is None
    again = desk(80)
    again.child.send("\x03")
    again.child.expect(pexpect.EOF)
    again.child.close()
    assert again.child.exitstatus == 130


def test_keys_that_mean_nothing_do_nothing_and_a_closed_terminal_ends_it(desk: Any) -> None:
    at = desk(80)
    at.child.send("9x \x1b[A\xe4")
    at.press("8", "name?")
    at.child.sendeof()
    at.until(MENU)
    at.child.close()
    assert not at.child.isalive()


# ---- without a terminal


def turn(bench: Path, *answers: str) -> FakeAsker:
    asker = FakeAsker(*answers, "q")
    next_step.execute(Context(bench=find_bench(str(bench))), asker)
    return asker


def test_where_stdin_is_no_terminal_help_is_shown(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    assert run(["--bench", str(bench)]) == 0
    assert "commands" in capsys.readouterr().out


def test_an_error_is_said_and_the_screen_comes_again(bench: Path) -> None:
    new_job(Bench(root=bench), Intake(machine=Machine(kind="desktop-air")), now=find_now())
    # A setting without before and after cannot be recorded.
    asker = turn(bench, "4", "7", "", "", "", "", "")
    assert any("from what to what" in text for text in asker.said)
    assert asker.said.count("Next: measure a baseline.") == 2


def test_other_jobs_are_reached_from_more(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = new_job(Bench(root=bench), Intake(), now=find_now())
    turn(bench, "9", "6", "9", "")
    assert job.job_id in capsys.readouterr().out
