"""Samples of one temperature, cleaned for the model: what is not measured is assumed, and said to be."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from verifyrig.analysis.card_power import TYPICAL_PROCESSOR_W
from verifyrig.analysis.die_course import DieCourse, die_course
from verifyrig.analysis.fan_speed import FullSpeed, full_speed, joined
from verifyrig.analysis.own_answers import Driven, expected_level
from verifyrig.analysis.prior import PLAUSIBLE, PLAUSIBLE_CARD, P, Prior
from verifyrig.analysis.spectrum import Level
from verifyrig.core.heat_sources import CARD, DIE, HeatSource
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray

__all__ = ["Samples", "last_change_s", "prepare"]

# The assumed power of an unknown machine has another course than the true one. Held against heatings of real boards.
_ASSUMED_POWER_SPREAD = 1.35
_TYPICAL_IDLE_W, _TYPICAL_LOAD_W = 15.0, 100.0
_TYPICAL_AMBIENT_C, _AMBIENT_SPREAD_K = 23.0, 5.0
# A card's own masses have answered within some minutes (common practice; nine cards of 700 W within two).
_SLOWEST_CARD_S = 150.0
# A card behind fans that stand on no record idles elsewhere after a load than before it: by 0.8 K rms on 33 climbs of
# real cards (docs/climb.md), of which some 0.6 K are how well either is known.
_AFTER_LOAD_K = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """Samples cleaned for the model.

    Attributes:
        t_s, temp_c, power_w, room_c, share: Shape (n,); only the temperature may be NaN.
        fan_rpm: Shape (n,), or None without a reading.
        start: Place of the first sample under the present load.
        prior: Machines that are plausible beforehand, given what is not measured.
        spread: By what the answer's spread grows for what is assumed in place of a reading.
        why: What is not measured.
        powered: Whether the power was measured.
        level: What is expected where nothing drives.
        slowest_s: Slowest time constant that is usual for such a part, s.
        well_known: Whether power and room are measured and plausible machines of the part's kind are many.
        at_most_w: What its own limit lets the part draw, W, None where it is not known.
        own_c: What the temperature's own sensor read, °C, shape (n,), where `temp_c` is made of several; else None.
        sensors: Of how many it is made.
        after_load_k: By how much what no sensor shows may yet move where it settles, K, standard deviation.
    """

    t_s: FloatArray
    temp_c: FloatArray
    power_w: FloatArray
    ambient_c: FloatArray
    share: FloatArray
    fan_rpm: FloatArray | None
    start: int
    prior: Prior
    spread: float
    why: tuple[Reason, ...]
    powered: bool
    level: Level
    slowest_s: float
    well_known: bool
    at_most_w: float | None = None
    own_c: FloatArray | None = None
    sensors: int = 1
    after_load_k: float = 0.0


def prepare(
    t_s: FloatArray,
    temp_c: FloatArray,
    power_w: FloatArray | None,
    fan_rpm: FloatArray | None,
    ambient_c: float | FloatArray | None,
    load_share: FloatArray | None,
    load_on_s: float | None,
    part: HeatSource = DIE,
    cores_c: FloatArray | None = None,
    fan_duty: FloatArray | None = None,
) -> Samples | None:
    """Return the samples cleaned for the model, None where there are too few; arguments as in `forecast`."""
    n = len(t_s)
    if n < 8 or np.count_nonzero(np.isfinite(temp_c)) < 8:
        return None
    share = _share(t_s, load_share, load_on_s)
    step_s = load_on_s if load_on_s is not None else last_change_s(t_s, share)
    start = int(np.searchsorted(t_s, step_s - 1e-9))
    prior, spread = PLAUSIBLE_CARD if part is CARD else PLAUSIBLE, 1.0
    unknown: list[Reason] = []
    powered = power_w is not None and bool(np.isfinite(power_w).any())
    if power_w is None or not powered:
        power, prior, spread = _assumed_power(temp_c, share), _prior_without_power(prior), _ASSUMED_POWER_SPREAD
        unknown.append(reason("power-unknown"))
    else:
        power = _bridged(t_s, power_w)
    ambient = np.full(n, math.nan) if ambient_c is None else np.broadcast_to(np.asarray(ambient_c, dtype=np.float64), n)
    ambient_known = bool(np.isfinite(ambient).any())
    if not ambient_known:
        offset_k = float(prior.middle[P.OFFSET]), max(float(prior.spread[P.OFFSET]), _AMBIENT_SPREAD_K)
        ambient, prior = np.full(n, _TYPICAL_AMBIENT_C), prior.changed(offset=offset_k)
        unknown.append(reason("room-unknown"))
    else:
        ambient = _bridged(t_s, ambient)
    fan = None
    if fan_rpm is not None and np.isfinite(fan_rpm).any():
        fan = _bridged(t_s, fan_rpm)
    else:
        unknown.append(reason("fan-speed-unknown"))
    well_known = powered and ambient_known and part is not CARD
    idle_again = part is CARD and fan is None and not share[start:].any() and bool(share[:start].any())
    course = DieCourse(temp_c, 1)
    if well_known and cores_c is not None:
        course = die_course(t_s, temp_c, cores_c, power, share)
    if well_known and fan_rpm is not None and fan_duty is not None:
        prior = _with_duty(prior, fan_rpm, fan_duty)
    return Samples(
        t_s=t_s,
        temp_c=course.temp_c,
        power_w=power,
        ambient_c=ambient,
        share=share,
        fan_rpm=fan,
        start=start,
        prior=prior,
        spread=spread,
        why=tuple(unknown),
        powered=powered,
        level=expected_level(float(ambient[-1]) if ambient_known else None, Driven.POWER if powered else Driven.LOAD),
        slowest_s=_SLOWEST_CARD_S if part is CARD else math.inf,
        well_known=well_known,
        at_most_w=TYPICAL_PROCESSOR_W if powered and part is CARD else None,
        own_c=temp_c if course.sensors > 1 else None,
        sensors=course.sensors,
        after_load_k=_AFTER_LOAD_K if idle_again else 0.0,
    )


def _with_duty(prior: Prior, fan_rpm: FloatArray, fan_duty: FloatArray) -> Prior:
    """Return the prior with what the fan's commanded duty says of its full speed."""
    found = full_speed(fan_rpm, fan_duty)
    if found is None:
        return prior
    usual = FullSpeed(float(prior.middle[P.FULL_SPEED]), float(prior.spread[P.FULL_SPEED]))
    whole = joined(usual, found)
    return prior.changed(full_speed=(whole.rpm, whole.spread))


