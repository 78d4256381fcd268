"""Where the heat or the power stops: suspects from records, intake and findings, and the most informative next test."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from verifyrig.core.trace import FloatArray, Trace

if TYPE_CHECKING:
    from verifyrig.core.reason import Reason
    from verifyrig.diagnosis.history import PartSwap
    from verifyrig.diagnosis.judging import Judgement, Suspect
    from verifyrig.diagnosis.next_test import RankedTest
    from verifyrig.jobs.model import Job
    from verifyrig.runs.post_mortem import PostMortem

__all__ = ["CLEAR", "Diagnosis", "diagnose"]

CLEAR = 0.8
"""A leading suspect this probable is a clear one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """What the evidence comes to.

    Attributes:
        suspects: Causes of the contract, most probable first.
        next_test: The safe test that is most informative for each minute, None where none is.
        not_measured: What this evidence does not hold.
        advice: What to do about regulators that nothing watched in the last run, None where there is nothing to do.
        substitutions: Parts changed for known-good ones, rated.
    """

    suspects: tuple[Suspect, ...]
    next_test: RankedTest | None
    not_measured: tuple[Reason, ...]
    advice: Reason | None
    substitutions: tuple[PartSwap, ...]
    judged: Judgement

    @property
    def for_customer(self) -> Reason:
        """What to tell the customer, in one sentence."""
        from verifyrig.diagnosis.explain import customer_reason

        lead = self.suspects[0]
        return customer_reason(lead.cause if self.is_clear else "unknown", lead.probability)

    def picture(self) -> str:
        """Return the thermal path as a chain of links with their K/W beside what sound machines show, SVG."""
        from verifyrig.diagnosis.chain_picture import thermal_path_svg

        return thermal_path_svg(self.judged.seen.figures, self.judged.seen.cooler)

    @property
    def is_clear(self) -> bool:
        """Whether the leading suspect is probable enough to act on, and is not "unknown"."""
        lead = self.suspects[0]
        return lead.probability >= CLEAR and lead.cause != "unknown"


def diagnose(
    traces: Sequence[Trace],
    *,
    job: Job | None = None,
    prior: FloatArray | None = None,
    endings: Mapping[str, PostMortem] | None = None,
) -> Diagnosis:
    """Diagnose one machine.

    Args:
        traces: Its records, oldest first; whole, interrupted, or none at all.
        job: Its job: intake, findings and changes count as evidence.
        prior: Over `suspects.MECHANISMS`, shape (n,); the table's where None.
        endings: Post-mortems of interrupted runs, by run; made from the traces alone where None.
    """
    from verifyrig.analysis.regulator_probe import probe_advice
    from verifyrig.diagnosis.explain import not_measured
    from verifyrig.diagnosis.history import weigh_job
    from verifyrig.diagnosis.judging import suspects_of
    from verifyrig.diagnosis.next_test import next_tests
    from verifyrig.diagnosis.state import state_of
    from verifyrig.jobs.dangers import standing_dangers

    weighed = weigh_job(job, traces, prior, endings)
    state = state_of(traces, weighed.findings, weighed.done)
    if job is not None:
        # What a finding says last does not count here: a danger stands until a person signs that it is gone.
        state = replace(state, must_stay_off=bool(standing_dangers(job)))
    tests = next_tests(weighed.judged, state)
    seen = weighed.judged.seen
    return Diagnosis(
        suspects=tuple(suspects_of(weighed.judged)),
        next_test=tests[0] if tests else None,
        not_measured=tuple(not_measured(dict(seen.figures), seen.cooler)),
        advice=probe_advice(traces[-1]) if traces else None,
        substitutions=weighed.substitutions,
        judged=weighed.judged,
    )
