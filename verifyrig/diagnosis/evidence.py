"""What speaks for and against: each piece of evidence with how probable it is under each mechanism."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray
from verifyrig.diagnosis import tables
from verifyrig.diagnosis.quantities import RecordFigure
from verifyrig.diagnosis.signs import SignSeen, WorkErrors
from verifyrig.diagnosis.suspects import LIQUID_ONLY, MECHANISMS, Mechanism

if TYPE_CHECKING:
    from verifyrig.diagnosis.mixture import Densities

__all__ = ["EvidencePiece", "MachineEvidence", "error_pieces", "figure_pieces", "joint_log", "pieces_of", "sign_pieces"]

COOLERS = ("air", "liquid")
# Without a pump or coolant in sight the cooler is probably one of air.
_UNSEEN_LIQUID = 0.15
# A shop is as warm by itself on one day in a thousand (common practice, no source).
_WARM_DAYS = 0.001
# A probe that is read by a person, and a customer's memory, may be about another thing than asked.
_LEAST_LIKELIHOOD = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidencePiece:
    """One piece of evidence.

    Attributes:
        logs: Logarithm of its probability under each of `MECHANISMS`, shape (n,).
        counts: Whether it counts by itself; figures count together, and are pieces only to be explained.
    """

    name: str
    says: Reason
    logs: FloatArray
    counts: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineEvidence:
    """All that is known of one state of a machine.

    Attributes:
        cooler: `air`, `liquid` or `unknown`.
        figures: By the names of `quantities`.
        signs, errors: From records. answers: Of the intake, by key. findings: Name to word.
        pieces: Further evidence, such as what changes did.
    """

    cooler: str = "unknown"
    figures: Mapping[str, RecordFigure] = field(default_factory=dict)
    signs: tuple[SignSeen, ...] = ()
    errors: WorkErrors | None = None
    answers: Mapping[str, str] = field(default_factory=dict)
    findings: Mapping[str, str] = field(default_factory=dict)
    pieces: tuple[EvidencePiece, ...] = ()


def joint_log(seen: MachineEvidence, prior: FloatArray) -> FloatArray:
    """Return the logarithm of prior times likelihood for each mechanism, shape (n,)."""
    total = sum((piece.logs for piece in pieces_of(seen) if piece.counts), np.zeros(len(MECHANISMS)))
    parts = []
    for cooler, weight in _coolers(seen).items():
        with np.errstate(divide="ignore"):
            parts.append(math.log(weight) + np.log(_prior_of(prior, cooler)) + _figures_log(seen, cooler))
    return np.asarray(total + np.logaddexp.reduce(parts, axis=0))


def _coolers(seen: MachineEvidence) -> dict[str, float]:
    if seen.cooler in COOLERS:
        return {seen.cooler: 1.0}
    return {"air": 1 - _UNSEEN_LIQUID, "liquid": _UNSEEN_LIQUID}


def _prior_of(prior: FloatArray, cooler: str) -> FloatArray:
    if cooler == "liquid":
        return prior
    possible = np.array([0.0 if m in LIQUID_ONLY else 1.0 for m in MECHANISMS]) * prior
    return np.asarray(possible / possible.sum())


def used_figures(seen: MachineEvidence) -> dict[str, RecordFigure]:
    """Return the figures that count: none of the die's where its sensor stands still."""
    if any(sign.name == "die-sensor" and sign.word == "stuck" for sign in seen.signs):
        return {name: f for name, f in seen.figures.items() if name in ("room", "rail_droop", "load_power")}
    return dict(seen.figures)


def _figures_log(seen: MachineEvidence, cooler: str) -> FloatArray:
    from verifyrig.diagnosis.mixture import densities

    figures = used_figures(seen)
    if not figures:
        return np.zeros(len(MECHANISMS))
    logs = _in_any_shop(densities(cooler), figures)
    return np.array([logs.get(mechanism, logs[Mechanism.NONE]) for mechanism in MECHANISMS])


