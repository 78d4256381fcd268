"""A job's history as evidence: what each change did or did not alter, and substitutions there and back (A-B-A)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np

from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray, Trace
from verifyrig.diagnosis import tables
from verifyrig.diagnosis.endings import ending_pieces
from verifyrig.diagnosis.evidence import EvidencePiece, MachineEvidence
from verifyrig.diagnosis.judging import Judgement, judge, see_all
from verifyrig.diagnosis.next_test import outcome_table, plans
from verifyrig.diagnosis.suspects import MECHANISMS, Mechanism
from verifyrig.diagnosis.typed import findings_of
from verifyrig.jobs.model import EntryKind, Job, JobEntry
from verifyrig.jobs.vocabulary import said_change
from verifyrig.runs.post_mortem import PostMortem, explain_end

__all__ = ["PartSwap", "WeighedJob", "change_key", "weigh_job", "what_changed"]

CURED, SAME = "cured", "same"

_PARTS = {
    "cooler": ("cooler", "pump", "radiator", "heat sink", "heatsink", "loop", "block"),
    "supply": ("supply", "psu"),
    "memory": ("memory", "module", "dimm", "ram"),
}
_HELPED = ("helps", "helped", "cured", "cures", "better")
_ALTERED_NOTHING = ("no-change", "no change", "same", "no help", "did not help", "unchanged")
# After a change these figures must move by a fifth, and be known to have moved, to count as altered.
_MOVED_SHARE, _MOVED_U = 0.15, 2.0
_SOUND = MECHANISMS.index(Mechanism.NONE)
_LEAST_SOUND = 0.08  # after idle time alone much stays open, so a sound machine need not lead, only be plausible again
_HEAT = (
    *("rest_rise", "rest_die_over_sink", "rest_creep"),
    *("window_5s", "pulse_tail", "load_rise", "window_60s", "window_600s"),
)
_INFORMATIVE_U = 0.5  # a figure less certain than this share of itself could show neither a cure nor its absence


@dataclass(frozen=True, slots=True, kw_only=True)
class PartSwap:
    """A part changed for a known-good one.

    Attributes:
        rating: `proved` (cured with it, ill again with the old part back), `supported` (cured; not put back),
            `refuted` (the old part back in, and the machine stayed well: something else was moved on the way),
            `no-cure`.
    """

    part: str
    rating: str
    says: Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class WeighedJob:
    """What a job's history comes to: the fault as it came in, and how it stands after the last change."""

    judged: Judgement
    substitutions: tuple[PartSwap, ...] = ()
    done: frozenset[str] = frozenset()
    is_cured: bool = False
    findings: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Phase:
    """The time between two changes: the change that began it, and its runs."""

    change: JobEntry | None
    traces: tuple[Trace, ...]
    findings: Mapping[str, str]


def weigh_job(
    job: Job | None,
    traces: Sequence[Trace],
    prior: FloatArray | None = None,
    endings: Mapping[str, PostMortem] | None = None,
) -> WeighedJob:
    """Return what intake, findings, changes and runs say together about the fault as it came in.

    Args:
        job: Intake and entries, or None.
        traces: Its runs, oldest first.
        endings: Post-mortems by run, with what the system's logs say; made from the traces alone where None.
    """
    phases = _phases(job, traces)
    outcomes = _outcomes(phases)
    well = _well(phases, outcomes)
    pieces, done, cured_before = _change_pieces(phases, outcomes)
    ill = [phase for phase, is_cured in zip(phases, well, strict=True) if not is_cured]
    seen = see_all([trace for phase in ill for trace in phase.traces])
    findings = {name: word for phase in ill for name, word in phase.findings.items()}
    if endings is None:
        endings = {trace.run_id: found for trace in traces if (found := explain_end(trace)) is not None}
    pieces += ending_pieces([endings[t.run_id] for phase in ill for t in phase.traces if t.run_id in endings])
    seen = MachineEvidence(
        cooler=_cooler(job, seen.cooler),
        figures=seen.figures,
        signs=seen.signs,
        errors=seen.errors,
        answers=dict(job.intake.answers) if job else {},
        findings=findings,
        pieces=tuple(pieces),
    )
    return WeighedJob(
        judged=judge(seen, tables.prior(complaint=job is not None) if prior is None else prior),
        substitutions=_substitutions(phases, outcomes, well),
        done=frozenset(done),
        is_cured=cured_before,
        findings=findings,
    )


def _cooler(job: Job | None, seen: str) -> str:
    kind = job.intake.machine.kind if job else ""
    if seen != "unknown":
        return seen
    return {"desktop-liquid": "liquid", "desktop-air": "air", "laptop": "air", "small-form": "air"}.get(kind, seen)


def _phases(job: Job | None, traces: Sequence[Trace]) -> list[_Phase]:
    changes = list(job.changes) if job else []
    starts = [datetime.min.replace(tzinfo=UTC), *(change.time for change in changes)]
    ends = [*starts[1:], datetime.max.replace(tzinfo=UTC)]
    found = []
    for change, start, end in zip([None, *changes], starts, ends, strict=True):
        own = tuple(t for t in traces if start <= _began(t) < end)
        noted = [e for e in (job.of_kind(EntryKind.FINDING) if job else ()) if start <= e.time < end]
        findings = findings_of(noted)
        found.append(_Phase(change=change, traces=own, findings=findings))
    return found


def _began(trace: Trace) -> datetime:
    started = trace.recorded.started_utc_s
    if started is None:
        started = float(trace.utc_s[0]) if len(trace.utc_s) else 0.0
    return datetime.fromtimestamp(started, UTC)


