"""What the analysis hands out: metrics, forecasts, judged thresholds, comparisons."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from verifyrig.core.reason import Reason, sentence
from verifyrig.metrology.uncertainty import Component
from verifyrig.metrology.verdict import Verdict

Figure = float | tuple[float, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Metric:
    """A figure computed from a record.

    Attributes:
        value: In `unit`; a tuple where the metric is a list; None where it was not measured (`why` says why).
        u95: Expanded uncertainty at 95 %, in `unit`; 0 for counts; None where it cannot be stated.
        why: What a reader must know: why there is no value, or how the value came about.
        budget: Lines of the uncertainty budget, where there is one.
        settled: Whether the settled value behind it is known; None for metrics that need none.
    """

    value: Figure
    unit: str
    u95: float | None
    why: tuple[Reason, ...] = ()
    budget: tuple[Component, ...] = ()
    settled: bool | None = None

    @property
    def number(self) -> float | None:
        """The value where it is a single number, else None."""
        return None if isinstance(self.value, tuple) else self.value

    @property
    def note(self) -> str:
        """What a reader must know, as the contract has it."""
        return sentence(self.why)


def not_measured(unit: str, *why: Reason) -> Metric:
    """Return a metric without a value, and why it has none."""
    return Metric(value=None, unit=unit, u95=None, why=why)


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Where a temperature will settle, as of now.

    Attributes:
        settles_at_c: Best estimate, °C.
        u95_k: Expanded uncertainty at 95 %, K.
        known: Whether the settled value is known within the profile's `within_k`.
        remaining_s: Time until it will be known, s, estimated; 0 when known; None where that is not known.
        slow: Whether the machine showed itself slower than the profile's `slowest_time_constant_s`.
        why: What the forecast could not use (power, fan speed, room), and what it warns of.
    """

    settles_at_c: float
    u95_k: float
    known: bool
    remaining_s: float | None
    slow: bool
    why: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStart:
    """How hot a steady load would make the machine, from idle and pulses.

    Attributes:
        peak_c: Highest temperature that the load would reach, °C; None where it cannot be forecast.
        u95_k: Its expanded uncertainty at 95 %, K.
        why: What it is based on, or why there is no forecast.
    """

    peak_c: float | None
    u95_k: float | None
    why: tuple[Reason, ...] = ()

    def stays_below(self, limit_c: float) -> bool | None:
        """Return whether the peak stays below the limit, u95 included; None where there is no forecast."""
        if self.peak_c is None or self.u95_k is None:
            return None
        return self.peak_c + self.u95_k < limit_c


@dataclass(frozen=True, slots=True, kw_only=True)
class ThresholdResult:
    """A threshold of the profile, judged."""

    metric: str
    minimum: float | None
    maximum: float | None
    value: float | None
    u95: float | None
    verdict: Verdict
    why: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StageComparison:
    """Whether one stage may be compared between two runs.

    Attributes:
        why: What forbids it, and what is unknown or was corrected for.
        forbidden_by: Those of `why` that forbid it.
        before: `not run: unsafe` where the run before never ran the stage for safety, else empty.
        per_watt: Whether only what is given per watt is compared, and what full share was forecast to come to.
    """

    comparable: bool
    why: tuple[Reason, ...] = ()
    forbidden_by: tuple[Reason, ...] = ()
    before: str = ""
    per_watt: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MetricDifference:
    """One metric before and after; `difference` is after minus before, all in the metric's unit."""

    before: float | None
    after: float | None
    difference: float | None
    u95: float | None
    significant: bool | None
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two runs, stage by stage."""

    before: str
    after: str
    stages: Mapping[str, StageComparison]
    metrics: Mapping[str, MetricDifference] = field(default_factory=dict)

    @property
    def comparable(self) -> bool:
        """Whether any stage is comparable."""
        return any(stage.comparable for stage in self.stages.values())
