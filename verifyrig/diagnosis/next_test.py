"""The most informative next test, for each minute that it takes, among those that are safe now."""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from verifyrig.core.trace import FloatArray
from verifyrig.diagnosis import tables
from verifyrig.diagnosis.bayes import expected_gain_bits
from verifyrig.diagnosis.judging import Judgement
from verifyrig.diagnosis.suspects import CAUSES, LIQUID_ONLY, MECHANISMS, Mechanism, cause_of

if TYPE_CHECKING:
    from verifyrig.diagnosis.mixture import Densities

__all__ = ["RankedTest", "State", "TestPlan", "next_tests", "outcome_table", "plans"]

_SET_UP_MIN = 3.0  # fetching a tool and noting the result take time too, whatever the test
_LEAST_GAIN_BITS = 0.02
_SAMPLES = 40
_MEASURED_U = 0.06  # usual uncertainty of a figure on its even scale


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What the machine allows now.

    Attributes:
        load_unsafe: A gate closed, a trip came, a load was refused: nothing above quarter-share pulses.
        idle_unsafe: It gets too hot while idle: not even pulses.
        must_stay_off: Coolant leaks, something burnt, a pack is swollen.
    """

    load_unsafe: bool = False
    idle_unsafe: bool = False
    must_stay_off: bool = False
    done: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class TestPlan:
    """A test of the table: what it takes. `load` is none, pulses or load; `changes` are kinds of change."""

    key: str
    do: str
    minutes: float
    tools: str
    load: str
    powered: bool
    cooler: str = ""
    finding: str = ""
    measures: tuple[str, ...] = ()
    unless: tuple[str, ...] = ()
    changes: tuple[str, ...] = ()
    outcomes: Mapping[str, Any] = field(default_factory=dict)
    shows: Mapping[str, Any] = field(default_factory=dict)

    __test__ = False  # no test of pytest's


@dataclass(frozen=True, slots=True, kw_only=True)
class PointsTo:
    """What an outcome of a test would speak for: the cause that is then the most probable, and how probable it is.

    `outcome` is a word of the table; `same` means that the test altered nothing.
    """

    outcome: str
    cause: str
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedTest:
    """A test with what it is worth now: expected gain, bits; the causes that it separates; what it may show."""

    plan: TestPlan
    gain_bits: float
    separates: tuple[str, ...]
    points_to: tuple[PointsTo, ...] = ()

    @property
    def bits_per_min(self) -> float:
        """Expected gain for each minute, set-up included."""
        return self.gain_bits / (self.plan.minutes + _SET_UP_MIN)


@functools.cache
def plans() -> tuple[TestPlan, ...]:
    """Return all tests of the table."""
    return tuple(
        TestPlan(
            key=row["key"],
            do=row["do"],
            minutes=float(row["minutes"]),
            tools=row["tools"],
            load=row["load"],
            powered=bool(row["powered"]),
            cooler=row.get("cooler", ""),
            finding=row.get("finding", ""),
            measures=tuple(row.get("measures", ())),
            unless=tuple(row.get("unless", ())),
            changes=tuple(row.get("change", ())),
            outcomes=row.get("outcomes", {}),
            shows=row.get("shows", {}),
        )
        for row in tables.load("next_tests")["test"]
    )


def next_tests(judged: Judgement, state: State | None = None) -> list[RankedTest]:
    """Return the tests worth doing now, the most informative for each minute first; empty where none is."""
    state = state or State()
    found = []
    weights = _cause_weights(judged.mechanisms)
    for plan in plans():
        if not _is_possible(plan, judged, state):
            continue
        by_cause = _by_cause(outcome_table(plan, judged.seen.cooler), judged.mechanisms)
        gain = expected_gain_bits(weights, by_cause)
        if gain >= _LEAST_GAIN_BITS:
            separates, points_to = _separates(weights, by_cause), _points_to(plan, weights, by_cause)
            found.append(RankedTest(plan=plan, gain_bits=gain, separates=separates, points_to=points_to))
    return sorted(found, key=lambda test: -test.bits_per_min)


def _is_possible(plan: TestPlan, judged: Judgement, state: State) -> bool:
    seen = judged.seen
    if plan.key in state.done or plan.finding in seen.findings:
        return False
    if any(name in seen.figures for name in plan.unless):
        return False
    if plan.cooler == "liquid" and seen.cooler == "air":
        return False
    if plan.powered and state.must_stay_off:
        return False
    if plan.load == "load" and (state.load_unsafe or state.idle_unsafe):
        return False
    # A change is judged by the same gentle run as before, and by idle alone where even that is too much.
    return not (plan.load == "pulses" and state.idle_unsafe and not plan.changes)


def outcome_table(plan: TestPlan, cooler: str) -> FloatArray:
    """Return how probable each outcome of a test is under each mechanism, shape (outcomes, n); columns sum to 1."""
    if plan.finding:
        words = tables.words_of("finding", plan.finding)
        rows = [tables.likelihood("finding", plan.finding, word) for word in words]
        table = np.array([row for row in rows if row is not None])
    elif plan.measures:
        return _measured(plan.key, "air" if cooler == "air" else "liquid")
    else:
        table = np.array([tables.column(row) for row in plan.outcomes.values()])
    return np.asarray(table / table.sum(axis=0, keepdims=True))


@functools.cache
def _measured(key: str, cooler: str) -> FloatArray:
    """What measuring some figures would point at: each drawn machine, judged by these figures alone."""
    from verifyrig.diagnosis.mixture import densities
    from verifyrig.diagnosis.quantities import PLACE

    plan = next(plan for plan in plans() if plan.key == key)
    known = densities(cooler)
    named = list(known.samples)
    places = [PLACE[name] for name in plan.measures]
    pointed = {m: _pointed_at(known, named, known.samples[m][:_SAMPLES], places) for m in named}
    columns = [
        pointed[Mechanism.NONE if cooler == "air" and m in LIQUID_ONLY else m] if m in pointed else pointed[named[0]]
        for m in MECHANISMS
    ]
    shows = np.array([tables.column(row) for row in plan.shows.values()]).reshape(-1, len(MECHANISMS))
    left = np.clip(1 - shows.sum(axis=0), 0.0, 1.0)
    table = np.vstack([shows, np.stack(columns, axis=1) * left])
    return np.asarray(table / table.sum(axis=0, keepdims=True))


def _pointed_at(known: Densities, named: Sequence[Mechanism], samples: FloatArray, places: list[int]) -> FloatArray:
    """How strongly such machines' figures point at each mechanism, on average, shape (named,); it sums to 1."""
    share = np.full(len(named), 0.5 / len(named))
    rows = samples[:, places]
    patterns, which = np.unique(np.isfinite(rows), axis=0, return_inverse=True)
    rng = np.random.default_rng(0)
    for at, pattern in enumerate(patterns):
        own = rows[which.ravel() == at][:, pattern]
        seen = np.array(places, dtype=int)[pattern]
        if not len(seen):
            continue
        x = own + _MEASURED_U * rng.standard_normal(own.shape)
        logs = np.array([known.log_many(m, x, seen, _MEASURED_U**2 * np.eye(len(seen))) for m in named])
        share += np.exp(logs - np.logaddexp.reduce(logs, axis=0)).sum(axis=1)
    return np.asarray(share / share.sum())


