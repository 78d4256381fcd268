"""From records, intake and findings to suspects with their reasons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray, Trace
from verifyrig.diagnosis import tables
from verifyrig.diagnosis.bayes import normalised
from verifyrig.diagnosis.coverage import covered, with_unknown
from verifyrig.diagnosis.evidence import EvidencePiece, MachineEvidence, figure_pieces, joint_log, merged, pieces_of
from verifyrig.diagnosis.figures import heat_figures
from verifyrig.diagnosis.power_figures import power_figures
from verifyrig.diagnosis.readings import Readings
from verifyrig.diagnosis.signs import signs_of, work_errors
from verifyrig.diagnosis.suspects import CAUSES, MECHANISMS, Mechanism, cause_of

__all__ = ["Judgement", "Suspect", "judge", "see", "see_all", "suspects_of"]

_LISTED = 0.005
_MODEL_DOUBT = 0.002
_INFORMATIVE = 0.5
_MOST_REASONS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A cause of the contract, its probability, and what speaks for and against it."""

    cause: str
    probability: float
    reasons_for: tuple[Reason, ...] = ()
    reasons_against: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What the evidence comes to.

    Attributes:
        mechanisms: Posterior over `MECHANISMS`, shape (n,), before anything is set aside as not exercised.
        causes: Probability of each cause of the contract; sums to 1.
        unexercised: Causes that this evidence could hardly have shown.
    """

    seen: MachineEvidence
    mechanisms: FloatArray
    causes: dict[str, float] = field(default_factory=dict)
    unexercised: tuple[str, ...] = ()


def see(trace: Trace) -> MachineEvidence:
    """Return what one record shows, whole or interrupted; what it lacks is absent."""
    readings = Readings(trace)
    return MachineEvidence(
        cooler=cooler_of(trace),
        figures={**heat_figures(readings), **power_figures(readings)},
        signs=tuple(signs_of(readings)),
        errors=work_errors(readings),
    )


def see_all(traces: Sequence[Trace]) -> MachineEvidence:
    """Return what several records of one state of the machine show together, oldest first."""
    return merged([see(trace) for trace in traces])


def cooler_of(trace: Trace) -> str:
    """Return `liquid` where pump, coolant, hose or radiator are read, else `unknown`."""
    wet = ("pump_speed_rpm", "coolant_temp_c", "hose_in_temp_c", "hose_out_temp_c", "radiator_temp_c")
    return "liquid" if any(trace.has(channel) for channel in wet) else "unknown"


def judge(seen: MachineEvidence, prior: FloatArray | None = None) -> Judgement:
    """Return the causes' probabilities given all that was seen."""
    prior = tables.prior() if prior is None else prior
    posterior = normalised(joint_log(seen, prior))
    shares = covered(seen)
    kept, unknown = with_unknown(posterior, prior, shares)
    causes = dict.fromkeys(CAUSES, 0.0)
    for mechanism, share in zip(MECHANISMS, kept, strict=True):
        causes[cause_of(mechanism)] += float(share)
    # What the model itself may have wrong: it was never checked against real faulty machines.
    causes = {cause: (1 - _MODEL_DOUBT) * share for cause, share in causes.items()}
    causes["unknown"] += (1 - _MODEL_DOUBT) * unknown + _MODEL_DOUBT
    return Judgement(seen=seen, mechanisms=posterior, causes=causes, unexercised=_unexercised(shares))


def _unexercised(shares: FloatArray) -> tuple[str, ...]:
    weak: dict[str, list[float]] = {}
    for mechanism, share in zip(MECHANISMS, shares, strict=True):
        if mechanism not in (Mechanism.NONE, Mechanism.OTHER):
            weak.setdefault(cause_of(mechanism), []).append(float(share))
    return tuple(cause for cause, values in weak.items() if max(values) < 0.5)


def suspects_of(judged: Judgement) -> list[Suspect]:
    """Return the suspects, most probable first, with their reasons."""
    pieces = [*pieces_of(judged.seen), *figure_pieces(judged.seen)]
    ordered = sorted(judged.causes.items(), key=lambda pair: -pair[1])
    return [
        Suspect(cause=cause, probability=p, reasons_for=pro, reasons_against=con)
        for cause, p in ordered
        if p >= _LISTED
        for pro, con in [_reasons(cause, judged, pieces)]
    ]


def _reasons(
    cause: str, judged: Judgement, pieces: Sequence[EvidencePiece]
) -> tuple[tuple[Reason, ...], tuple[Reason, ...]]:
    own = np.array([cause_of(m) == cause for m in MECHANISMS])
    if cause == "unknown":
        never = tuple(reason(f"cause-{name}") for name in judged.unexercised)
        return ((reason("hardly-exercised", causes=never),) if never else ()), ()
    weight = judged.mechanisms + 1e-6
    ranked = sorted(((_evidence(piece, own, weight), piece.says) for piece in pieces), key=lambda one: one[0])
    pro = [one for one in reversed(ranked) if one[0] > _INFORMATIVE][:_MOST_REASONS]
    con = [one for one in ranked if one[0] < -_INFORMATIVE][:_MOST_REASONS]
    return tuple(says for _, says in pro), tuple(says for _, says in con)


def _evidence(piece: EvidencePiece, own: np.ndarray, weight: FloatArray) -> float:
    """How much more probable the piece is under the cause than under all others, as a logarithm."""
    others = tables.prior() * ~own
    inside = np.logaddexp.reduce(piece.logs[own] + np.log(weight[own] / weight[own].sum()))
    outside = np.logaddexp.reduce(piece.logs[~own] + np.log(others[~own] / others[~own].sum()))
    return float(inside - outside)