def _in_any_shop(known: Densities, figures: Mapping[str, RecordFigure]) -> dict[Mechanism, float]:
    """Return the log likelihoods of the figures where now and then the shop itself is warm, whatever the machine has.

    The room is the shop's: a warm one is no sign that the machine is sound, and only on few days is it warm by itself.
    """
    usual = known.log_likelihoods(figures)
    if "room" not in figures:
        return usual
    others = known.log_likelihoods({name: figure for name, figure in figures.items() if name != "room"})
    warm = known.log_likelihoods({"room": figures["room"]})[Mechanism.WARM_ROOM]
    on_a_warm_day = {mechanism: log + warm for mechanism, log in others.items()}
    # A sound machine in a warm shop shows what the drawn ones of a warm room do, fans and all.
    on_a_warm_day[Mechanism.NONE] = usual[Mechanism.WARM_ROOM]
    either = {
        mechanism: float(np.logaddexp(math.log(1 - _WARM_DAYS) + log, math.log(_WARM_DAYS) + on_a_warm_day[mechanism]))
        for mechanism, log in usual.items()
    }
    return either | {Mechanism.WARM_ROOM: usual[Mechanism.WARM_ROOM]}


def pieces_of(seen: MachineEvidence) -> list[EvidencePiece]:
    """Return every piece of evidence but the figures."""
    return [
        *sign_pieces(seen.signs),
        *error_pieces(seen.errors),
        *_word_pieces("answer", seen.answers),
        *_word_pieces("finding", seen.findings),
        *seen.pieces,
    ]


def sign_pieces(signs: Iterable[SignSeen]) -> list[EvidencePiece]:
    """Return signs of a record as evidence."""
    found = []
    for sign in signs:
        row = tables.likelihood("sign", sign.name, sign.word)
        if row is not None:
            found.append(EvidencePiece(name=sign.name, says=sign.says, logs=_logs(row)))
    return found


def _word_pieces(table: str, words: Mapping[str, str]) -> list[EvidencePiece]:
    """Return words as evidence. Of several symptoms each weighs its part: they are signs of one fault, not of many."""
    found = []
    for name, given in words.items():
        several = [word.strip() for word in given.split(",")]
        rows = [(word, tables.likelihood(table, name, word)) for word in several]
        known = [(word, row) for word, row in rows if row is not None]
        found += [
            EvidencePiece(name=f"{table}.{name}", says=_said(table, name, word), logs=_logs(row) / len(known))
            for word, row in known
        ]
    return found


def _said(table: str, name: str, word: str) -> Reason:
    """Codes of a fixed list are spoken without their hyphens."""
    name, word = name.replace("-", " "), word.replace("-", " ")
    if table == "answer":
        return reason("customer-says", question=name, answer=word)
    return reason("found-by-hand", finding=name, word=word)


def _logs(row: FloatArray) -> FloatArray:
    return np.asarray(np.log(np.maximum(row, _LEAST_LIKELIHOOD)))


def error_pieces(errors: WorkErrors | None) -> list[EvidencePiece]:
    """Return wrong results as evidence: how many in so much work, and whether they stay with one core.

    The count is Poisson with a rate that is itself uncertain (log-normal): its probability is averaged over the rate.
    """
    if errors is None or errors.work_s <= 0:
        return []
    table = tables.load("priors")["errors"]
    usual = _count_log(errors, table["else"])
    logs = np.full(len(MECHANISMS), usual)
    for at, mechanism in enumerate(MECHANISMS):
        if mechanism.value in table:
            share = float(table[mechanism.value].get("share", 1.0))
            with np.errstate(divide="ignore"):
                weights = np.log([share, 1.0 - share])
            logs[at] = np.logaddexp(weights[0] + _count_log(errors, table[mechanism.value]), weights[1] + usual)
    says = reason("wrong-results-in-work", count=errors.count, work_s=errors.work_s)
    found = [EvidencePiece(name="wrong results", says=says, logs=logs)]
    if errors.cores:
        found.append(_core_piece(errors, float(table["one_core_share"]), float(table["weakest_core"])))
    return found