def _share(t_s: FloatArray, load_share: FloatArray | None, load_on_s: float | None) -> FloatArray:
    if load_share is not None:
        return np.nan_to_num(load_share)
    if load_on_s is None or load_on_s <= t_s[0]:
        return np.ones(len(t_s))
    return (t_s >= load_on_s).astype(np.float64)


def last_change_s(t_s: FloatArray, share: FloatArray) -> float:
    """Return when the share last changed, s; the first sample's time where it never did."""
    changes = np.flatnonzero(np.abs(np.diff(share)) > 0.05)
    return float(t_s[changes[-1] + 1]) if len(changes) else float(t_s[0])


def _bridged(t_s: FloatArray, values: FloatArray) -> FloatArray:
    good = np.isfinite(values)
    return values if good.all() else np.interp(t_s, t_s[good], values[good])


def _assumed_power(temp_c: FloatArray, share: FloatArray) -> FloatArray:
    """Watts of a usual machine, growing with temperature as leakage does: only the shape counts."""
    seen = np.where(np.isfinite(temp_c), temp_c, float(np.nanmean(temp_c)))
    watts = _TYPICAL_IDLE_W + (_TYPICAL_LOAD_W - _TYPICAL_IDLE_W) * share
    return watts * (1.0 + 0.0055 * (seen - 50.0))


def _prior_without_power(prior: Prior) -> Prior:
    changed = {"step_gain": (1.0, 0.45)}
    for name in ("die_to_plate", "plate_to_sink", "sink_to_air", "case_to_ambient"):
        at = P[name.upper()]
        changed[name] = (float(prior.middle[at]), math.hypot(float(prior.spread[at]), 0.4))
    return prior.changed(**changed)
