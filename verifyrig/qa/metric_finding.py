"""What is said of one metric over all units: its sample, what that claims of further units, its verdict."""

from __future__ import annotations

from dataclasses import dataclass

from verifyrig.capability import FEWEST_FOR_ORDER, Chart, SpreadSource, are_equal
from verifyrig.core.run_columns import Coded
from verifyrig.core.trace import FloatArray
from verifyrig.metrology.verdict import Verdict
from verifyrig.qa.benches import BenchPlace
from verifyrig.qa.charting import BatchCharts, ChartSignal
from verifyrig.qa.claims import SampleClaim, claim_for
from verifyrig.qa.order import OrderChange

__all__ = ["MetricFinding", "finding_of", "metric_verdict", "sd_of", "too_few"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MetricFinding:
    """One metric over all units, in `unit`.

    Attributes:
        n: Units with a figure.
        minimum, maximum: Limits of the profile, or None.
        tolerance_low, tolerance_high: Interval of 95 % of all units at 95 % confidence; None with a reason in `notes`.
        cpk, cpk_low: Capability by the spread from unit to next unit, and its lower bound.
        ppk, ppk_low: The same by the spread of all units; this lower bound is what is claimed.
        steady: Whether the metric stayed the same from the first unit to the last; None of too few to tell.
        proven_share: Of what share of all units the sample proves that they lie within the limits.
        places: Each bench against the others, of several benches.
        components: Where the spread comes from: bench, day, unit, mount, repeat, as far as there are several of each.
        order: What changed; nothing is claimed for further units then.
        signals, batches: Points of the control charts that break a rule, of a metric that changed.
        outliers: Runs that do not belong to the others.
        verdict: The worst of the units' own; conditional where all pass but the claim for further units fails.
        remarks: What a reader must know, one clause each.
        gaps: In which units it was not measured, a clause; none where it is in all.
    """

    metric: str
    unit: str
    n: int
    mean: float | None = None
    sd: float | None = None
    minimum: float | None = None
    maximum: float | None = None
    tolerance_low: float | None = None
    tolerance_high: float | None = None
    cpk: float | None = None
    cpk_low: float | None = None
    ppk: float | None = None
    ppk_low: float | None = None
    steady: bool | None = None
    order: tuple[OrderChange, ...] = ()
    proven_share: float | None = None
    places: tuple[BenchPlace, ...] = ()
    components: tuple[SpreadSource, ...] = ()
    outliers: tuple[str, ...] = ()
    verdict: Verdict = Verdict.NOT_MEASURED
    remarks: tuple[str, ...] = ()
    gaps: tuple[str, ...] = ()
    chart: Chart | None = None
    signals: tuple[ChartSignal, ...] = ()
    batches: BatchCharts | None = None

    @property
    def has_limit(self) -> bool:
        """Whether the profile judges this metric."""
        return self.minimum is not None or self.maximum is not None

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know, one clause each, and that there is no limit where there is none."""
        unjudged = () if self.has_limit else ("no limit is set",)
        return tuple(dict.fromkeys([*self.remarks, *unjudged, *self.gaps]))

    @property
    def notes_beside_limits(self) -> tuple[str, ...]:
        """The notes of a page that shows the limits, and so by itself that there is none."""
        return tuple(dict.fromkeys([*self.remarks, *self.gaps]))


def finding_of(
    name: str,
    unit: str,
    sample: FloatArray,
    limits: tuple[float | None, float | None],
    units: Verdict,
    *,
    is_count: bool,
    moved: bool,
    benches: Coded,
    changes: tuple[OrderChange, ...],
) -> MetricFinding:
    """Return what a sample says of a metric, without what needs single runs: places, spread, outliers, charts.

    Args:
        sample: Finite values of the runs that count, in order of time, shape (n,).
        limits: Least and most of the profile, None where there is none.
        units: Verdict of the units.
        is_count: Whether it counts something, and has no spread to speak of.
        moved: Whether the values were moved to the reference ambient.
        benches: Of the values, by place.
        changes: What changed from the first unit to the last.
    """
    minimum, maximum = limits
    claim = claim_for(sample, minimum, maximum, count=is_count, steady=not changes, benches=benches)
    verdict, why = metric_verdict(units, claim)
    notes = ["as in a room of the profile's reference ambient"] if moved else []
    return MetricFinding(
        metric=name,
        unit=unit,
        n=int(sample.size),
        mean=float(sample.mean()) if sample.size else None,
        sd=sd_of(sample),
        minimum=minimum,
        maximum=maximum,
        tolerance_low=claim.tolerance_low,
        tolerance_high=claim.tolerance_high,
        cpk=claim.cpk,
        cpk_low=claim.cpk_low,
        ppk=claim.ppk,
        ppk_low=claim.ppk_low,
        steady=False if changes else None if too_few(sample) else True,
        order=changes,
        proven_share=claim.proven_share,
        verdict=verdict,
        remarks=(*notes, *(str(change.why) for change in changes), *map(str, claim.notes), *why),
    )


def metric_verdict(units: Verdict, claim: SampleClaim) -> tuple[Verdict, list[str]]:
    """Return the verdict on a metric: that of its units, conditional where what they prove of others falls short."""
    if not claim.has_limit:
        return units, []
    if units is Verdict.NOT_MEASURED:
        return units, ["no unit was measured"] if claim.n == 0 else ["some unit was not measured"]
    if units is Verdict.PASS and claim.why_not_proven is not None:
        return Verdict.CONDITIONAL_PASS, [str(claim.why_not_proven)]
    return units, []


def too_few(sample: FloatArray) -> bool:
    """Return whether a sample is too small, or too equal, to tell whether it changed."""
    return sample.size < FEWEST_FOR_ORDER or are_equal(sample)


def sd_of(sample: FloatArray) -> float | None:
    """Return the spread of finite values, None where there are too few."""
    if sample.size < 2:
        return None
    return 0.0 if are_equal(sample) else float((sample - sample[0]).std(ddof=1))
