"""Who answers for the physical world before a load, and what an answer forbids."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.fake_asker import FakeAsker
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench
from verifyrig.commands import Context
from verifyrig.core.errors import SafetyRefusal, UsageError
from verifyrig.core.reason import reason
from verifyrig.dialogs.attestation import LoadAnswers, answers_for, ask
from verifyrig.jobs.safety import QUESTIONS, load_refusals


@pytest.fixture
def context(tmp_path: Path) -> Context:
    return Context(bench=Bench(root=tmp_path), json=True)


def attestation(folder: Path, until: datetime, **answers: str) -> Path:
    lines = ['by = "N. Bench"', 'present = "N. Bench"', f"until = {until:%Y-%m-%dT%H:%M:%S}"]
    path = folder / "answers.toml"
    path.write_text("\n".join([*lines, *(f'{key} = "{answer}"' for key, answer in answers.items())]))
    return path


def test_without_a_person_every_heavy_load_is_refused(context: Context) -> None:
    found = answers_for(context.bench, find_profile("desktop-air", context.bench), None, None)
    assert found.attestation is None and reason("presence-not-answered") in found.refusals


def test_gentle_pulses_need_nobody(context: Context) -> None:
    assert answers_for(context.bench, find_profile("pulses-only", context.bench), None, None) == LoadAnswers()


def test_a_file_with_all_answers_frees_the_load(context: Context, tmp_path: Path) -> None:
    late = datetime.now() + timedelta(hours=5)
    file = attestation(tmp_path, late, leak="no", pack="no", burnt="no", ground="yes")
    found = answers_for(context.bench, find_profile("desktop-air", context.bench), None, file)
    assert found.refusals == [] == found.lines
    assert found.attestation is not None and found.attestation.by == "N. Bench"


def test_a_leak_forbids_every_load(context: Context, tmp_path: Path) -> None:
    file = attestation(tmp_path, datetime.now() + timedelta(hours=5), leak="yes", pack="no", burnt="no", ground="yes")
    with pytest.raises(SafetyRefusal, match="leak"):
        answers_for(context.bench, find_profile("quick-look", context.bench), None, file)


def test_a_file_that_is_not_there_is_said_in_one_sentence(context: Context, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        answers_for(context.bench, find_profile("desktop-air", context.bench), None, tmp_path / "none.toml")


def test_a_person_answers_with_single_keys(context: Context) -> None:
    profile, now = find_profile("desktop-air", context.bench), datetime.now().astimezone()
    given = ask(QUESTIONS, profile, "", now, FakeAsker("n", "n", "n", "y", "N. Bench", "y"))
    assert load_refusals(None, profile, given, now) == []


def test_nobody_who_stays_means_no_heavy_load(context: Context) -> None:
    profile, now = find_profile("desktop-air", context.bench), datetime.now().astimezone()
    given = ask(QUESTIONS, profile, "", now, FakeAsker("n", "n", "n", "y", "N. Bench", "n"))
    assert load_refusals(None, profile, given, now) == [reason("presence-not-answered")]
