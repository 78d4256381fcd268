"""Sensors that keep their reader waiting get a thread of their own; those of simulated hardware never do."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from tests.silent import Silent
from verifyrig.bench.folder import Bench
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.plan.text import parse_profile
from verifyrig.record.reader import read_trace
from verifyrig.rig.assemble import run
from verifyrig.rig.request import RunRequest
from verifyrig.sensors.bank import Bank

HANG_S = 30.0
PROFILE = """
name = "short"
title = "A minute of rest"

[trip]
die_temp_c = { max = 90.0, why = "a limit" }

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 60
"""


class Sluggish:
    """A bus that answers after 50 ms, and counts how often it was asked by the caller's own thread."""

    def __init__(self) -> None:
        self.asked = 0
        self.info = ChannelInfo(
            channel="plate_temp_c", label="bus", device="d", source="s", quantity="temperature", unit="°C"
        )

    def read(self) -> Taken:
        self.asked += 1
        time.sleep(0.05)
        return Taken(30.0 + self.asked / 10)

    def close(self) -> None:
        pass


def test_a_sensor_that_is_slow_again_and_again_stops_holding_up_the_others() -> None:
    bank = Bank([Sluggish()])
    end_s = time.monotonic() + HANG_S
    fastest_s = HANG_S
    while fastest_s > 0.04 and time.monotonic() < end_s:
        began_s = time.monotonic()
        bank.sample(began_s, load_share=0.0)
        fastest_s = min(fastest_s, time.monotonic() - began_s)
    bank.close()
    assert fastest_s <= 0.04


def test_simulated_hardware_is_read_in_its_own_time_however_busy_the_processor_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A processor so busy that every read is called slow: a thread would give each value again for half a real second,
    # which is minutes of the virtual clock.
    monkeypatch.setattr("verifyrig.sensors.bank.SLOW_S", -1.0)
    request = RunRequest(profile=parse_profile(PROFILE, "short.toml"), purpose="check", mock=("healthy-air", 0))
    done = run(request, Bench(root=tmp_path), Silent())
    trace = read_trace(done.record)
    assert trace.facts["outcome"] == "completed"
    # The fan's tachometer is read anew, with its noise, every 1.5 s of the machine's time.
    assert len(set(trace.usable("cpu_fan_speed_rpm"))) > 10
    assert [q for q in trace.qualities if q.channel == "die_temp_c"] == []