def _count_log(errors: WorkErrors, rate: Mapping[str, float]) -> float:
    # A fine grid: many errors make a sharp peak that a few Gauss nodes would miss.
    z = np.linspace(-7.0, 7.0, 561)
    weights = np.exp(-0.5 * z**2)
    means = errors.work_s * float(rate["per_s"]) * np.exp(float(rate["spread"]) * z)
    logs = errors.count * np.log(means) - means - math.lgamma(errors.count + 1)
    return float(np.logaddexp.reduce(logs + np.log(weights / weights.sum())))


def _core_piece(errors: WorkErrors, one_core_share: float, weakest_core: float) -> EvidencePiece:
    """Under a bad core nearly all errors come from it, under bad memory every core is as probable.

    Too little voltage or too much heat fails the weakest core first, or all of them.
    """
    n, cores = max(2, errors.n_cores), errors.cores
    even = -len(cores) * math.log(n)
    most = max(cores.count(core) for core in cores)
    other = (1 - one_core_share) / (n - 1)
    one = most * math.log(one_core_share) + (len(cores) - most) * math.log(other) - math.log(n)
    either = float(np.logaddexp(math.log(weakest_core) + one, math.log(1 - weakest_core) + even))
    logs = np.full(len(MECHANISMS), either)
    logs[MECHANISMS.index(Mechanism.MEMORY)] = even
    logs[MECHANISMS.index(Mechanism.PROCESSOR)] = one
    on_one = most == len(cores) and most > 1
    says = reason("wrong-results-on-one-core") if on_one else reason("wrong-results-on-cores", cores=len(set(cores)))
    return EvidencePiece(name="cores", says=says, logs=logs)


def figure_pieces(seen: MachineEvidence) -> list[EvidencePiece]:
    """Return each figure alone as a piece, for the explanation; they count together, not one by one."""
    from verifyrig.diagnosis.explain import figure_reason
    from verifyrig.diagnosis.mixture import densities

    cooler = seen.cooler if seen.cooler in COOLERS else "air"
    known = densities(cooler)
    found = []
    for name, figure in used_figures(seen).items():
        alone = known.log_likelihoods({name: figure})
        logs = np.array([alone.get(mechanism, alone[Mechanism.NONE]) for mechanism in MECHANISMS])
        found.append(EvidencePiece(name=name, says=figure_reason(name, figure, cooler), logs=logs, counts=False))
    return found


def merged(seen: Sequence[MachineEvidence]) -> MachineEvidence:
    """Return what several records of one state show together: the later figure stands, signs of faults prevail."""
    if not seen:
        return MachineEvidence()
    figures: dict[str, RecordFigure] = {}
    for at, one in enumerate(seen):
        # What is wrong with a reading of one record is not wrong with another's.
        figures |= {
            name: replace(figure, shared={f"{at} {origin}": u for origin, u in figure.shared.items()})
            for name, figure in one.figures.items()
        }
    signs: dict[str, SignSeen] = {}
    for one in seen:
        for sign in one.signs:
            before = signs.get(sign.name)
            if before is None or before.word in ("in-order", "kept", "within", "reacts", "turns", "set"):
                signs[sign.name] = sign
    coolers = [one.cooler for one in seen if one.cooler != "unknown"]
    return MachineEvidence(
        cooler=coolers[-1] if coolers else "unknown",
        figures=figures,
        signs=tuple(signs.values()),
        errors=_summed([one.errors for one in seen if one.errors is not None]),
    )


def _summed(errors: list[WorkErrors]) -> WorkErrors | None:
    if not errors:
        return None
    return WorkErrors(
        count=sum(e.count for e in errors),
        work_s=sum(e.work_s for e in errors),
        cores=tuple(core for e in errors for core in e.cores),
        n_cores=errors[-1].n_cores,
    )
