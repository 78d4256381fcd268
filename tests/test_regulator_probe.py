"""Regulators that no sensor shows: who is told to lay a probe on them, when, and with which cautions."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests import report_inputs as ri
from tests.diagnosis_traces import CLIMB, Made, made_run
from verifyrig.analysis.regulator_probe import before_load, probe_advice
from verifyrig.commands.diagnose import data_of, lines_of
from verifyrig.core.profile import LoadPattern, LoadPlan, Profile, Stage, StageKind, WorkName
from verifyrig.core.trace import Trace
from verifyrig.diagnosis import diagnose
from verifyrig.report.metric_rows import probe_words
from verifyrig.report.wording import words_for
from verifyrig.rig.request import RunRequest
from verifyrig.rig.requirements import Watch
from verifyrig.rig.run_facts import notes_of
from verifyrig.rig.stand import stand_of
from verifyrig.runs.summary import sentences_of, summary_of
from verifyrig.system.machine import machine_facts

CAUTIONS = ("switch off", "pull the plug", "until the fans stand", "48 °C", "insulate the tip", "isolated", "mains")


def unwatched(trace: Trace, *parts: str) -> Trace:
    return replace(trace, facts={**trace.facts, "not_watched": list(parts)})


# Hot regulators slow the processor down while the die is cool, two to fifteen minutes into full load: common practice.
FELL_COOL = made_run(Made(clock_falls_after_s=200.0))
PULSES = LoadPlan(
    work=WorkName.LINEAR_ALGEBRA, pattern=LoadPattern.PULSES, on_s=5, off_s=25, count=2, workers="quarter"
)
GENTLE = Profile(
    name="gentle", title="", text="", recipe="gentle",
    stages=(Stage(name="pulses", kind=StageKind.LOAD, max_duration_s=900.0, load=PULSES),),
)  # fmt: skip


def test_a_clock_that_falls_while_the_die_is_cool_asks_for_a_probe_where_nothing_watches() -> None:
    found = probe_advice(unwatched(FELL_COOL, "regulator"))
    assert found is not None and found.code == "regulators-may-be-hot"
    assert found.values["after_s"] == pytest.approx(200.0, abs=3.0)
    assert all(caution in str(found) for caution in CAUTIONS)
    assert probe_advice(unwatched(FELL_COOL, "hot-spot")) is None
    at_its_limit = made_run(Made(air=0.75, air_s=450.0, limit_c=88.0, throttles=True))
    for sound in (made_run(Made()), at_its_limit):
        assert probe_advice(unwatched(sound, "regulator")) is None


@pytest.mark.parametrize(
    ("profile", "parts", "full_w", "is_said"),
    [
        (CLIMB, ("regulator",), 180.0, True),
        (CLIMB, ("regulator",), 65.0, False),
        (CLIMB, ("regulator",), None, False),
        (CLIMB, ("supply",), 180.0, False),
        (GENTLE, ("regulator",), 180.0, False),
    ],
)
def test_a_long_load_of_many_watts_is_not_begun_without_a_word(
    profile: Profile, parts: tuple[str, ...], full_w: float | None, is_said: bool
) -> None:
    found = before_load(profile, parts, full_w)
    assert (found is not None) == is_said
    assert found is None or all(caution in str(found) for caution in CAUTIONS)


def test_it_stands_on_the_screen_before_the_run_begins(tmp_path: Path) -> None:
    request = RunRequest(profile=CLIMB, purpose="check", mock=("healthy-air", 0))
    with stand_of(request, "") as stand:
        machine = machine_facts(stand.root) | {"power_limits_w": {"long_term": 180.0}}
        bare, seen = (Watch(armed=(), absent=[], blind=False, not_watched=parts) for parts in (("regulator",), ()))
        said, unsaid = ("\n".join(notes_of(request, stand, watch, machine, False)) for watch in (bare, seen))
    assert "Up to 180 W go through voltage regulators that no sensor shows" in said
    assert "regulators" not in unsaid


def test_summary_diagnosis_and_report_say_it() -> None:
    trace = unwatched(FELL_COOL, "regulator")
    summary = summary_of(trace, "")
    assert len(summary["advice"]) == 1
    found = diagnose([trace])
    for lines in (sentences_of(summary), lines_of(found)):
        assert [line for line in lines if line.startswith("The clock fell 3 min into full share")]
    assert data_of(found)["advice"] == summary["advice"]
    assert data_of(diagnose([made_run(Made())]))["advice"] == []
    run = replace(ri.healthy_run(), trace=trace)
    german = probe_words(ri.report(run, run), words_for("de"), archive=False)
    assert len(german) == 1 and german[0].startswith("Der Takt fiel nach") and "Netzstecker ziehen" in german[0]
