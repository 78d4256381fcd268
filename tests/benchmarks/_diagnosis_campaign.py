"""From a shut-off complaint to a cause by one test after another: as proposed, at random, and "paste first".

Measured tests run on the simulated machine. What a person would see or what a swap would cure is taken from the
machine's own truth, not from the diagnosis' tables, and one answer in twenty is wrong.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.network import steady_state
from mock_hw.physics.parameters import CASES, draw
from mock_hw.physics.parts import MachineParameters
from tests.benchmarks._diagnosis_machines import PLAIN, run_machine
from tests.diagnosis_traces import leading
from verifyrig.core.reason import reason
from verifyrig.core.trace import Trace
from verifyrig.diagnosis import tables
from verifyrig.diagnosis.evidence import EvidencePiece, MachineEvidence, merged
from verifyrig.diagnosis.judging import Judgement, judge, see
from verifyrig.diagnosis.next_test import State, TestPlan, next_tests, outcome_table, plans
from verifyrig.diagnosis.state import state_of
from verifyrig.diagnosis.suspects import MECHANISMS, Mechanism

SURE = 0.95
_MOST_TESTS = 10
_WRONG_ANSWERS = 0.05
_FIXED = (
    "paste",
    "known-good-cooler",
    "known-good-supply",
    "one-module",
    "clean",
    "fan",
    "firmware",
    "reseat",
    "pulses",
)

_MECHANISM = {
    "paste-dried": "paste",
    "paste-absent": "film",
    "film-left-on": "film",
    "mount-loose": "paste",
    "coolant-stopped": "flow-stopped",
    "coolant-slow": "flow-slow",
    "fan-stopped": "fan-stopped",
    "radiator-blocked": "sink-blocked",
    "case-choked": "case-choked",
    "power-limit-off": "firmware-limit",
    "supply-sags": "supply",
    "vrm-hot": "board-power",
    "memory-faulty": "memory",
    "core-faulty": "processor",
    "sensor-offset": "sensor-offset",
}
"""Cases that may switch a machine off, and their mechanism."""

_CURES = {
    "paste": ("paste", "film"),
    "reseat": ("paste", "film"),
    "known-good-cooler": ("paste", "film", "flow-slow", "flow-stopped", "fan-stopped", "sink-blocked"),
    "known-good-supply": ("supply",),
    "one-module": ("memory",),
    "clean": ("sink-blocked", "case-choked"),
    "firmware": ("firmware-limit",),
    "regulator-air": ("board-power",),
    "pump-header": (),
    "start-lead": (),
    "cooler-room": ("warm-room",),
}

Policy = Callable[[Judgement, State, np.random.Generator], TestPlan | None]


@dataclass(slots=True)
class Bench:
    """One machine on the bench, and what is known of it."""

    case: str
    seed: int
    parameters: MachineParameters
    rng: np.random.Generator
    traces: list[Trace] = field(default_factory=list)
    answers: dict[str, str] = field(default_factory=dict)
    findings: dict[str, str] = field(default_factory=dict)
    pieces: list[EvidencePiece] = field(default_factory=list)
    done: set[str] = field(default_factory=set)
    minutes: float = 0.0

    @property
    def truth(self) -> str:
        """The mechanism at fault."""
        return _MECHANISM[self.case]

    def seen(self) -> MachineEvidence:
        """All evidence so far."""
        told = merged([see(trace) for trace in self.traces])
        return replace(
            told,
            cooler=self.parameters.cooler,
            answers=self.answers,
            findings=self.findings,
            pieces=tuple(self.pieces),
        )

    def state(self) -> State:
        """What the machine allows now."""
        return state_of(self.traces, self.findings, frozenset(self.done))

    def perform(self, plan: TestPlan) -> None:
        """Do a test and note what it shows."""
        self.done.add(plan.key)
        self.minutes += plan.minutes
        if plan.key in ("pulses", "load"):
            trace = run_machine(
                self.parameters,
                self.seed,
                channels=PLAIN,
                load_s=900,
                pulses_only=plan.key == "pulses",
                knows_limits=True,
            )
            self.traces.append(trace)
        elif plan.finding:
            self.findings[plan.finding] = self._slip(tables.words_of("finding", plan.finding), self._look(plan.finding))
        elif plan.outcomes:
            self._swap(plan)

    def _slip(self, words: tuple[str, ...], right: str) -> str:
        if self.rng.random() < _WRONG_ANSWERS:
            return str(self.rng.choice(words))
        return right

    def _look(self, finding: str) -> str:
        truth = self.truth
        if finding in ("hoses", "radiator"):
            return self._by_probe(finding)
        answers = {
            "cpu-fan": "stopped" if truth == "fan-stopped" else "turns",
            "dust": "clogged" if truth == "sink-blocked" else "some",
            "panel-off": "helps" if truth == "case-choked" else "no-change",
            "tilt": "no-change",
            "pump": ("silent" if self.rng.random() < 0.5 else "hums") if truth == "flow-stopped" else "hums",
            "touched": "no-change",
        }
        return answers[finding]

    def _by_probe(self, finding: str) -> str:
        """Hoses and radiator while idle, from the simulated machine's own temperatures."""
        machine = SimulatedMachine(self.parameters, seed=self.seed)
        machine.advance(300.0, 0.0)
        ambient, coolant = machine.ambient_c, machine.coolant_c
        hot = machine.thermal.hose_out_c
        if finding == "radiator":
            over_k = machine.temp_c("radiator") - ambient
            return "cold" if over_k < 4 else "warm" if over_k < 15 else "hot"
        if hot - coolant > 2.0:
            return "one-hot"
        return "both-hot" if coolant - ambient > 8 else "both-cold"

    def _swap(self, plan: TestPlan) -> None:
        words = list(plan.outcomes)
        word = self._slip(tuple(words), self._outcome(plan, words))
        row = outcome_table(plan, self.parameters.cooler)[words.index(word)]
        self.pieces.append(
            EvidencePiece(name=plan.key, says=reason("load-failed", what=word), logs=np.log(np.maximum(row, 1e-3)))
        )

    def _outcome(self, plan: TestPlan, words: list[str]) -> str:
        truth = self.truth
        if plan.key in _CURES:
            return "cured" if truth in _CURES[plan.key] else "same"
        if plan.key == "fan-full":
            if truth == "fan-stopped":
                return "speed does not follow"
            falls = self._quarter(None) - self._quarter(1.0)
            return "die falls clearly" if falls > 4.0 else "die hardly moves"
        if plan.key == "plate":
            quarter = steady_state(self.parameters, 0.25)
            gap = (quarter.die_c - quarter.temps_c["plate"]) / quarter.power_w
            return words[0] if gap > 0.27 or truth == "sensor-offset" else words[1]
        if plan.key == "standing":
            return words[0] if truth == "sensor-offset" else words[1]
        if plan.key == "cores-in-turn":
            return words[{"processor": 0, "memory": 1}.get(truth, 2)]
        return words[-1]  # graphics alone: none of these machines fails by it

    def _quarter(self, fan_share: float | None) -> float:
        return steady_state(self.parameters, 0.25, fan_share=fan_share).die_c


