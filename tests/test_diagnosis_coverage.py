"""What the evidence never put to the test is not ruled out by it: a machine is called sound only after it was tried."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from tests.diagnosis_traces import Made, leading, made_run
from verifyrig.core.reason import reason
from verifyrig.diagnosis import tables
from verifyrig.diagnosis.coverage import covered, with_unknown
from verifyrig.diagnosis.evidence import MachineEvidence
from verifyrig.diagnosis.judging import judge, see
from verifyrig.diagnosis.signs import SignSeen, WorkErrors
from verifyrig.diagnosis.suspects import LIQUID_ONLY, MECHANISMS, Mechanism

NEVER = (Mechanism.GRAPHICS, Mechanism.WIRING, Mechanism.OTHER, Mechanism.NONE)
N = len(MECHANISMS)
AT = {mechanism: n for n, mechanism in enumerate(MECHANISMS)}
# Which fault each sign of a record can show.
SHOWS = {
    "die-sensor": Mechanism.SENSOR_STUCK,
    "cooler-fan": Mechanism.FAN_STOPPED,
    "power-limit": Mechanism.FIRMWARE_LIMIT,
    "clock": Mechanism.BOARD_POWER,
    "rail-12v": Mechanism.SUPPLY,
    "gpu-hotspot": Mechanism.GRAPHICS,
}


def prior() -> np.ndarray:
    return np.asarray(tables.prior())


def shares(**by_name: float) -> np.ndarray:
    found = np.full(N, by_name.pop("rest", 0.0))
    for name, share in by_name.items():
        found[AT[Mechanism[name.upper()]]] = share
    return found


def sound() -> np.ndarray:
    """A posterior that has little against a sound machine."""
    found = prior() * 0.05
    found[AT[Mechanism.NONE]] += 1 - found.sum()
    return found


# ---- what stays, and what is unknown


def test_nothing_is_lost_and_nothing_gained() -> None:
    for given in (prior(), sound()):
        for share in (0.0, 0.3, 0.8, 1.0):
            kept, unknown = with_unknown(given, prior(), np.full(N, share))
            assert kept.sum() + unknown == pytest.approx(1.0, abs=1e-9)
            assert (kept >= 0).all() and (kept <= given + 1e-12).all() and unknown >= 0


def test_a_machine_that_was_never_tried_is_not_called_sound() -> None:
    kept, unknown = with_unknown(sound(), prior(), np.zeros(N))
    assert kept[AT[Mechanism.NONE]] < 0.01 and unknown > 0.9


def test_a_machine_that_was_tried_in_full_may_be_called_sound() -> None:
    kept, unknown = with_unknown(sound(), prior(), np.ones(N))
    assert kept[AT[Mechanism.NONE]] > 0.9 and unknown < 0.01


def test_what_no_run_of_the_processor_can_show_is_not_asked_for() -> None:
    tried = shares(rest=1.0)
    for mechanism in NEVER:
        tried[AT[mechanism]] = 0.0
    kept, unknown = with_unknown(sound(), prior(), tried)
    assert kept[AT[Mechanism.NONE]] > 0.9 and unknown < 0.01


def test_the_more_was_tried_the_less_cannot_be_told() -> None:
    unknown = [with_unknown(sound(), prior(), np.full(N, share))[1] for share in np.linspace(0, 1, 21)]
    assert all(later <= earlier + 1e-12 for earlier, later in itertools.pairwise(unknown))
    assert unknown[0] - unknown[-1] > 0.9


def test_a_fault_that_was_never_put_to_the_test_keeps_little_of_what_it_had_beforehand() -> None:
    # It stands as before the run: its odds against a sound machine are those of the prior, and nothing spoke for it.
    kept, _ = with_unknown(prior(), prior(), shares(rest=1.0, memory=0.0))
    memory, supply = AT[Mechanism.MEMORY], AT[Mechanism.SUPPLY]
    assert kept[memory] < 0.2 * prior()[memory]
    assert kept[supply] == pytest.approx(prior()[supply])


def test_a_fault_that_something_speaks_for_stays_though_it_was_hardly_exercised() -> None:
    found = prior()
    found[AT[Mechanism.MEMORY]] *= 400
    found /= found.sum()
    kept, _ = with_unknown(found, prior(), shares(rest=1.0, memory=0.0))
    assert kept[AT[Mechanism.MEMORY]] > 0.9 * found[AT[Mechanism.MEMORY]]


# ---- what a record exercises


def test_without_any_evidence_nothing_was_exercised() -> None:
    assert covered(MachineEvidence()).max() == 0.0


@pytest.mark.parametrize("name", SHOWS)
def test_each_sign_exercises_the_one_fault_that_it_can_show(name: str) -> None:
    found = covered(MachineEvidence(signs=(SignSeen(name=name, word="any", says=reason("stayed-on")),)))
    at = AT[SHOWS[name]]
    assert 0.4 < found[at] <= 0.95
    assert np.delete(found, at).max() == 0.0


@pytest.mark.parametrize(("work_s", "mechanism"), [(30.0, Mechanism.MEMORY), (300.0, Mechanism.PROCESSOR)])
def test_how_long_it_worked_tells_how_many_bad_parts_would_have_erred(work_s: float, mechanism: Mechanism) -> None:
    # Errors come at random (Poisson), at a rate that differs from part to part (logarithm of it normal): the share that
    # would have erred at least once, drawn here in place of the quadrature that the code uses.
    table = tables.load("priors")["errors"][mechanism.value]
    rates = table["per_s"] * np.exp(table["spread"] * np.random.default_rng(5).standard_normal(400_000))
    expected = float(np.mean(1 - np.exp(-rates * work_s)))
    errors = WorkErrors(count=0, work_s=work_s, cores=(), n_cores=6)
    assert covered(MachineEvidence(errors=errors))[AT[mechanism]] == pytest.approx(expected, abs=0.01)


def test_longer_work_leaves_less_unproven() -> None:
    tried = [
        covered(MachineEvidence(errors=WorkErrors(count=0, work_s=s, cores=(), n_cores=6))) for s in (1.0, 60.0, 3600.0)
    ]
    at = AT[Mechanism.MEMORY]
    assert tried[0][at] < 0.1 < 0.5 < tried[1][at] < 0.95 < tried[2][at]


def test_an_air_cooler_has_no_coolant_that_could_stand_still() -> None:
    # Idle alone: of a loop it tells little.
    seen = see(made_run(Made(liquid=False), load_s=0, pulses=False))
    found = covered(MachineEvidence(cooler="air", figures=seen.figures, signs=seen.signs))
    assert all(found[AT[mechanism]] == 1.0 for mechanism in LIQUID_ONLY)
    # A loop that hardly flows is told only where power meets the path: idle alone leaves some of them untold.
    wet = covered(MachineEvidence(cooler="liquid", figures=seen.figures, signs=seen.signs))
    assert wet[AT[Mechanism.FLOW_SLOW]] < 1.0


# ---- both together, on whole runs


def test_a_sound_machine_is_called_sound_after_a_load_and_not_after_idle_alone() -> None:
    loaded = judge(see(made_run(Made(), load_s=1200)))
    rested = judge(see(made_run(Made(), load_s=0, pulses=False)))
    assert leading(loaded)[0] == "none"
    assert leading(rested)[0] == "unknown" and rested.causes["none"] < 0.2
    assert sum(rested.causes.values()) == pytest.approx(1.0)


def test_what_was_not_exercised_is_named() -> None:
    rested = judge(see(made_run(Made(), load_s=0, pulses=False)))
    loaded = judge(see(made_run(Made(), load_s=1200)))
    assert {"memory", "processor", "graphics", "wiring"} <= set(rested.unexercised)
    assert {"graphics", "wiring"} <= set(loaded.unexercised)
    assert {"memory", "processor", "contact"}.isdisjoint(loaded.unexercised)
    assert not math.isnan(sum(loaded.causes.values()))
