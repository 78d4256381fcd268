"""The questions before a machine leaves: each asks for one plain fact, and a danger told there locks the machine."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.fake_asker import FakeAsker
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Context
from verifyrig.commands import job as job_command
from verifyrig.commands.parsers import command_parser
from verifyrig.core.errors import NotReleasable
from verifyrig.jobs.dangers import DangerCode, standing_dangers
from verifyrig.jobs.model import Intake, Job, Machine
from verifyrig.jobs.store import new_job, read_job
from verifyrig.jobs.text import parse_job
from verifyrig.jobs.vocabulary import MACHINE_KINDS, NO, YES, steps_of

NEGATIVES = r"\b(?:no|not|none|never|without|nothing|neither|nor|un(?:der|til)?less)\b"
ALL = {step: one for kind in MACHINE_KINDS for step, one in steps_of(kind).items()}


@pytest.mark.parametrize("step", ALL)
def test_no_question_is_a_negation_and_both_answers_are_plain(step: str) -> None:
    one = ALL[step]
    assert one.question.endswith("?") and not re.search(NEGATIVES, one.question, re.IGNORECASE)
    assert one.done in (YES, NO)
    # What is answered "no" tells of something bad: only there can the other answer say more.
    assert not one.otherwise or one.done == NO


def taken_in(bench: Path, kind: str) -> Job:
    return new_job(Bench(root=bench), Intake(machine=Machine(kind=kind)), now=datetime(2031, 3, 14, tzinfo=UTC))


def close(bench: Path, *answers: str) -> FakeAsker:
    parser, _ = command_parser("job")
    asker = FakeAsker(*answers)
    with pytest.raises(NotReleasable):
        job_command.execute(parser.parse_args(["close"]), Context(bench=find_bench(str(bench))), asker)
    return asker


def test_answers_that_say_what_is_the_case_tick_the_steps(tmp_path: Path) -> None:
    job = taken_in(tmp_path, "desktop-liquid")
    close(tmp_path, "y", "y", "y", "y", "y", "n", "n", "")
    assert all(read_job(Bench(root=tmp_path), job.job_id).steps().values())


def test_coolant_outside_its_loop_locks_the_machine_at_once(tmp_path: Path) -> None:
    job = taken_in(tmp_path, "desktop-liquid")
    asker = close(tmp_path, "y", "y", "y", "y", "y", "y", "n")  # coolant: yes; not to be closed as not safe
    assert "Pump at the highest point of the loop?" not in asker.asked
    (found,) = standing_dangers(read_job(Bench(root=tmp_path), job.job_id))
    assert found.code is DangerCode.LEAK
    assert any("NOT SAFE TO USE" in line for line in asker.said)


def test_a_swollen_pack_told_at_the_close_is_a_danger_and_a_missing_screw_is_not(tmp_path: Path) -> None:
    job = taken_in(tmp_path, "laptop")
    close(tmp_path, "y", "y", "y", "n", "y", "y", "n")
    job = read_job(Bench(root=tmp_path), job.job_id)
    assert [found.code for found in standing_dangers(job)] == [DangerCode.PACK]
    assert job.steps()["closed-up"] is False and job.steps()["static"] is True


def test_a_job_whose_steps_were_ticked_before_stays_ticked() -> None:
    old = """
schema = 1
job = "20310301-1"
opened = 2031-03-01T09:00:00Z
[machine]
kind = "desktop-liquid"
[[entry]]
id = "20310301-100000-abcd"
time = 2031-03-01T10:00:00Z
kind = "step"
what = "no-coolant"
detail = { value = "yes" }
"""
    assert parse_job(old, "job.toml").steps()["no-coolant"] is True
