"""What a record says of its run, typed: what is not of its kind counts as absent, and nobody reads it by hand."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import verifyrig
from verifyrig.core.ambient import TypedAmbient
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.recorded import Recorded, recorded
from verifyrig.core.trace import Trace

FACTS: dict[str, Any] = {
    "outcome": "interrupted",
    "cause": {"class": "power-off", "why": ["the lead was pulled"]},
    "trip": None,
    "purpose": "verification",
    "job": "j1",
    "simulated": True,
    "utc_known": False,
    "started_utc_s": 1_770_000_000,
    "period_s": 0.5,
    "ambient": {"value_c": 21, "u95_k": 0.5, "source": "typed"},
    "states": {"panel": "on"},
    "machine": {"cores": 8, "power_limits_w": {"long_term": 65}},
    "channels": {"die_temp_c": {"limit": 100.0, "device": "k10temp"}},
    "not_armed": ["pump_speed_rpm"],
}
ODD: tuple[Any, ...] = (
    None, True, 0, -1, 3.5, float("nan"), float("inf"), 10**400, "", "x", [], [None], [{}], [{"channel": []}], {},
    {"class": 1}, {"value_c": "warm"}, {"value_c": True}, {"die_temp_c": 3}, {"cores": "many"}, {3: {"limit": {}}},
)  # fmt: skip


def test_facts_are_read_as_what_they_are() -> None:
    told = recorded(FACTS)
    assert (told.outcome, told.cause_class) == (Outcome.INTERRUPTED, CauseClass.POWER_OFF)
    assert (told.purpose, told.job, told.unit, told.trip) == ("verification", "j1", None, None)
    assert (told.simulated, told.blind, told.utc_known) == (True, False, False)
    assert (told.started_utc_s, told.period_s) == (1.77e9, 0.5)
    assert told.ambient == TypedAmbient(21.0, 0.5)
    assert (told.cores, told.firmware_power_limit_w, told.limit_of("die_temp_c")) == (8, 65.0, 100.0)
    assert told.limit_of("plate_temp_c") is None and told.not_armed == ("pump_speed_rpm",)


def test_channels_of_early_records_stand_in_a_list() -> None:
    assert recorded({"channels": ["die_temp_c"]}).channels == {}
    told = recorded({"channels": [{"channel": "die_temp_c", "limit": 95}, "plate_temp_c"]})
    assert told.limit_of("die_temp_c") == 95.0


@pytest.mark.parametrize("odd", ODD, ids=lambda odd: repr(odd)[:20])
def test_an_odd_fact_counts_as_not_told_and_leaves_the_others(odd: Any) -> None:
    whole = recorded(FACTS)
    for key in FACTS:
        told = recorded({**FACTS, key: odd})
        assert told.cause_class is None or isinstance(told.cause_class, str), key
        assert told.cores is None or told.cores == 8 or isinstance(odd, dict), key
        told.limit_of("die_temp_c"), told.firmware_power_limit_w
        others = {"outcome", "purpose", "job", "period_s", "started_utc_s", "states", "not_armed"} - {key}
        assert {name: getattr(told, name) for name in others} == {name: getattr(whole, name) for name in others}, key


def test_nothing_told_is_nothing_known() -> None:
    assert recorded({}) == Recorded()


def test_a_trace_reads_its_facts_once_and_anew_where_they_change() -> None:
    trace = Trace(
        run_id="r", facts=FACTS, profile=None, stages=(), t_s=np.arange(3.0), utc_s=np.arange(3.0), columns={}
    )
    assert trace.recorded is trace.recorded
    assert trace.until(1.0).recorded.outcome is Outcome.RUNNING and trace.recorded.outcome is Outcome.INTERRUPTED


# Where facts are written, read from the file, checked, or walked as a whole; a line of a job has facts of its own.
RAW = {
    "core/recorded.py", "core/trace.py", "commands/run.py", "report/masking.py", "runs/unfinished.py",
    "report/job_part.py", "link/sender.py", "serve/receiver.py",
}  # fmt: skip


def test_no_module_reads_facts_of_a_record_by_hand() -> None:
    package = Path(verifyrig.__file__).parent
    found = []
    for path in sorted(package.rglob("*.py")):
        name = path.relative_to(package).as_posix()
        if name in RAW or name.startswith(("record/", "rig/")):
            continue
        nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        found += [f"{name}:{n.lineno}" for n in nodes if isinstance(n, ast.Attribute) and n.attr == "facts"]
    assert found == []
