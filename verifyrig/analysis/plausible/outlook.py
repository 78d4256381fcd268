"""What a share of the load would do to one heated temperature: within the next seconds, and in the end.

The machines are those that explain the readings so far (`posterior`). Within seconds nothing counts on a fan that
would follow; in the end fans follow their curve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from verifyrig.analysis.card_power import TYPICAL_PROCESSOR_W
from verifyrig.analysis.compress import compress
from verifyrig.analysis.forecast import explain
from verifyrig.analysis.plausible.history import History
from verifyrig.analysis.plausible.power_law import PowerLaw, power_law
from verifyrig.analysis.posterior import DRAWS, Posterior, spread_of
from verifyrig.analysis.prior import P
from verifyrig.analysis.samples import Samples
from verifyrig.analysis.signals import held_s
from verifyrig.analysis.thermal_path import Ahead, look_ahead, settle
from verifyrig.core.heat_sources import CARD
from verifyrig.core.trace import FloatArray

__all__ = ["Outlook", "Settling", "outlook_of"]

_FAN_STANDS_RPM = 30.0
_LATE_S = 15.0
# Few draws miss some of the far ends of what is possible (as in `forecast`); and what no reading gets below.
_SPREAD, _READING_K = 1.25, 0.5
_MISFIT_ALLOWED = 1.5
# A mean of rounded readings stays off by so much of the step where their noise is a fifth of it, and a rise of two such
# means is scaled with its error. B. Widrow, I. Kollar, Quantization Noise (2008): d/pi exp(-2 (pi s/d)^2), from memory.
_MEAN_OF_STEPS = 0.1
_LOOK_EVERY_S = 2.0
# Machines that would get this hot are far beyond any limit: how far says nothing more.
_FAR_C = 200.0


class Settling(NamedTuple):
    """Where a temperature would settle under a share, °C, and its expanded uncertainty at 95 %, K."""

    at_c: float
    u95_k: float

    def risk(self, limit_c: float) -> float:
        """Return the probability that it lies above a limit, °C."""
        return _beyond(limit_c, self.at_c, self.u95_k / 1.96)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """One heated temperature as of the newest sample.

    Attributes:
        ahead: Machines that explain the readings, as they are now.
        power: What they would draw.
        shift_k: What the reading lies above what each machine would show, K, shape (m,).
        u_k: Standard uncertainty of one reading and of what the lumps cannot follow, K.
        spread: By what the machines' own spread is widened.
        samples: What was read.
        refresh_s: Interval between fresh readings, s.
        resolution_k: Step of the sensor, K, 0 where it is not known.
        peaks: Most probable machines, for the next outlook to start from, shape (s, p).
    """

    ahead: Ahead
    power: PowerLaw
    shift_k: FloatArray
    u_k: float
    spread: float
    samples: Samples
    refresh_s: float
    resolution_k: float
    peaks: FloatArray

    @property
    def power_w(self) -> float:
        """What the part draws now, W; a usual machine's where it is not read."""
        return self.power.power_w

    def power_at_w(self, share: float) -> float:
        """Return what it is expected to draw under a share, W."""
        return float(np.mean(self.power.at(share)))

    def hottest_c(self, share: float, within_s: float) -> tuple[float, float]:
        """Return mean and standard uncertainty of the highest reading within so many seconds under a share, °C."""
        hottest = self._hottest(share, within_s)
        return float(np.mean(hottest)), self._u_k(float(np.std(hottest)))

    def risk(self, share: float, limit_c: float, within_s: float) -> float:
        """Return the probability that the reading passes a limit within so many seconds under a share."""
        hottest = self._hottest(share, within_s)
        beyond = _beyond(limit_c, float(np.mean(hottest)), self._u_k(float(np.std(hottest))))
        return max(beyond, float(np.mean(hottest > limit_c)))

    def answer_k(self, share: float, within_s: float) -> FloatArray:
        """Return how far a change to a share moves the reading within so many seconds, K, shape (m,)."""
        t_s = np.array([within_s])
        there = self.ahead.course(self._watts(share), t_s)[:, 0, 0]
        return np.asarray(there - self.ahead.course(self._watts(self.power.share), t_s)[:, 0, 0])

    def settles(self, share: float) -> Settling:
        """Return where the reading would settle if a share went on for ever."""
        samples = self.samples
        late = samples.t_s >= samples.t_s[-1] - _LATE_S
        fan_rpm = None if samples.fan_rpm is None else float(np.mean(samples.fan_rpm[late]))
        late_c = float(np.nanmean(samples.temp_c[late]))
        # After pulses it is their temperature at which a load's power was read.
        shown = (samples.share > 0) & np.isfinite(samples.temp_c)
        pulsed = share > 0 and samples.share[-1] <= 0 and bool(shown.any())
        watts, u_share = self.power.expected(share)
        end = settle(
            self.ahead.theta,
            power_w=watts,
            at_c=float(np.median(samples.temp_c[shown])) if pulsed else late_c,
            fan_at_c=late_c,
            at_most_w=self.power.at_most_w,
            loaded=share > 0,
            ambient_c=float(np.mean(samples.ambient_c[late])),
            fan_stands=fan_rpm is not None and fan_rpm < _FAN_STANDS_RPM,
            fan_rpm=fan_rpm,
        )
        shown_c = end.shown_c + self.shift_k
        at_c = float(np.median(shown_c))
        read_k = math.sqrt(2) * _MEAN_OF_STEPS * self.resolution_k * self.power.scaled(share)
        scaling_k = u_share * max(0.0, at_c - float(np.mean(samples.ambient_c[late])))
        return Settling(at_c=at_c, u95_k=1.96 * math.hypot(self._u_k(spread_of(shown_c)), scaling_k, read_k))

    def case_c(self) -> float:
        """Return the air in the case as most of the machines have it, °C."""
        return float(np.median(self.ahead.state_c[:, 3]))

    def _hottest(self, share: float, within_s: float) -> FloatArray:
        watts = self._watts(share)
        t_s = np.append(np.arange(_LOOK_EVERY_S, within_s, _LOOK_EVERY_S), within_s)
        now_c = self.ahead.state_c[:, 0]
        die_c = np.maximum(now_c, self.ahead.course(watts, t_s)[:, :, 0].max(axis=1))
        # A hotter die draws more: what the first round found says how much.
        growth = 1.0 + self.ahead.theta[:, P.LEAKAGE] * np.clip(die_c - now_c, 0.0, None)
        die_c = np.maximum(now_c, self.ahead.course(watts * growth, t_s)[:, :, 0].max(axis=1))
        return np.asarray(np.minimum(die_c + self.ahead.theta[:, P.OFFSET] + self.shift_k, _FAR_C))

    def _watts(self, share: float) -> FloatArray:
        gain = self.ahead.theta[:, P.STEP_GAIN] if share > 0 else 1.0
        return np.asarray(gain * self.power.at(share))

    def _u_k(self, spread_k: float) -> float:
        return math.hypot(self.spread * spread_k, self.u_k, _READING_K)


