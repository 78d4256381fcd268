"""The demo tells one whole job on simulated hardware: what it measures, names, changes and proves fits together."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from tests.forked import forked
from tests.shape_of_json import misfits
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Context, diagnose
from verifyrig.commands.contract import DemoObject
from verifyrig.commands.demo_stories import DEFAULT_CASE, story_of
from verifyrig.jobs.model import EntryKind
from verifyrig.jobs.rules import in_order, missing_verification, obstacles_to_close
from verifyrig.jobs.runs import runs_of
from verifyrig.jobs.store import read_job
from verifyrig.jobs.vocabulary import CHANGE_KINDS, FINDINGS, MACHINE_KINDS, QUESTIONS
from verifyrig.rig.simulated import simulated_cases, typical_machine


class Told(NamedTuple):
    """What the demo left, what it printed as JSON, and what it said meanwhile."""

    bench: Bench
    data: dict[str, Any]
    said: list[str]

    @property
    def job(self) -> str:
        return str(self.data["job"])


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    """The default demo, run once."""
    out = tmp_path_factory.mktemp("demo") / "bench"
    done = forked().run(["demo", "--out", str(out), "--json"], out.parent)
    assert done.returncode == 0, done.stderr
    return Told(find_bench(str(out)), json.loads(done.stdout), done.stderr.decode().splitlines())


def test_its_json_is_what_its_type_says(told: Told) -> None:
    data = dict(told.data)
    assert data.pop("schema") == 1 and list(misfits(data, DemoObject)) == []


def test_the_default_is_a_small_desktop_that_slows_down_since_its_move(told: Told) -> None:
    job = read_job(told.bench, told.job)
    assert job.intake.machine.kind == "small-form"
    assert "moved" in job.intake.complaint and "slow" in job.intake.complaint
    assert job.intake.answers["what"] == "slow"


def test_its_baseline_names_contact_before_anything_is_opened(told: Told) -> None:
    context = Context(bench=told.bench)
    answer = diagnose.execute(
        argparse.Namespace(records=[told.data["runs"][0]], out=None, job=None, place=None), context
    )
    first = answer.data["suspects"][0]
    assert (first["cause"], typical_machine(DEFAULT_CASE).cause) == ("contact", "contact")
    assert first["probability"] > 0.9
    (at,) = [n for n, line in enumerate(told.said) if line.startswith("What it shows of the cause: contact")]
    assert at < next(n for n, line in enumerate(told.said) if "mount loose" in line)


def test_it_is_cured_by_seating_the_heat_sink_anew_and_verified_twice(told: Told) -> None:
    job = read_job(told.bench, told.job)
    (change,) = job.of_kind(EntryKind.CHANGE)
    assert change.what == "reseated" and "even torque" in change.text("note")
    runs = in_order(runs_of(told.bench, told.job))
    assert [run.purpose for run in runs] == ["baseline", "verification", "verification"]
    assert [run.verdict for run in runs][1:] == ["pass", "pass"]
    assert runs[0].verdict != "pass"
    assert missing_verification(job, runs) is None and obstacles_to_close(job, runs) == []
    assert job.closing is not None and job.closing.what == "contact"
    assert Path(told.data["report"]).is_file()


def test_the_standing_coolant_is_told_by_its_name() -> None:
    story = story_of("coolant-stopped", "coolant-flow", "liquid")
    assert (story.kind, story.profile, story.change.kind) == ("desktop-liquid", "desktop-liquid", "part-replaced")
    assert "switches itself off" in story.complaint


@pytest.mark.parametrize("case", simulated_cases())
def test_every_case_has_a_story_in_the_words_of_a_job(case: str, tmp_path: Path) -> None:
    machine = typical_machine(case)
    story = story_of(case, machine.cause, machine.cooler)
    questions = {question.key: question for question in QUESTIONS}
    for key, answer in story.answers.items():
        assert not questions[key].choices or answer in questions[key].choices
    for name, value in story.seen.items():
        assert value in FINDINGS[name].choices
    assert story.change.kind in CHANGE_KINDS and story.kind in MACHINE_KINDS
    assert ("liquid" in story.kind) == (machine.cooler == "liquid")
    assert find_profile(story.profile, Bench(root=tmp_path)).name == story.profile
