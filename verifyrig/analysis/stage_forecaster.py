"""The forecast of one stage while it runs, checked against its own earlier ones."""

from __future__ import annotations

import math
from dataclasses import replace

from verifyrig.analysis.forecast import DEFAULT_SETTLE, forecast_from
from verifyrig.analysis.results import Forecast
from verifyrig.analysis.samples import prepare
from verifyrig.core.heat_sources import DIE, part_of
from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.profile import Settle
from verifyrig.core.reason import reason
from verifyrig.core.trace import FloatArray

__all__ = ["StageForecaster"]

_MOST_HISTORY_S = 1800.0
_ROLLING_FROM = 0.4
_SOON_S = 30.0


class StageForecaster:
    """Forecasts one stage while it runs: ask it now and then.

    Args:
        settle: The stage's rule, or None for 1 K and 400 s.
        info: What is known of the temperature's sensor, or None.
        limit_c: Temperature that must not be reached, °C: a forecast above it says so. It bends nothing.
    """

    def __init__(
        self,
        settle: Settle | None,
        info: ChannelInfo | None = None,
        limit_c: float | None = None,
    ) -> None:
        self._rule, self._info, self._limit_c = settle or DEFAULT_SETTLE, info, limit_c
        self._part = part_of(info.channel or "") or DIE if info else DIE
        self._earlier: list[tuple[float, Forecast]] = []
        self._machines: FloatArray | None = None
        self._looked_around_s = 0.0

    def forecast(self, rows: FloatArray, began: int, fan_duty: FloatArray | None = None) -> Forecast | None:
        """Return where the temperature will settle as of the last sample, or None while it is too early.

        Args:
            rows: Samples until now, shape (n, 6 + m), times rising: time, s; temperature, °C; power, W; fan, 1/min;
                ambient, °C; share, 0 to 1; further sensors of the same die, °C; NaN for what has no `ok` reading.
            began: Index of the stage's first sample. Those before it show where the machine came from, and what it
                is like.
            fan_duty: What the fan is commanded at each sample, 0 to 1, shape (n,), NaN where it was not read.
        """
        if len(rows) <= began:
            return None
        began_s = float(rows[began, 0])
        recent = rows[:, 0] >= began_s - _MOST_HISTORY_S
        rows, fan_duty = rows[recent], None if fan_duty is None else fan_duty[recent]
        t, temp, power, fan, ambient, share = rows[:, :6].T
        samples = prepare(t, temp, power, fan, ambient, share, None, self._part, rows[:, 6:], fan_duty)
        if samples is None or _still_before(samples.t_s[samples.start], t, share, began_s):
            return None
        info, elapsed_s = self._info, float(t[-1]) - began_s
        answer = forecast_from(
            samples,
            self._rule,
            info.resolution if info else None,
            info.refresh_s if info else None,
            info.limit if info else None,
            self._starts(elapsed_s),
        )
        if answer is None:
            return None
        if answer.posterior is not None:
            self._machines = answer.posterior.peaks
        return self._with_warning(self._held_against_earlier(answer.forecast, elapsed_s))

    def _starts(self, elapsed_s: float) -> FloatArray | None:
        """Return the machines found before, or None each time the stage has doubled: then all is looked at anew."""
        if self._machines is not None and elapsed_s < 2 * self._looked_around_s:
            return self._machines
        self._looked_around_s = elapsed_s
        return None

    def _held_against_earlier(self, now: Forecast, elapsed_s: float) -> Forecast:
        """Widen u95 by the factor by which earlier forecasts missed the present one (rolling origin).

        By no more than the kelvins that they missed it by: a wide one is not made wider by a narrow one's factor. Only
        forecasts from the later part of the stage count: what was forecast from a tenth of the present readings says
        little of how far the present forecast can be trusted.
        """
        recent = [old for at_s, old in self._earlier if at_s >= _ROLLING_FROM * elapsed_s]
        missed_k = [abs(now.settles_at_c - old.settles_at_c) for old in recent]
        ratio = max((missed / old.u95_k for missed, old in zip(missed_k, recent, strict=True)), default=0.0)
        self._earlier.append((elapsed_s, now))
        if ratio <= 1.0:
            return now
        u95_k = min(now.u95_k * ratio, math.hypot(now.u95_k, max(missed_k)))
        known = u95_k <= self._rule.within_k
        return replace(now, u95_k=u95_k, known=known, remaining_s=0.0 if known else now.remaining_s or _SOON_S)

    def _with_warning(self, now: Forecast) -> Forecast:
        if self._limit_c is None or now.settles_at_c < self._limit_c:
            return now
        return replace(now, why=(*now.why, reason("would-pass-limit", limit_c=self._limit_c)))


def _still_before(load_from_s: float, t_s: FloatArray, share: FloatArray, began_s: float) -> bool:
    """Return whether the samples still show the load before this stage: that answer must not count here."""
    before = share[t_s < began_s]
    return len(before) > 0 and abs(share[-1] - before[-1]) > 0.05 and load_from_s < began_s - 1e-9
