"""A job's history as evidence: changes that altered nothing, there and back, and the named sequence."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from tests.diagnosis_traces import DAY, Made, entry, leading, made_job, made_run
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.diagnosis import diagnose
from verifyrig.diagnosis.endings import ending_pieces
from verifyrig.diagnosis.evidence import EvidencePiece, MachineEvidence
from verifyrig.diagnosis.history import change_key, weigh_job, what_changed
from verifyrig.diagnosis.judging import see
from verifyrig.diagnosis.quantities import RecordFigure
from verifyrig.diagnosis.suspects import MECHANISMS, Mechanism
from verifyrig.diagnosis.typed import findings_of
from verifyrig.jobs.model import EntryKind, JobEntry
from verifyrig.runs.post_mortem import explain_end
from verifyrig.system.history.entries import LogEntry

INTAKE = {"what": "switches-off", "when": "any-time", "restart": "after-minutes"}


def idle_run(minutes: float, *, is_ill: bool = True) -> Trace:
    """Ten minutes of rest: the die climbs to near 100 °C, or stays 9 K over the room; the pump turns as ever."""
    t_s = np.arange(0.0, 600.0)
    rise_k = 78.0 * (1 - np.exp(-(t_s + 60.0) / 180.0)) if is_ill else np.full(600, 9.0)
    start = DAY + timedelta(minutes=minutes)
    columns = {
        "die_temp_c": np.round(22.0 + rise_k),
        "ambient_temp_c": np.full(600, 22.0),
        "package_power_w": np.full(600, 21.0),
        "pump_speed_rpm": np.full(600, 2380.0),
        "cpu_fan_speed_rpm": np.full(600, 1300.0),
        "cpu_fan_duty_share": np.full(600, 1.0),
        "load_share": np.zeros(600),
    }
    facts = {
        "outcome": "stopped",
        "cause": None,
        "started_utc_s": start.timestamp(),
        "channels": {"die_temp_c": {"limit": 100.0, "resolution": 1.0}},
    }
    stage = StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=600.0, ended=StageEnd.GATE)
    return Trace(
        run_id=f"run-{minutes:g}",
        facts=facts,
        profile=None,
        stages=(stage,),
        t_s=t_s,
        utc_s=t_s + start.timestamp(),
        columns=columns,
    )


RADIATOR = entry(15, EntryKind.FINDING, "radiator", value="cold")
PASTE = entry(60, EntryKind.CHANGE, "paste-renewed", part="paste")
TURNED = entry(90, EntryKind.CHANGE, "turned-or-moved", note="turned by 180 degrees")
COOLER = entry(120, EntryKind.CHANGE, "part-fitted-for-test", part="known-good cooler")
RETURNED = entry(160, EntryKind.CHANGE, "part-returned", part="known-good cooler")


# Common practice, no source: pump tachometer normal, die near 100 °C while idle, radiator cold; fresh paste no help,
# turned by 180° no help, another cooler cures it: the coolant does not flow, whatever the tachometer says.
SEQUENCE: list[tuple[tuple[JobEntry, ...], list[Trace]]] = [
    ((RADIATOR,), [idle_run(10)]),
    ((RADIATOR, PASTE), [idle_run(10), idle_run(70)]),
    ((RADIATOR, PASTE, TURNED), [idle_run(10), idle_run(70), idle_run(100)]),
    ((RADIATOR, PASTE, TURNED, COOLER), [idle_run(10), idle_run(70), idle_run(100), idle_run(140, is_ill=False)]),
]


def test_the_sequence_names_the_coolant_first_before_any_part_is_changed() -> None:
    entries, traces = SEQUENCE[0]
    lead = diagnose(traces, job=made_job(*entries, answers=INTAKE)).suspects[0]
    assert lead.cause == "coolant-flow"


@pytest.mark.parametrize("step", range(1, 4))
def test_the_sequence_never_leaves_the_coolant(step: int) -> None:
    entries, traces = SEQUENCE[step]
    assert diagnose(traces, job=made_job(*entries, answers=INTAKE)).suspects[0].cause == "coolant-flow"


def test_the_sequence_ends_at_the_coolant_with_19_in_20() -> None:
    entries, traces = SEQUENCE[-1]
    found = diagnose(traces, job=made_job(*entries, answers=INTAKE))
    assert found.suspects[0].probability >= 0.95
    assert [s.rating for s in found.substitutions] == ["supported"]


def without_records(entries: tuple[JobEntry, ...]) -> float:
    return weigh_job(made_job(*entries, answers=INTAKE), []).judged.causes["contact"]


def test_fresh_paste_that_altered_nothing_speaks_against_the_contact() -> None:
    noted = entry(60, EntryKind.CHANGE, "paste-renewed", note="no help")
    assert without_records((noted,)) < 0.25 * without_records(())


def test_fresh_paste_that_helped_speaks_for_the_contact() -> None:
    noted = entry(60, EntryKind.CHANGE, "paste-renewed", note="cured")
    assert without_records((noted,)) > 3 * without_records(())


def test_the_symptom_back_with_the_old_part_proves_a_substitution() -> None:
    entries = (*SEQUENCE[-1][0], RETURNED)
    traces = [*SEQUENCE[-1][1], idle_run(170)]
    (weighed,) = weigh_job(made_job(*entries, answers=INTAKE), traces).substitutions
    assert weighed.rating == "proved"


def test_a_machine_that_stays_well_with_the_old_part_refutes_a_substitution() -> None:
    entries = (*SEQUENCE[-1][0], RETURNED)
    traces = [*SEQUENCE[-1][1], idle_run(170, is_ill=False)]
    (weighed,) = weigh_job(made_job(*entries, answers=INTAKE), traces).substitutions
    assert weighed.rating == "refuted"


def test_a_known_good_part_that_cures_nothing_is_rated_so() -> None:
    entries = (RADIATOR, COOLER)
    (weighed,) = weigh_job(made_job(*entries, answers=INTAKE), [idle_run(10), idle_run(140)]).substitutions
    assert weighed.rating == "no-cure"


@pytest.mark.parametrize(
    ("kind", "part", "key"),
    [
        ("part-fitted-for-test", "known-good power supply 650 W", "known-good-supply"),
        ("part-replaced", "closed liquid cooler", "known-good-cooler"),
        ("part-replaced", "Memory module 8 GB", "one-module"),
        ("paste-renewed", "", "paste"),
        ("cleaned", "", "clean"),
        ("firmware-set", "", "firmware"),
        ("part-replaced", "front panel", ""),
    ],
)
def test_a_change_is_the_test_that_it_amounts_to(kind: str, part: str, key: str) -> None:
    assert change_key(entry(5, EntryKind.CHANGE, kind, part=part)) == key


def test_runs_after_a_repair_do_not_hide_what_was_wrong_before() -> None:
    ill = made_run(Made(contact=0.50, contact_s=5.0), load_s=0)
    well = made_run(Made(), load_s=0, start=DAY + timedelta(minutes=90), run_id="after")
    weighed = weigh_job(made_job(PASTE, answers=INTAKE), [ill, well])
    assert weighed.is_cured
    assert leading(weighed.judged)[0] == "contact"
    assert leading(weighed.judged)[1] > 0.95


def seen_at_idle(**figures: tuple[float, float]) -> MachineEvidence:
    """What idle alone shows: value and standard uncertainty of each figure."""
    return MachineEvidence(
        cooler="liquid", figures={name: RecordFigure(value=value, u=u) for name, (value, u) in figures.items()}
    )


def test_a_figure_too_uncertain_to_show_a_cure_does_not_show_that_nothing_altered() -> None:
    # A gate that closed early: 1.7 ± 1.7 K/W holds 0.42 as well as 3 (closed form: two standard uncertainties).
    assert what_changed(seen_at_idle(rest_rise=(1.7, 0.85)), seen_at_idle(rest_rise=(0.42, 0.03))) == ""


def test_a_die_that_no_longer_climbs_away_from_the_coolant_at_idle_is_cured() -> None:
    ill = seen_at_idle(rest_rise=(1.7, 0.85), rest_die_over_sink=(1.61, 0.04), rest_creep=(5.1, 0.16))
    well = seen_at_idle(rest_rise=(0.42, 0.03), rest_die_over_sink=(0.19, 0.04), rest_creep=(0.2, 0.16))
    assert what_changed(ill, well) == "cured"
    assert what_changed(ill, ill) == "same"


def dark(power_w: float, die_c: float, run_id: str) -> Trace:
    """A run that went dark under a steady load, at these watts and degrees."""
    trace = made_run(Made(load_w=power_w), ends_at_s=600.0, cause="power-off", run_id=run_id)
    die = np.where(trace.t_s > 595.0, die_c, trace.columns["die_temp_c"])
    return replace(trace, columns={**trace.columns, "die_temp_c": die})


def pieces_of_ends(*traces: Trace) -> list[EvidencePiece]:
    return ending_pieces([found for trace in traces if (found := explain_end(trace)) is not None])


def test_shut_offs_at_the_same_watts_speak_for_the_power_and_at_the_same_degrees_for_heat() -> None:
    # Die equal within 3 K: heat; watts equal, degrees not: power (common practice, no source).
    (by_power,) = pieces_of_ends(dark(100.0, 55.0, "a"), dark(100.0, 70.0, "b"))
    (by_heat,) = pieces_of_ends(dark(80.0, 92.0, "a"), dark(130.0, 93.0, "b"))
    supply, paste = MECHANISMS.index(Mechanism.SUPPLY), MECHANISMS.index(Mechanism.PASTE)
    assert by_power.logs[supply] - by_power.logs[paste] > 2.0
    assert by_heat.logs[paste] - by_heat.logs[supply] > 2.0


def test_one_shut_off_or_two_alike_in_both_tell_nothing_more() -> None:
    assert not pieces_of_ends(dark(100.0, 55.0, "a"))
    assert not pieces_of_ends(dark(100.0, 55.0, "a"), dark(100.0, 55.0, "b"))


# What each kind of reset leaves: bit 0 the thermal pin, bit 16 the reset line (kernel document "amd-debugging");
# an uncorrected memory error (kernel document "ras"). That they speak for these causes: common practice, no source.
REMEMBERED = {
    "contact": LogEntry(utc_s=None, id="reset-reason", code="bits=0"),
    "memory": LogEntry(utc_s=None, id="memory-ue"),
    "wiring": LogEntry(utc_s=None, id="reset-reason", code="bits=16"),
}


def odds(probability: float) -> float:
    return probability / (1 - probability)


@pytest.mark.parametrize("cause", REMEMBERED)
def test_what_the_system_remembers_of_a_shut_off_counts(cause: str) -> None:
    trace = dark(100.0, 72.0, "a")
    ending = explain_end(trace, [REMEMBERED[cause]])
    assert ending is not None
    silent = weigh_job(made_job(answers=INTAKE), [trace], endings={}).judged
    weighed = weigh_job(made_job(answers=INTAKE), [trace], endings={"a": ending}).judged
    assert odds(weighed.causes[cause]) > 4 * odds(silent.causes[cause])
    assert any(piece.says.code == "system-says" for piece in weighed.seen.pieces)


def test_a_shut_off_between_two_readings_was_hotter_than_the_last_one() -> None:
    # Straight line: 2 K/s up to 87 °C, the cut half a period of 1 s after it on average: 88 °C, 4 K under the limit.
    trace = made_run(Made(limit_c=92.0), ends_at_s=600.0, cause="power-off")
    rising = np.where(trace.t_s > 580.0, 87.0 - 2.0 * (trace.t_s[-1] - trace.t_s), trace.columns["die_temp_c"])
    hot = replace(trace, columns={**trace.columns, "die_temp_c": rising})
    (end,) = [sign for sign in see(hot).signs if sign.name == "end"]
    assert end.word == "off-hot"
    assert "88 °C" in str(end.says)


def test_temperatures_typed_by_hand_count_like_words() -> None:
    # Two probes on the hoses are a flow meter: far apart means little flow (P = mass flow × heat × difference).
    apart = [entry(1, EntryKind.FINDING, "hose-in", value=24.0), entry(2, EntryKind.FINDING, "hose-out", value=41.0)]
    assert findings_of(apart)["hoses"] == "one-hot"
    cold = [entry(1, EntryKind.FINDING, "radiator-temp", value=23.0), entry(2, EntryKind.FINDING, "room", value=22.0)]
    assert findings_of(cold)["radiator"] == "cold"
    assert weigh_job(made_job(*apart, answers=INTAKE), []).judged.causes["coolant-flow"] > 0.6


def test_a_word_noted_by_hand_stands_over_a_typed_temperature() -> None:
    both = [
        entry(1, EntryKind.FINDING, "radiator-temp", value=23.0),
        entry(2, EntryKind.FINDING, "radiator", value="hot"),
    ]
    assert findings_of(both)["radiator"] == "hot"