def change_key(change: JobEntry) -> str:
    """Return which test of the table a change amounts to, empty where it is none of them."""
    kind = change.what
    if kind in ("part-replaced", "part-fitted-for-test", "part-returned"):
        part = change.text("part").casefold()
        kind = next((name for name, words in _PARTS.items() if any(word in part for word in words)), "")
    return next((plan.key for plan in plans() if kind and kind in plan.changes), "")


def what_changed(before: MachineEvidence, after: MachineEvidence) -> str:
    """Return `cured`, `same` or empty where it is not clear, from the figures before and after a change."""
    shared = [name for name in _HEAT if name in before.figures and name in after.figures]
    better, informative = 0, False
    for name in shared:
        a, b = before.figures[name], after.figures[name]
        u = math.hypot(a.u, b.u)
        better += b.value < a.value * (1 - _MOVED_SHARE) and a.value - b.value > _MOVED_U * u
        informative = informative or _MOVED_U * u < _INFORMATIVE_U * abs(a.value)
    if not informative:
        return ""
    sound_before, sound_after = (float(judge(seen).mechanisms[_SOUND]) for seen in (before, after))
    if better and sound_after > max(_LEAST_SOUND, 3 * sound_before):
        return CURED
    return SAME if not better else ""


def _outcome(before: MachineEvidence, phase: _Phase) -> str:
    """What a change did: by the runs on both sides, else as it was noted."""
    if phase.traces:
        by_runs = what_changed(before, see_all(phase.traces))
        if by_runs:
            return by_runs
    noted = " ".join([phase.change.text("note") if phase.change else "", *phase.findings.values()]).casefold()
    if any(word in noted for word in _ALTERED_NOTHING):
        return SAME
    return CURED if any(word in noted for word in _HELPED) else ""


def _outcomes(phases: Sequence[_Phase]) -> list[str]:
    """Return for each phase what the change that began it did, empty for the first and where it is unknown."""
    found = [""]
    runs: list[Trace] = list(phases[0].traces)
    for phase in phases[1:]:
        outcome = _outcome(see_all(runs), phase)
        found.append(outcome)
        if outcome != CURED:
            runs += phase.traces
    return found


def _well(phases: Sequence[_Phase], outcomes: Sequence[str]) -> list[bool]:
    """Return for each phase whether the fault was away in it."""
    well = False
    found = []
    for phase, outcome in zip(phases, outcomes, strict=True):
        if outcome == CURED:
            well = True
        elif outcome == SAME or (phase.change and phase.change.what == "part-returned" and phase.traces):
            well = well and outcome != SAME and _still_well(phases, phase)
        found.append(well)
    return found


def _still_well(phases: Sequence[_Phase], phase: _Phase) -> bool:
    first = see_all(phases[0].traces)
    return what_changed(first, see_all(phase.traces)) == CURED


def _change_pieces(phases: Sequence[_Phase], outcomes: Sequence[str]) -> tuple[list[EvidencePiece], set[str], bool]:
    pieces, done, cured = [], set(), False
    for phase, outcome in zip(phases, outcomes, strict=True):
        if phase.change is None:
            continue
        key = change_key(phase.change)
        if key and phase.change.what != "part-returned":
            done.add(key)
        row = _row(phase, key, outcome)
        cured = cured or outcome == CURED
        if row is not None:
            pieces.append(_piece(phase.change, outcome, row))
    return pieces, done, cured


def _row(phase: _Phase, key: str, outcome: str) -> FloatArray | None:
    """How probable the change's outcome is under each mechanism; None where nothing is known of it."""
    change = phase.change
    if change is None or not outcome or change.what == "part-returned":
        return None
    if change.what == "turned-or-moved" and "tilt" not in phase.findings:
        return tables.likelihood("finding", "tilt", "helps" if outcome == CURED else "no-change")
    if not key or change.what == "turned-or-moved":
        return None
    plan = next(plan for plan in plans() if plan.key == key)
    names = list(plan.outcomes)
    return np.asarray(outcome_table(plan, "unknown")[names.index(outcome)]) if outcome in names else None


def _piece(change: JobEntry, outcome: str, row: FloatArray) -> EvidencePiece:
    did = "cured" if outcome == CURED else "altered-nothing"
    what = said_change(change.what)
    if change.text("part"):
        says = reason(f"change-of-part-{did}", change=what, part=change.text("part"))
    else:
        says = reason(f"change-{did}", change=what)
    return EvidencePiece(name=f"change.{change.what}", says=says, logs=np.log(np.maximum(row, 1e-3)))


def _substitutions(phases: Sequence[_Phase], outcomes: Sequence[str], well: Sequence[bool]) -> tuple[PartSwap, ...]:
    found = []
    for at, phase in enumerate(phases):
        if phase.change is None or phase.change.what not in ("part-fitted-for-test", "part-replaced"):
            continue
        part = phase.change.text("part") or "part"
        if outcomes[at] == SAME:
            found.append(PartSwap(part=part, rating="no-cure", says=reason("swap-altered-nothing", part=part)))
        elif outcomes[at] == CURED:
            found.append(_there_and_back(part, phases, well, at))
    return tuple(found)


def _there_and_back(part: str, phases: Sequence[_Phase], well: Sequence[bool], at: int) -> PartSwap:
    back = next(
        (i for i in range(at + 1, len(phases)) if (c := phases[i].change) is not None and c.what == "part-returned"),
        None,
    )
    if back is None or not (phases[back].traces or phases[back].findings):
        return PartSwap(part=part, rating="supported", says=reason("swap-supported", part=part))
    if well[back]:
        return PartSwap(part=part, rating="refuted", says=reason("swap-refuted", part=part))
    return PartSwap(part=part, rating="proved", says=reason("swap-proved", part=part))
