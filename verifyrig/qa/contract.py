"""Objects of the JSON contract made of a batch of units: `qa` and `rig-check`."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from verifyrig.core.contract import LeftOutUnit, Number
from verifyrig.metrology.verdict import Verdict
from verifyrig.runs.contract import Bounds


class UnitSignal(TypedDict):
    """A unit that a rule of the control chart points at."""

    run: str
    rule: int
    why: str


class BatchSignal(TypedDict):
    """A batch that a rule of the control chart points at."""

    batch: str
    rule: int
    why: str


class BatchesObject(TypedDict):
    """Means of batches with their control limits, in the metric's unit."""

    by: str
    size: int
    means: dict[str, Number]
    low: Number
    high: Number
    signals: list[BatchSignal]


class OrderObject(TypedDict):
    """What changed from the first unit to the last; `p` is of all metrics and patterns of the batch together."""

    pattern: str
    p: Number
    change: Number
    run: str | None
    batch: str | None
    text: str


class BenchPlaceObject(TypedDict):
    """One bench against the others, in the metric's unit; the intervals hold for all benches together."""

    n: int
    mean: Number
    difference: Number
    low: Number
    high: Number
    apart: bool


class ComponentObject(TypedDict):
    """One source of spread: its standard deviation in the metric's unit, and its share of the variance."""

    name: str
    sd: Number
    share: Number
    dof: int


class TableMetric(Bounds):
    """One metric over all units together, in `unit`."""

    n: int
    unit: str
    mean: Number
    sd: Number
    tolerance_low: Number
    tolerance_high: Number
    cpk: Number
    cpk_low: Number
    ppk: Number
    ppk_low: Number
    steady: bool | None
    order: list[OrderObject]
    verdict: Verdict
    notes: list[str]


class UnitsMetric(TableMetric):
    """The same, with what points at benches and single units."""

    benches: dict[str, BenchPlaceObject]
    components: list[ComponentObject]
    outliers: list[str]
    signals: list[UnitSignal]
    batches: BatchesObject | None


class AttemptObject(TypedDict):
    """One run of a unit that may have had several."""

    unit: str
    run: str
    batch: str | None
    bench: str | None
    operator: str | None
    rework: str
    attempt: int
    of: int
    counted: bool
    started: str
    outcome: str
    verdict: Verdict


class ShapeObject(TypedDict):
    """A unit whose fingerprint stands out in one window of time."""

    run: str
    unit: str
    window: int
    ratio: Number
    what: str


class BuildDifferenceObject(TypedDict):
    """One metric of two builds, second minus first, in `unit`."""

    unit: str
    n_first: int
    n_second: int
    by: str | None
    difference: Number
    low: Number
    high: Number
    p: Number
    significant: bool | None
    margin: Number
    equivalent: bool | None
    note: str


class BuildsObject(TypedDict):
    """Two builds beside one another (`--against`)."""

    first: str
    second: str
    metrics: dict[str, BuildDifferenceObject]


class ProposalObject(TypedDict):
    """A proposed limit (`--propose`); null with a note where none could be taken from the units."""

    metric: str
    limit: Number
    note: NotRequired[str]
    side: NotRequired[str]
    n: NotRequired[int]
    mean: NotRequired[Number]
    sd: NotRequired[Number]
    factor: NotRequired[Number]
    guard_band: NotRequired[Number]
    good_not_passed: NotRequired[Number]
    good_failed: NotRequired[Number]
    limit_passed: NotRequired[Number]
    fault_passed: NotRequired[Number]
    provisional: NotRequired[bool]


class YieldObject(TypedDict):
    """How many units pass, of how many, with the exact 95 % interval of the share."""

    passed: int
    of: int
    share: Number
    low: Number
    high: Number


class QuestionObject(TypedDict):
    """Who a unit is, where name and board do not agree; runs that it is asked of."""

    code: str
    runs: list[str]
    text: str


class QaObject(TypedDict):
    """What `qa` prints."""

    profile: str
    units: int
    metrics: dict[str, UnitsMetric]
    left_out: list[LeftOutUnit]
    verdict: Verdict
    steady: bool | None
    false_alarm: Number
    first_pass: YieldObject
    final: YieldObject
    questions: list[QuestionObject]
    attempts: list[AttemptObject]
    shapes: list[ShapeObject]
    fingerprints: dict[str, list[Number]]
    usual_fingerprint: list[Number] | None
    notes: list[str]
    simulated: bool
    comparison: NotRequired[BuildsObject]
    proposals: NotRequired[list[ProposalObject]]
    files: NotRequired[list[str]]


class TableObject(TypedDict):
    """What `qa --table` prints: all units together, and of `left_out` how many runs by reason."""

    profile: str
    units: int
    runs: int
    metrics: dict[str, TableMetric]
    verdicts: dict[str, int]
    left_out: dict[str, int]
    questions: int
    without_run: int
    first_pass: YieldObject
    final: YieldObject
    verdict: Verdict
    steady: bool | None
    false_alarm: Number
    simulated: bool


class GoldenObject(TypedDict):
    """The chart of a golden unit's metric."""

    unit: str
    metric: str
    n: int
    centre: Number
    low: Number
    high: Number
    last: Number
    signals: list[UnitSignal]
    trend_per_day: Number
    trend_significant: bool | None
    verdict: Verdict
    why: str


class GaugeObject(TypedDict):
    """How much of the spread comes from measuring; `fitness` null with a note where that is not known."""

    fitness: str | None
    note: NotRequired[str]
    factor: NotRequired[str]
    repeat_sd: NotRequired[Number]
    factor_sd: NotRequired[Number]
    gauge_sd: NotRequired[Number]
    unit_sd: NotRequired[Number]
    study_share: NotRequired[Number]
    tolerance_share: NotRequired[Number]
    distinct_categories: NotRequired[int]


class BenchCheckObject(TypedDict):
    """What is found of the bench itself."""

    golden: list[GoldenObject]
    false_alarm: Number
    gauge: dict[str, GaugeObject]
    overdue: list[str]
    matches: dict[str, str]
    left_out: list[LeftOutUnit]
    verdict: Verdict
    notes: list[str]


class RigCheckObject(BenchCheckObject):
    """What `rig-check` prints."""

    profile: str
