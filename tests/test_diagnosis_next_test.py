"""The next test: most information for each minute, never an unsafe one; the tables are whole."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from tests.diagnosis_traces import Made, entry, made_job, made_run
from verifyrig.core.trace import Event
from verifyrig.diagnosis import diagnose, tables
from verifyrig.diagnosis.evidence import MachineEvidence
from verifyrig.diagnosis.judging import judge
from verifyrig.diagnosis.next_test import State, next_tests, outcome_table, plans
from verifyrig.diagnosis.state import state_of
from verifyrig.diagnosis.suspects import CAUSES, MECHANISMS, cause_of
from verifyrig.jobs.model import EntryKind
from verifyrig.jobs.vocabulary import FINDINGS, QUESTIONS

COMPLAINT = {"what": "switches-off", "when": "under-load", "restart": "after-minutes"}
# What the issue of a diagnosis has to offer; common practice, no source.
WANTED = {
    "hoses",
    "plate",
    "panel-off",
    "fan-full",
    "pulses",
    "pump-header",
    "tilt",
    "known-good-cooler",
    "known-good-supply",
    "one-module",
    "cores-in-turn",
    "standing",
}


def test_the_table_holds_the_usual_tests() -> None:
    assert {plan.key for plan in plans()} >= WANTED


@pytest.mark.parametrize("plan", plans(), ids=lambda plan: plan.key)
@pytest.mark.parametrize("cooler", ["air", "liquid"])
def test_every_table_of_outcomes_is_a_distribution_under_every_mechanism(plan: object, cooler: str) -> None:
    table = outcome_table(plan, cooler)  # type: ignore[arg-type]
    assert np.all(table >= 0)
    assert table.sum(axis=0) == pytest.approx(np.ones(len(MECHANISMS)))


@pytest.mark.parametrize("plan", plans(), ids=lambda plan: plan.key)
def test_no_test_opens_a_supply_bridges_a_protection_or_heats_the_inlet(plan: object) -> None:
    do = plan.do.casefold()  # type: ignore[attr-defined]
    for forbidden in (r"open (the|a) (power )?supply", "bridge", "heater", "short", "bypass", "hair", "above the trip"):
        assert not re.search(rf"\b{forbidden}\b", do)


@pytest.mark.parametrize("key", ["tilt", "panel-off", "pump-header", "known-good-cooler", "known-good-supply", "clean"])
def test_panels_plugs_and_tilting_come_only_switched_off_and_unplugged(key: str) -> None:
    do = next(plan.do for plan in plans() if plan.key == key)
    assert do.startswith("Switch off, unplug")


def test_the_words_of_all_tables_are_those_of_the_job() -> None:
    priors = tables.load("priors")
    questions = {q.key: q.choices for q in QUESTIONS}
    for key, rows in priors["answer"].items():
        assert set(rows) <= set(questions[key])
    for name, rows in priors["finding"].items():
        assert set(rows) <= set(FINDINGS[name].choices)


def test_priors_are_a_distribution_and_name_every_mechanism() -> None:
    for complaint in (True, False):
        assert tables.prior(complaint=complaint).sum() == pytest.approx(1.0)
    assert set(tables.load("priors")["prior"]) == {m.value for m in MECHANISMS}
    assert {cause_of(m) for m in MECHANISMS} == set(CAUSES)


def test_a_name_that_is_no_cause_is_refused() -> None:
    with pytest.raises(KeyError):
        tables.column({"no-such-cause": 0.5})


def keys(state: State, seen: MachineEvidence | None = None) -> set[str]:
    judged = judge(seen or MachineEvidence(cooler="liquid", answers=COMPLAINT))
    return {test.plan.key for test in next_tests(judged, state)}


def test_a_machine_that_must_not_be_loaded_is_not_offered_a_load() -> None:
    assert "load" in keys(State())
    offered = keys(State(load_unsafe=True))
    assert not offered & {plan.key for plan in plans() if plan.load == "load"}
    assert "pulses" in offered


def test_a_machine_that_is_too_hot_at_idle_is_not_offered_pulses() -> None:
    offered = keys(State(idle_unsafe=True))
    assert "pulses" not in offered
    assert "load" not in offered
    assert offered & {"hoses", "radiator"}


def test_a_machine_that_leaks_stays_off() -> None:
    offered = keys(State(must_stay_off=True))
    assert not offered & {plan.key for plan in plans() if plan.powered}


def test_a_test_that_was_done_is_not_proposed_again() -> None:
    before = keys(State())
    assert "known-good-cooler" in before
    assert "known-good-cooler" not in keys(State(done=frozenset({"known-good-cooler"})))
    seen = MachineEvidence(cooler="liquid", answers=COMPLAINT, findings={"hoses": "both-hot"})
    assert "hoses" not in keys(State(), seen)


def test_a_dry_cooler_is_asked_nothing_about_hoses() -> None:
    assert not keys(State(), MachineEvidence(cooler="air", answers=COMPLAINT)) & {"hoses", "radiator", "pump", "tilt"}


def test_tests_come_by_information_for_each_minute() -> None:
    found = next_tests(judge(MachineEvidence(cooler="liquid", answers=COMPLAINT)))
    rates = [test.bits_per_min for test in found]
    assert rates == sorted(rates, reverse=True)
    assert all(test.separates[0] != test.separates[1] for test in found)


def test_a_trip_a_refused_load_or_a_dark_machine_forbids_the_next_load() -> None:
    dark = made_run(Made(droop_v_per_w=0.009), ends_at_s=392.0, cause="power-off")
    assert state_of([dark], {}).load_unsafe
    whole = made_run(Made())
    assert not state_of([whole], {}).load_unsafe
    tripped = replace(whole, facts={**whole.facts, "outcome": "tripped"})
    assert state_of([tripped], {}).load_unsafe
    refused = replace(whole, events=(*whole.events, Event(t_s=60.0, kind="load-refused", detail={})))
    assert state_of([refused], {}).load_unsafe
    # One that did not come up says nothing of what the machine bears.
    failed = {**whole.facts, "outcome": "interrupted", "cause": {"class": "load-failed", "why": []}}
    assert not state_of([replace(refused, facts=failed)], {}).load_unsafe


def test_idle_within_25_k_of_the_limit_forbids_pulses() -> None:
    # 25 K below the limit, or 30 K over the room: common practice, no source.
    hot = made_run(Made(flow=2.4, flow_s=120.0, limit_c=90.0), load_s=0, pulses=False)
    assert state_of([hot], {}).idle_unsafe
    cool = made_run(Made(), load_s=0, pulses=False)
    assert not state_of([cool], {}).idle_unsafe


@pytest.mark.parametrize(
    ("finding", "word"), [("leak", "seen"), ("smell", "burnt"), ("connector", "scorched"), ("pack", "swollen")]
)
def test_what_must_not_be_powered_is_offered_nothing_powered(finding: str, word: str) -> None:
    job = made_job(entry(1, EntryKind.FINDING, finding, value=word), answers=COMPLAINT)
    found = diagnose([], job=job)
    assert found.next_test is None or not found.next_test.plan.powered


def test_no_plug_lead_or_panel_is_moved_while_the_machine_has_power() -> None:
    # The safety rule of the design: tilting, moving panels and plugs only switched off, unplugged, fans still.
    moves = re.compile(r"\b(move|take|put|turn|tilt|connect|fit|seat)\b[^.;]*\b(plugs?|leads?|panel|machine|cooler)\b")
    for plan in plans():
        if not plan.do.startswith("Switch off, unplug"):
            assert not moves.search(plan.do.casefold()), plan.do
