"""Thresholds from golden units: proposed limits, what they cost, and the profile that holds them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from verifyrig.capability import LimitProposal, Unanswered, propose_limit
from verifyrig.core.plain_json import plain_number
from verifyrig.core.profile import Profile, Threshold
from verifyrig.files.toml_table import load_toml
from verifyrig.metrology.verdict import Verdict
from verifyrig.qa.contract import ProposalObject
from verifyrig.qa.findings import QaFinding
from verifyrig.qa.text import standing_out, table
from verifyrig.qa.units import UnitRun

__all__ = [
    "ThresholdProposal",
    "golden_units",
    "profile_text_with",
    "proposal_json",
    "proposal_lines",
    "propose_thresholds",
]

# A fault worth finding: the contact that is 40 % worse, or the same share of any other figure.
_FAULT_SHARE = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class ThresholdProposal:
    """What is proposed for one threshold of the profile, or why nothing is (`note`)."""

    threshold: Threshold
    found: LimitProposal | None
    limit: float | None
    note: str = ""


def golden_units(found: QaFinding) -> tuple[list[UnitRun], list[tuple[str, str, str]]]:
    """Return the runs that limits are taken from, and unit, run and words of those that stand out or fail.

    One faulty unit among good ones moves a limit so far out that its like pass.
    """
    odd = standing_out(found)
    runs = {run for _, run, _ in odd}
    for run in found.sorted.counted:
        if run.run not in runs and found.run_verdicts[run.run] is Verdict.FAIL:
            odd.append((run.unit, run.run, "it fails"))
            runs.add(run.run)
    return [run for run in found.sorted.counted if run.run not in runs], odd


def propose_thresholds(golden: Sequence[UnitRun], profile: Profile, share: float = 0.99) -> list[ThresholdProposal]:
    """Return a proposal for every threshold: at its limit, `share` of units like these pass outright.

    The limit is rounded outward, so that rounding rejects nobody. Counts keep the limit that they have.
    """
    return [_propose(threshold, golden, share) for threshold in profile.thresholds]


def _propose(threshold: Threshold, golden: Sequence[UnitRun], share: float) -> ThresholdProposal:
    # As they were read, whatever the room: that is how a threshold is judged.
    figures = [run.metrics[threshold.metric] for run in golden if threshold.metric in run.metrics]
    known = [figure.u95 for figure in figures if figure.u95 is not None and figure.value is not None]
    if threshold.minimum is not None and threshold.maximum is not None:
        return _kept(threshold, "it has two limits, which units alone cannot tell apart from a wish")
    if known and max(known) == 0:
        return _kept(threshold, "a count keeps its limit")
    if not known:
        return _kept(threshold, "no golden unit has a figure with an uncertainty")
    side: Literal["max", "min"] = "max" if threshold.minimum is None else "min"
    values = [figure.value for figure in figures if figure.value is not None]
    factor = 1 + _FAULT_SHARE if side == "max" else 1 - _FAULT_SHARE
    fault = factor * sum(values) / len(values) if figures[0].unit in ("K", "K/W") else None
    found = propose_limit(values, u95=max(known), side=side, share=share, fault_value=fault)
    if isinstance(found, Unanswered):
        return _kept(threshold, str(found.why))
    return ThresholdProposal(threshold=threshold, found=found, limit=_outward(found))


def _kept(threshold: Threshold, why: str) -> ThresholdProposal:
    return ThresholdProposal(threshold=threshold, found=None, limit=None, note=why)


def _outward(found: LimitProposal) -> float:
    """Return the limit rounded away from the good units, to a tenth of the guard band's own last digit."""
    step = 10.0 ** math.floor(math.log10(found.guard_band / 10))
    rounded = (math.ceil if found.side == "max" else math.floor)(found.limit / step) * step
    return float(f"{rounded:.10g}")


def profile_text_with(proposals: Sequence[ThresholdProposal], profile: Profile, name: str, golden: str) -> str:
    """Return the profile as TOML under a new name, with the proposed limits and why they are what they are.

    Args:
        golden: What the limits were taken from, in words, for the reason of each threshold.
    """
    import tomli_w

    data: dict[str, Any] = load_toml(profile.text)
    data["name"] = name
    for entry, proposal in zip(data.get("threshold", []), proposals, strict=True):
        if proposal.found is not None and proposal.limit is not None:
            entry[proposal.found.side] = proposal.limit
            entry["why"] = f"{_reason(proposal.found)} ({golden})"
    head = "# Limits taken from golden units; stages and loads are those of " + profile.name + ".\n\n"
    return head + tomli_w.dumps(data)


def _reason(found: LimitProposal) -> str:
    provisional = "Provisional: " if found.provisional else ""
    return (
        f"{provisional}mean {found.mean:.4g}, standard deviation {found.sd:.2g} of {found.n} golden units, "
        f"k = {found.factor:.3f}, guard band {found.guard_band:.2g}"
    )


def proposal_json(proposals: Sequence[ThresholdProposal]) -> list[ProposalObject]:
    """Return the proposals as JSON-able data."""
    return [_one_json(proposal) for proposal in proposals]


def _one_json(proposal: ThresholdProposal) -> ProposalObject:
    found = proposal.found
    if found is None:
        return {"metric": proposal.threshold.metric, "limit": None, "note": proposal.note}
    return {
        "metric": proposal.threshold.metric,
        "side": found.side,
        "limit": proposal.limit,
        "n": found.n,
        "mean": plain_number(found.mean),
        "sd": plain_number(found.sd),
        "factor": plain_number(found.factor),
        "guard_band": plain_number(found.guard_band),
        "good_not_passed": plain_number(found.good_not_passed),
        "good_failed": plain_number(found.good_failed),
        "limit_passed": plain_number(found.limit_passed),
        "fault_passed": plain_number(found.fault_passed),
        "provisional": found.provisional,
    }


def proposal_lines(proposals: Sequence[ThresholdProposal]) -> list[str]:
    """Return the proposals as lines for a terminal."""
    rows = [["proposed limit", "", "k", "guard band", "good not passed", "good failed", "40 % worse passes"]]
    notes = []
    for proposal in proposals:
        metric, found = proposal.threshold.metric, proposal.found
        if found is None:
            notes.append(f"  {metric}: {proposal.note}.")
            continue
        fault = "" if found.fault_passed is None else f"{found.fault_passed:.2g}"
        chances = [f"{found.good_not_passed:.2g}", f"{found.good_failed:.2g}", fault]
        word = f"{found.side} {proposal.limit:g}" + (" (provisional)" if found.provisional else "")
        rows.append([metric, word, f"{found.factor:.3f}", f"{found.guard_band:.2g}", *chances])
    return ["", *(table(rows) if len(rows) > 1 else []), *notes]
