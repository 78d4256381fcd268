"""The talk of a calibration: which probe, which temperatures, wait until each stands still, fit, show, ask."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import NotRequired, Protocol, TypedDict

from verifyrig.core.errors import SensorError, UsageError
from verifyrig.dialogs.prompt import Asker, Option
from verifyrig.metrology.calibration import Correction, fit_correction
from verifyrig.metrology.stability import Match, Stability, check_stability, match_probes

# A bath of crushed ice and clean water, stirred, in a jug on the bench is within this of 0 °C (common practice,
# no source; a bath made by the book is ten times better).
ICE_HALF_WIDTH_K = 0.1
WINDOW_S = 60.0
PERIOD_S = 1.0
LONGEST_S = 1800.0
# The uncertainty is stated for readings in this range at least: what a probe on a machine shows.
USE_RANGE_C = (15.0, 60.0)
DUE_AFTER_DAYS = 365

_YES_NO = (Option(key="y", label="yes"), Option(key="n", label="no"))
_ICE_WORDS = (
    "Fill a jug with crushed ice of clean water, add just enough cold water to fill the gaps, stir. Put the probe"
    " five centimetres and more into the ice, not touching the wall. Keep water away from mains and open machines."
)


class Probes(Protocol):
    """What the talk needs of the bench: the probes' own readings, and time."""

    def channels(self) -> Sequence[str]:
        """Return the temperature channels that can be read."""
        ...

    def read(self, channel: str) -> float:
        """Return the uncorrected reading, °C, NaN where there is none now."""
        ...

    def resolution_k(self, channel: str) -> float:
        """Return the smallest step, K, 0 where not known."""
        ...

    def now_s(self) -> float:
        """Return the time, s."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait."""
        ...


