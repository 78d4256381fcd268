"""How a run ended: the classes of the contract, told from the record and from what this computer can prove."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from verifyrig.core.interfaces import Reading
from verifyrig.core.outcome import CauseClass
from verifyrig.record import open_record, read_head, read_trace
from verifyrig.record.outcome_of import SystemState, ending_of, host_id
from verifyrig.record.restart_note import Aftermath, aftermath_path, read_aftermath, write_aftermath
from verifyrig.system.boot_span import BootSpan
from verifyrig.system.history.entries import LogEntry

LAST_UTC_S = 1_700_000_000.0
KEEPER = {"host": "h1", "boot_id": "aaaa-1111", "pid": 4321, "started": 1_699_990_000.0}
FACTS = {"keeper": KEEPER, "live": True, "period_s": 1.0}


def state(
    *,
    boot: str = "aaaa-1111",
    host: str = "h1",
    quiet_s: float = 1.0,
    started: Mapping[int, float] | None = None,
    boots: tuple[BootSpan, ...] | None = None,
) -> SystemState:
    running: dict[int, Any] = {4321: KEEPER["started"]} if started is None else dict(started)
    return SystemState(
        boot_id=boot,
        host=host,
        now_utc_s=LAST_UTC_S + quiet_s,
        process_started=lambda pid: running.get(pid),
        boots=boots,
    )


def span(after_s: float, *, orderly: bool | None = None, asleep: bool = False) -> BootSpan:
    return BootSpan(
        boot_id="aaaa1111", first_utc_s=0.0, last_utc_s=LAST_UTC_S + after_s, orderly=orderly, asleep=asleep
    )


@pytest.mark.parametrize(
    ("now", "outcome", "kind"),
    [
        (state(), "running", None),
        (state(quiet_s=400.0), "interrupted", "hang"),
        (state(started={}), "interrupted", "killed"),
        # The number of the process was given to another one, started later.
        (state(started={4321: 1_699_999_000.0}), "interrupted", "killed"),
        (state(boot="bbbb-2222"), "interrupted", "power-off"),
        (state(boot="bbbb-2222", host="h2"), "interrupted", "unknown"),
        (state(boot="bbbb-2222", boots=(span(2.0, orderly=False),)), "interrupted", "power-off"),
        (state(boot="bbbb-2222", boots=(span(500.0, orderly=False),)), "interrupted", "hang"),
        (state(boot="bbbb-2222", boots=(span(3.0, orderly=True),)), "interrupted", "terminated"),
        (state(boot="bbbb-2222", boots=(span(4000.0, orderly=True),)), "interrupted", "killed"),
        (state(boot="bbbb-2222", boots=(span(4000.0, asleep=True),)), "interrupted", "suspend"),
        # A log of some other boot says nothing.
        (
            state(boot="bbbb-2222", boots=(BootSpan(boot_id="cccc", first_utc_s=0, last_utc_s=9e9),)),
            "interrupted",
            "power-off",
        ),
    ],
)
def test_an_interrupted_record_is_put_into_the_class_that_can_be_proven(
    now: SystemState, outcome: str, kind: str | None
) -> None:
    ending = ending_of(FACTS, sealed=False, last_sample_utc_s=LAST_UTC_S, state=now)
    assert ending.outcome == outcome
    assert (ending.cause["class"] if ending.cause is not None else None) == kind
    assert ending.cause is None or all(isinstance(why, str) and why for why in ending.cause["why"])


def test_where_no_log_is_left_a_crash_is_not_ruled_out() -> None:
    """A system that runs from memory: after a kernel panic it knows as much of it as after a cut of the power."""
    for boots, codes in ((None, ["restarted"]), ((), ["restarted", "no-log-left"])):
        now = state(boot="bbbb-2222", boots=boots)
        ending = ending_of(FACTS, sealed=False, last_sample_utc_s=LAST_UTC_S, state=now)
        assert ending.cause is not None and ending.cause["class"] == "power-off"
        assert [why.code for why in ending.why] == codes


@pytest.mark.parametrize("facts", [{}, {"keeper": None}, {"keeper": {"pid": "x"}}, {"keeper": {"boot_id": ""}}])
def test_a_record_that_does_not_say_who_wrote_it_is_not_guessed_at(facts: dict[str, Any]) -> None:
    ending = ending_of(facts, sealed=False, last_sample_utc_s=None, state=state())
    assert ending.outcome == "interrupted" and ending.cause is not None and ending.cause["class"] == "unknown"


def test_what_the_record_itself_says_comes_first() -> None:
    cause = {"class": "operator", "why": ["ended from the keyboard"]}
    facts = {**FACTS, "outcome": "interrupted", "cause": cause}
    assert ending_of(facts, sealed=True, last_sample_utc_s=LAST_UTC_S, state=state())[:2] == ("interrupted", cause)
    assert (
        ending_of({**FACTS, "outcome": "tripped"}, sealed=False, last_sample_utc_s=0.0, state=state())[0] == "tripped"
    )


@pytest.mark.parametrize(("dark", "kind"), [(True, "power-off"), ("hang", "hang")])
def test_a_machine_that_goes_dark_under_a_bench_computer_is_told_from_a_killed_program(dark: Any, kind: str) -> None:
    ending = ending_of({**FACTS, "went_dark": dark}, sealed=False, last_sample_utc_s=LAST_UTC_S, state=state())
    assert ending.cause is not None and ending.cause["class"] == kind


def one_sample(path: Path, *, then: str) -> None:
    writer = open_record(path, facts={"run": path.stem}, profile_text=None, channels=["die_temp_c"], live=True)
    writer.stage_started("idle", "idle", 0.0)
    writer.sample(0.0, LAST_UTC_S, {"die_temp_c": Reading(value=40.0)})
    assert writer.wait_until_durable(1, 30.0)
    if then == "abandon":
        writer.abandon()


def test_a_run_that_this_process_writes_is_running_and_its_stage_open(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    writer = open_record(path, facts={"run": "r"}, profile_text=None, channels=["die_temp_c"], live=False)
    writer.stage_started("idle", "idle", 0.0)
    for i in range(300):
        writer.sample(float(i), LAST_UTC_S + i, {"die_temp_c": Reading(value=40.0)})
    trace = read_trace(path)
    writer.close()
    assert trace.facts["outcome"] == "running" and trace.stages[0].ended is None


CHILD = """
import os, sys
from pathlib import Path
sys.path.insert(0, {tests!r})
import test_ending
test_ending.one_sample(Path({path!r}), then="stay")
print("there", flush=True)
sys.stdin.read()
"""


def test_a_killed_program_is_told_from_one_that_runs(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    code = CHILD.format(tests=str(Path(__file__).parent), path=str(path))
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as child:
        try:
            assert child.stdout is not None and child.stdout.readline() == "there\n"
            # The sample's wall clock is made up, years ago: the program is there, but nothing comes.
            assert read_head(path).facts["cause"]["class"] == "hang"
        finally:
            os.kill(child.pid, signal.SIGKILL)
    trace = read_trace(path)
    assert trace.facts["outcome"] == "interrupted" and trace.facts["cause"]["class"] == "killed"
    assert trace.stages[0].ended == "interrupted" and trace.stages[0].end_s == 0.0


def test_what_was_noted_at_the_first_start_after_is_kept_and_not_replaced(tmp_path: Path) -> None:
    path = tmp_path / "20260101-000000-aaaa.sqlite"
    one_sample(path, then="abandon")
    note = Aftermath(
        run=path.stem,
        seen_utc_s=LAST_UTC_S + 300,
        restarted_utc_s=LAST_UTC_S + 200,
        outcome="interrupted",
        cause={"class": CauseClass.POWER_OFF, "why": ["the system was restarted since"]},
        remembered=(LogEntry(utc_s=None, id="reset-reason", code="bit 0"),),
    )
    assert write_aftermath(path, note)
    assert not write_aftermath(path, Aftermath(run="x", seen_utc_s=0.0, outcome="running", cause=None))
    assert read_aftermath(path) == note
    assert set(json.loads(aftermath_path(path).read_text())["remembered"][0]) == {"utc_s", "id", "code"}


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"run": 1, "seen_utc_s": "x"}', "\x00"])
def test_a_note_that_cannot_be_read_counts_as_none(tmp_path: Path, text: str) -> None:
    record = tmp_path / "r.sqlite"
    aftermath_path(record).write_text(text)
    assert read_aftermath(record) is None


def test_the_id_of_a_computer_depends_on_board_and_system_and_shows_neither(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc/machine-id").write_text("0123456789abcdef\n")
    board = tmp_path / "sys/class/dmi/id"
    board.mkdir(parents=True)
    (board / "board_name").write_text("Board One\n")
    one = host_id(tmp_path)
    (board / "board_name").write_text("Board Two\n")
    two = host_id(tmp_path)
    assert one != two and "0123" not in one + two and len(one) == 16
