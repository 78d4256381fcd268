"""The duty cycle and the lines between supervisor and worker, without a process."""

from __future__ import annotations

import math
import random
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifyrig.loads.duty import LARGEST_CREDIT_S, DutyMeter, ShareSchedule
from verifyrig.loads.watchdog import Watchdog
from verifyrig.loads.wire import (
    BEAT_LIMIT_S,
    FIRST_BEAT_LIMIT_S,
    LINE_LIMIT_BYTES,
    Counts,
    Lines,
    WorkerSettings,
    beat_clock_s,
    clock_s,
    count_line,
    fault_line,
    refused_line,
    share_line,
)


@pytest.mark.parametrize("share", [0.02, 0.1, 0.25, 0.5, 0.9, 0.99])
def test_busy_time_comes_to_the_share_whatever_the_system_does_to_the_pauses(share: float) -> None:
    dice = random.Random(1)
    meter, busy_s, total_s = DutyMeter(), 0.0, 0.0
    for _ in range(2000):
        block_s = dice.uniform(0.002, 0.014)
        pause_s = meter.pause_s(block_s, share)
        slept_s = pause_s + (dice.uniform(0.0, 0.002) if pause_s else 0.0)  # sleeps come out late, never early
        meter.paused(slept_s)
        busy_s += block_s
        total_s += block_s + slept_s
    # Late sleeps are made up for by at most the largest credit.
    assert busy_s / total_s == pytest.approx(share, rel=0.01, abs=LARGEST_CREDIT_S / total_s)


def test_a_stall_is_not_followed_by_a_burst() -> None:
    meter = DutyMeter()
    meter.paused(60.0)
    worked_s = 0.0
    while meter.pause_s(0.01, 0.5) == 0.0:
        worked_s += 0.01
        meter.paused(0.0)
    assert worked_s <= LARGEST_CREDIT_S + 0.01


@pytest.mark.timeout(30)
def test_a_command_between_looking_and_pausing_is_not_slept_through() -> None:
    schedule = ShareSchedule()
    assert schedule.now(clock_s()) == (0.0, math.inf)
    schedule.command(1.0, 0.0)
    schedule.pause_until(math.inf)  # would otherwise wait for a command that may never come
    assert schedule.now(clock_s()) == (1.0, math.inf)


def test_a_share_holds_from_its_moment_on() -> None:
    schedule = ShareSchedule()
    assert schedule.now(0.0) == (0.0, math.inf)
    schedule.command(1.0, 5.0)
    schedule.command(0.0, 7.0)
    assert schedule.now(4.9) == (0.0, 5.0)
    assert schedule.now(5.0) == (1.0, 7.0)
    assert schedule.now(9.0) == (0.0, math.inf)


def test_a_new_command_replaces_what_was_to_come_later() -> None:
    schedule = ShareSchedule()
    schedule.command(1.0, 10.0)
    schedule.command(0.2, 8.0)
    assert schedule.now(11.0) == (0.2, math.inf)


@given(st.lists(st.sampled_from(["beat", "share 0.5 1.25", "count 1 2 3", ""])), st.data())
def test_lines_arrive_whole_in_whatever_pieces(lines: list[str], data: st.DataObject) -> None:
    sent = "".join(line + "\n" for line in lines).encode()
    cuts = sorted(data.draw(st.lists(st.integers(0, len(sent)), max_size=8)))
    reader = Lines()
    got = [line for a, b in zip([0, *cuts], [*cuts, len(sent)], strict=True) for line in reader.feed(sent[a:b])]
    assert got == lines


@given(st.text(max_size=2000))
def test_a_report_is_one_line_that_a_pipe_takes_whole(detail: str) -> None:
    for line in (fault_line(1.0, detail), refused_line(detail, "mend")):
        assert line.endswith(b"\n")
        assert line.count(b"\n") == 1
        # POSIX: writes of at most PIPE_BUF bytes, no less than 512, are not torn.
        assert len(line) <= LINE_LIMIT_BYTES + 1 < 512


def test_settings_survive_the_command_line() -> None:
    settings = WorkerSettings(work="march", index=3, pinned_to=(6, 7), parent_pid=42, memory_bytes=2**40)
    assert WorkerSettings.from_json(settings.to_json()) == settings


def test_commands_and_counts_in_words() -> None:
    assert share_line(0.5, 12.25) == b"share 0.500000 12.250000\n"
    assert count_line(Counts(1.5, 20, 0)) == b"count 1.5 20 0\n"


def test_the_heartbeat_counts_from_the_first_beat_or_after_a_grace() -> None:
    watchdog = Watchdog(WorkerSettings(work="digest", parent_pid=1), ShareSchedule(), lambda: None)
    now_s = beat_clock_s()
    assert not watchdog.overdue(now_s + 1000.0)  # still preparing
    watchdog.arm()
    assert not watchdog.overdue(beat_clock_s() + FIRST_BEAT_LIMIT_S - 0.5)
    assert watchdog.overdue(beat_clock_s() + FIRST_BEAT_LIMIT_S)
    watchdog.obey(["beat"])
    assert not watchdog.overdue(beat_clock_s() + BEAT_LIMIT_S - 0.5)
    # A suspend looks like this: the clock has moved on by the time asleep when the process runs again.
    assert watchdog.overdue(beat_clock_s() + BEAT_LIMIT_S)


@pytest.mark.skipif(not hasattr(time, "CLOCK_BOOTTIME"), reason="a clock that counts suspended time exists on Linux")
def test_the_heartbeat_clock_counts_suspended_time() -> None:
    assert beat_clock_s() == pytest.approx(time.clock_gettime(time.CLOCK_BOOTTIME), abs=5.0)


def test_commands_reach_the_schedule_and_nonsense_is_ignored() -> None:
    schedule = ShareSchedule()
    watchdog = Watchdog(WorkerSettings(work="digest", parent_pid=1), schedule, lambda: None)
    watchdog.obey(["share", "0.5", "3.0"])
    watchdog.obey(["dance"])
    watchdog.obey([])
    assert schedule.now(4.0) == (0.5, math.inf)