def _cause_weights(mechanisms: FloatArray) -> FloatArray:
    weights = dict.fromkeys(CAUSES, 0.0)
    for mechanism, p in zip(MECHANISMS, mechanisms, strict=True):
        weights[cause_of(mechanism)] += float(p)
    return np.array([weights[cause] for cause in CAUSES])


def _by_cause(table: FloatArray, mechanisms: FloatArray) -> FloatArray:
    """Average a table over the mechanisms of each cause, by their probabilities; shape (outcomes, causes)."""
    columns = []
    for cause in CAUSES:
        own = np.array([cause_of(m) == cause for m in MECHANISMS])
        weights = (mechanisms + 1e-9) * own
        columns.append(table @ (weights / weights.sum()))
    return np.stack(columns, axis=1)


def _points_to(plan: TestPlan, weights: FloatArray, by_cause: FloatArray) -> tuple[PointsTo, ...]:
    """Return what each outcome would speak for; none for a test whose outcome is a figure."""
    if plan.finding:
        known = tables.words_of("finding", plan.finding)
        outcomes = [word for word in known if tables.likelihood("finding", plan.finding, word) is not None]
    else:
        outcomes = list(plan.outcomes)
    found = []
    for outcome, row in zip(outcomes, by_cause, strict=False):
        joint = row * weights
        if joint.sum() > 0:
            best = int(np.argmax(joint))
            found.append(PointsTo(outcome=outcome, cause=CAUSES[best], probability=float(joint[best] / joint.sum())))
    return tuple(found)


def _separates(weights: FloatArray, by_cause: FloatArray) -> tuple[str, ...]:
    """Return the two causes that the test separates best, counting how probable both are."""
    order = np.argsort(-weights)[:5]
    worth = {
        (int(a), int(b)): weights[a] * weights[b] * 0.5 * float(np.abs(by_cause[:, a] - by_cause[:, b]).sum())
        for i, a in enumerate(order)
        for b in order[i + 1 :]
    }
    a, b = max(worth, key=worth.__getitem__)
    return CAUSES[a], CAUSES[b]
