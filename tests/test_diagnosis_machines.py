"""The diagnosis on simulated machines of both kinds, small and seeded; the benchmark `diagnosis` is the long form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mock_hw.physics.parameters import CASES, draw
from tests.benchmarks import _diagnosis_second as second
from tests.benchmarks._diagnosis_campaign import follow, proposed, take_in
from tests.benchmarks._diagnosis_machines import PLAIN, WITH_PROBES, run_machine
from tests.benchmarks.diagnosis import brier, only_pulses, reliability, reliability_svg, without_probes
from tests.diagnosis_traces import leading
from verifyrig.core.trace import Trace
from verifyrig.diagnosis.judging import judge, see


@pytest.fixture(scope="module")
def typical() -> dict[str, Trace]:
    """One measured machine of each case, simulated hardware."""
    return {case: run_machine(draw(case, 1), 1, channels=PLAIN, load_s=700, knows_limits=True) for case in CASES}


def test_most_typical_machines_are_diagnosed_first_time(typical: dict[str, Trace]) -> None:
    right = [case for case, trace in typical.items() if leading(judge(see(trace)))[0] == CASES[case]]
    # The long form asks for 85 %; 19 machines at that rate are right 14 times or more in 19 of 20 draws (binomial).
    assert len(right) >= 14


def test_idle_and_pulses_never_call_a_faulty_machine_sound(typical: dict[str, Trace]) -> None:
    for case, trace in typical.items():
        if CASES[case] != "none":
            assert leading(judge(see(only_pulses(trace))))[0] != "none", case


def test_a_loose_mount_is_called_contact_by_idle_and_pulses_alone_once_a_probe_is_on_the_plate() -> None:
    traces = [
        run_machine(draw("mount-loose", seed, cooler="air"), seed, channels=WITH_PROBES, pulses_only=True)
        for seed in range(6)
    ]
    right = [trace for trace in traces if leading(judge(see(trace)))[0] == "contact"]
    assert len(right) >= 5


def test_the_limit_register_is_what_tells_a_lifted_limit_from_a_strong_processor(typical: dict[str, Trace]) -> None:
    trace = typical["power-limit-off"]
    blind = replace(trace, facts={**trace.facts, "machine": {"cores": 6}})
    assert judge(see(trace)).causes["firmware-limit"] > judge(see(blind)).causes["firmware-limit"]


@pytest.mark.parametrize("case", ["sound", "contact-bad", "flow-stopped", "fan-stopped", "warm", "supply", "core"])
def test_machines_of_another_structure_are_diagnosed_too(case: str) -> None:
    trace, cause = second.run_second(case, 3)
    assert leading(judge(see(without_probes(trace))))[0] == cause


def test_following_the_proposed_tests_ends_at_the_cause() -> None:
    ends = [
        follow(take_in(case, 7, np.random.default_rng(1)), proposed)
        for case in ("coolant-stopped", "supply-sags", "memory-faulty", "fan-stopped")
    ]
    # Where one is sure with 19 in 20, four ends hold two wrong ones in one of 70 draws (binomial).
    assert sum(is_sure and is_right for _, is_sure, is_right in ends) >= 3
    assert sorted(count for count, _, _ in ends)[2] <= 4


def test_the_brier_score_of_a_published_form() -> None:
    # G. W. Brier (1950): 0 for certainty that is right, 2 for certainty that is wrong, 0.5 for an even bet on two.
    assert brier([("a", {"a": 1.0, "b": 0.0})]) == 0.0
    assert brier([("a", {"a": 0.0, "b": 1.0})]) == 2.0
    assert brier([("a", {"a": 0.5, "b": 0.5})]) == 0.5


def test_the_reliability_diagram_counts_what_was_said() -> None:
    said = [("none", {"none": 0.7, "contact": 0.3})] * 7 + [("contact", {"none": 0.7, "contact": 0.3})] * 3
    bins = reliability(said)
    assert [b["so"] for b in bins] == pytest.approx([0.3, 0.7])
    assert reliability_svg(bins).count("<circle") == len(bins)


@pytest.mark.parametrize("case", ["healthy-air", "healthy-liquid"])
def test_a_machine_switched_on_a_minute_ago_is_not_called_faulty_for_warming_up(case: str) -> None:
    # The first minutes after power-on every sound machine creeps; only a steep creep at high rise is a sign.
    trace = run_machine(draw(case, 1), 1, channels=PLAIN, load_s=700, knows_limits=True, start="cold")
    assert see(trace).figures["rest_creep"].value > 0.3
    assert leading(judge(see(trace)))[0] == "none"