def outlook_of(history: History, before: FloatArray | None = None, seed: int = 1, draws: int = DRAWS) -> Outlook | None:
    """Return the outlook as of the newest sample; None while there are too few readings.

    Args:
        before: `peaks` of the outlook before this one.
        draws: How many machines to draw.
    """
    samples = history.samples()
    if samples is None or not np.isfinite(samples.temp_c[samples.t_s >= samples.t_s[-1] - _LATE_S]).any():
        return None
    posterior = explain(samples, history.resolution_k, history.refresh_s, before, draws)
    data = compress(samples.t_s, samples.temp_c, samples.power_w, samples.ambient_c, samples.fan_rpm, samples.share)
    if posterior is None or data is None:
        return None
    is_card = history.part is CARD and history.power_limit_w is not None and history.shows_power
    power = power_law(
        samples.share,
        samples.power_w,
        draws=len(posterior.draws),
        seed=seed,
        at_most_w=TYPICAL_PROCESSOR_W if is_card else None,
        assumed=not history.shows_power,
    )
    return Outlook(
        ahead=look_ahead(posterior.draws, data.drive),
        power=power,
        shift_k=posterior.late_k,
        u_k=posterior.late_u_k,
        spread=_SPREAD * samples.spread * _misfit(posterior),
        samples=samples,
        refresh_s=history.refresh_s or held_s(samples.t_s, samples.temp_c),
        resolution_k=history.resolution_k or 0.0,
        peaks=posterior.peaks,
    )


def _misfit(posterior: Posterior) -> float:
    return math.sqrt(max(1.0, posterior.misfit / _MISFIT_ALLOWED))


def _beyond(limit: float, mean: float, u: float) -> float:
    """Return the share of a normal distribution above a limit."""
    return 0.5 * math.erfc((limit - mean) / (u * math.sqrt(2)))