def take_in(case: str, seed: int, rng: np.random.Generator) -> Bench:
    """Return a machine with a shut-off complaint and a customer's answers."""
    bench = Bench(case=case, seed=seed, parameters=draw(case, seed), rng=rng, answers={"what": "switches-off"})
    at = MECHANISMS.index(Mechanism(_MECHANISM[case]))
    for question in ("restart", "when"):
        words = tables.words_of("answer", question)
        rows = [tables.likelihood("answer", question, word) for word in words]
        weights = np.array([float(row[at]) for row in rows if row is not None])
        bench.answers[question] = str(rng.choice(words, p=weights / weights.sum()))
    return bench


def proposed(judged: Judgement, state: State, rng: np.random.Generator) -> TestPlan | None:
    """The test that tells most for each minute."""
    found = next_tests(judged, state)
    return found[0].plan if found else None


def at_random(judged: Judgement, state: State, rng: np.random.Generator) -> TestPlan | None:
    """Any test that is possible and safe and tells anything at all."""
    found = next_tests(judged, state)
    return found[int(rng.integers(len(found)))].plan if found else None


def paste_first(judged: Judgement, state: State, rng: np.random.Generator) -> TestPlan | None:
    """Paste first, then cooler, then supply, and so on."""
    return next((plan for key in _FIXED for plan in plans() if plan.key == key and key not in state.done), None)


def follow(bench: Bench, policy: Policy) -> tuple[int, bool, bool]:
    """Test until one cause is sure; return how many tests that took, whether it became sure, and whether rightly."""
    for count in range(_MOST_TESTS + 1):
        judged = judge(bench.seen())
        cause, probability = leading(judged)
        if probability >= SURE and cause != "unknown":
            return count, True, cause == CASES[bench.case]
        plan = policy(judged, bench.state(), bench.rng) if count < _MOST_TESTS else None
        if plan is None:
            return count, False, cause == CASES[bench.case]
        bench.perform(plan)
    raise AssertionError("the loop above returns")


def campaign(machines: int) -> dict[str, Any]:
    """Return for each order of tests: median number, minutes, and how often it became sure, and rightly so."""
    prior = tables.prior()
    weights = np.array([prior[MECHANISMS.index(Mechanism(m))] for m in _MECHANISM.values()])
    cases = np.random.default_rng(9).choice(list(_MECHANISM), size=machines, p=weights / weights.sum())
    found: dict[str, Any] = {}
    for name, policy in (("proposed", proposed), ("random", at_random), ("paste_first", paste_first)):
        rows = []
        for seed, case in enumerate(cases):
            bench = take_in(str(case), 1000 + seed, np.random.default_rng([seed, 3]))
            count, is_sure, is_right = follow(bench, policy)
            rows.append((count if is_sure else _MOST_TESTS + 1, is_sure, is_right, bench.minutes))
        found[name] = {
            "machines": machines,
            "median_tests": statistics.median(row[0] for row in rows),
            "median_minutes": statistics.median(row[3] for row in rows),
            "became_sure": sum(row[1] for row in rows) / machines,
            "right_when_sure": sum(row[1] and row[2] for row in rows) / max(1, sum(row[1] for row in rows)),
            "right_at_the_end": sum(row[2] for row in rows) / machines,
        }
    found["ratio"] = found["paste_first"]["median_tests"] / max(1, found["proposed"]["median_tests"])
    return found