class CorrectionTable(TypedDict):
    """What a calibration writes into a channel's table of bench.toml: K, °C, slope in K/K; U with 95 %."""

    correction: float
    expanded_uncertainty: float
    calibrated: date
    due: date
    reference: str
    correction_slope: NotRequired[float]
    correction_at: NotRequired[float]
    points_reference_c: NotRequired[list[float]]
    points_reading_c: NotRequired[list[float]]
    points_residual_k: NotRequired[list[float]]
    matched_to: NotRequired[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationOutcome:
    """What a calibration found: the channel, the keys for its table, and what to say."""

    channel: str
    values: CorrectionTable
    sentences: Sequence[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Point:
    reference_c: float
    reading_c: float
    u_k: float


def calibrate(asker: Asker, probes: Probes, today: date) -> CalibrationOutcome | None:
    """Talk a person through a calibration; return what to write, or None where nothing shall be.

    Raises:
        SensorError: No probe can be read.
    """
    channel = _pick(asker, probes, "Which probe?")
    kinds = (
        Option(key="i", label="ice bath"),
        Option(key="r", label="against a reference thermometer, at one or more temperatures"),
        Option(key="m", label="match: against another probe in the same air"),
    )
    kind = asker.choose("How?", kinds, default="i")
    if kind == "m":
        return _match(asker, probes, channel, today)
    points, u_reference_k = _ice(asker, probes, channel) if kind == "i" else _referenced(asker, probes, channel)
    if not points:
        return None
    correction = fit_correction(
        [point.reference_c for point in points],
        [point.reading_c for point in points],
        u_points_k=[point.u_k for point in points],
        u_reference_k=u_reference_k,
    )
    reference = "ice bath" if kind == "i" else "reference thermometer"
    outcome = _outcome(channel, correction, points, reference, today)
    for sentence in outcome.sentences:
        asker.say(sentence)
    return outcome if asker.choose("Write it to bench.toml?", _YES_NO, default="y") == "y" else None


def _pick(asker: Asker, probes: Probes, question: str, without: str = "") -> str:
    names = [name for name in probes.channels() if name != without]
    if not names:
        raise SensorError(
            "no temperature can be read" if not without else "there is no second temperature to compare with",
            where="verifyrig calibrate",
            mend="Connect a probe and name it in bench.toml (`verifyrig setup` asks for it).",
        )
    if len(names) == 1:
        asker.say(f"{question} {names[0]}, the only one there is.")
        return names[0]
    for name in names:
        value = probes.read(name)
        asker.say(f"  {name}, now " + ("without a reading" if math.isnan(value) else f"{value:.2f} °C"))
    while True:
        answer = asker.line(question, default=names[0])
        if answer in names:
            return answer
        asker.say(f"There is no {answer!r} among them.")


def _ice(asker: Asker, probes: Probes, channel: str) -> tuple[list[_Point], float]:
    asker.say(_ICE_WORDS)
    asker.choose("Is the probe in the ice?", (Option(key="y", label="yes"),), default="y")
    settled = wait_until_stable(asker, probes, channel)
    if settled is None:
        return [], 0.0
    point = _Point(reference_c=0.0, reading_c=settled.mean_c, u_k=settled.u_mean_k)
    return [point], ICE_HALF_WIDTH_K / math.sqrt(3)


def _referenced(asker: Asker, probes: Probes, channel: str) -> tuple[list[_Point], float]:
    u95_k = _number(asker, "Expanded uncertainty of the reference thermometer, K?", "0.3", low=0.0, high=10.0)
    asker.say("Bring both probes to the first temperature, close together, in stirred water or behind one clamp.")
    points: list[_Point] = []
    while True:
        asker.choose("Are both in place?", (Option(key="y", label="yes"),), default="y")
        settled = wait_until_stable(asker, probes, channel)
        if settled is not None:
            points.append(_point(asker, settled))
        more = asker.choose("Another temperature?", _YES_NO, default="y" if len(points) < 3 else "n")
        if more == "n":
            return points, u95_k / 2


def _point(asker: Asker, settled: Stability) -> _Point:
    reference_c = _number(asker, "What does the reference thermometer say, °C?", "", low=-60.0, high=400.0)
    return _Point(reference_c=reference_c, reading_c=settled.mean_c, u_k=settled.u_mean_k)


def _number(asker: Asker, question: str, default: str, *, low: float, high: float) -> float:
    while True:
        text = asker.line(question, default=default).replace(",", ".")
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if low <= value <= high:
            return value
        asker.say(f"A number from {low:g} to {high:g}, please.")


def wait_until_stable(asker: Asker, probes: Probes, channel: str) -> Stability | None:
    """Return the point once a minute of readings stood still; None where somebody gives up or time runs out."""
    times_s: list[float] = []
    temps_c: list[float] = []
    start_s = probes.now_s()
    said_s = start_s
    asker.say("Waiting until it stands still for a minute ...")
    while probes.now_s() - start_s < LONGEST_S:
        times_s.append(probes.now_s())
        temps_c.append(probes.read(channel))
        recent = [i for i, t_s in enumerate(times_s) if times_s[-1] - t_s <= WINDOW_S]
        found = _check(probes, channel, [times_s[i] for i in recent], [temps_c[i] for i in recent])
        if found.stable and times_s[-1] - times_s[recent[0]] >= WINDOW_S - 2 * PERIOD_S:
            asker.say(f"It stands at {found.mean_c:.3f} °C (±{2 * found.u_mean_k:.3f} K).")
            return found
        if probes.now_s() - said_s >= 15.0:
            said_s = probes.now_s()
            now = "no reading to be believed now" if math.isnan(temps_c[-1]) else f"{temps_c[-1]:.2f} °C"
            asker.say(f"  {now}, {found.why or 'not long enough yet'}")
        probes.sleep(PERIOD_S)
    asker.say(f"It did not stand still within {LONGEST_S / 60:.0f} minutes; this point is left out.")
    return None


def _check(probes: Probes, channel: str, times_s: list[float], temps_c: list[float]) -> Stability:
    return check_stability(times_s, temps_c, resolution_k=probes.resolution_k(channel))


def _outcome(
    channel: str, correction: Correction, points: Sequence[_Point], reference: str, today: date
) -> CalibrationOutcome:
    low_c = min(correction.low_c, USE_RANGE_C[0])
    high_c = max(correction.high_c, USE_RANGE_C[1])
    u95_k = max(correction.uncertainty(end_c).expanded_uncertainty for end_c in (low_c, high_c))
    values: CorrectionTable = {
        "correction": round(correction.intercept_k, 4),
        "correction_slope": round(correction.slope, 6),
        "correction_at": round(correction.at_c, 3),
        "expanded_uncertainty": float(f"{u95_k:.2g}"),
        "calibrated": today,
        "due": date.fromordinal(today.toordinal() + DUE_AFTER_DAYS),
        "reference": reference,
        "points_reference_c": [round(point.reference_c, 4) for point in points],
        "points_reading_c": [round(point.reading_c, 4) for point in points],
        "points_residual_k": [round(residual_k, 4) for residual_k in correction.residuals_k],
    }
    return CalibrationOutcome(
        channel=channel, values=values, sentences=_sentences(correction, points, u95_k, low_c, high_c)
    )


def _sentences(
    correction: Correction, points: Sequence[_Point], u95_k: float, low_c: float, high_c: float
) -> list[str]:
    said = [
        f"Correction {correction.intercept_k:+.3f} K at {correction.at_c:.1f} °C, {correction.slope * 1000:+.2f} mK/K;"
        f" expanded uncertainty {u95_k:.2g} K (95 %) from {low_c:.0f} to {high_c:.0f} °C."
    ]
    if len(points) == 1:
        said.append("One point shows an offset and nothing of the gain; the uncertainty allows for one of 1 %.")
    said += [
        f"  at {point.reference_c:.2f} °C it read {point.reading_c:.3f} °C, {residual_k:+.3f} K off the line"
        for point, residual_k in zip(points, correction.residuals_k, strict=True)
    ]
    return said


def _match(asker: Asker, probes: Probes, channel: str, today: date) -> CalibrationOutcome | None:
    other = _pick(asker, probes, "Against which probe?", without=channel)
    asker.say("Lay both a finger's breadth apart in still air, away from machines, and do not breathe on them.")
    asker.choose("Do they lie there?", (Option(key="y", label="yes"),), default="y")
    if wait_until_stable(asker, probes, channel) is None:
        return None
    asker.say("Reading both for a minute ...")
    pairs = []
    end_s = probes.now_s() + WINDOW_S
    while probes.now_s() < end_s:
        pairs.append((probes.read(channel), probes.read(other)))
        probes.sleep(PERIOD_S)
    found = _matched(pairs, max(probes.resolution_k(channel), probes.resolution_k(other)))
    u95_k = found.uncertainty.expanded_uncertainty
    asker.say(
        f"{channel} reads {found.difference_k:+.3f} K beside {other}, known to {u95_k:.2g} K"
        f" ({'a difference' if found.differs else 'no significant difference'})."
    )
    if asker.choose(f"Correct {channel} so that both agree?", _YES_NO, default="y") == "n":
        return None
    values: CorrectionTable = {
        "correction": round(-found.difference_k, 4),
        "expanded_uncertainty": float(f"{u95_k:.2g}"),
        "calibrated": today,
        "due": date.fromordinal(today.toordinal() + DUE_AFTER_DAYS),
        "reference": "match",
        "matched_to": other,
    }
    return CalibrationOutcome(channel=channel, values=values, sentences=())


def _matched(pairs: Sequence[tuple[float, float]], resolution_k: float) -> Match:
    try:
        return match_probes([a for a, _ in pairs], [b for _, b in pairs], resolution_k=resolution_k)
    except ValueError as error:
        raise UsageError(str(error), where="verifyrig calibrate", mend="Check both probes and begin again.") from error
