"""Power from a counter of energy: difference over time, with wrap-around."""

from __future__ import annotations

from collections.abc import Callable

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.sensors.files import HeldFile, why_not

# The counter moves about every millisecond; over less than this the step shows more than the power.
_SHORTEST_S = 0.05
# A counter of 262 kJ wraps in 87 s at 3 kW, more than any such package draws: over a longer gap
# (sleep, a stopped program) more than one wrap cannot be ruled out.
_LONGEST_S = 60.0
_HIGHEST_W = 3000.0


def power_w(before_uj: int, after_uj: int, span_s: float, range_uj: int | None) -> float | None:
    """Return the mean power between two counts, W; None where it cannot be known.

    Args:
        before_uj, after_uj: The counts, µJ.
        span_s: Time between them, s, above 0.
        range_uj: Where the counter starts again, µJ; None if unknown.

    Source: kernel document "power/powercap": power is the difference of energy over time, one wrap at most.
    """
    difference_uj = after_uj - before_uj
    if difference_uj < 0:
        if range_uj is None:
            return None
        difference_uj += range_uj
    power = difference_uj / span_s * 1e-6
    # Above it the counter was not wrapped but set back (suspend, driver reload).
    return power if 0.0 <= power <= _HIGHEST_W else None


class EnergySensor:
    """Mean power since the reading before, from one energy counter in µJ."""

    __slots__ = ("_before", "_file", "_last", "_now_s", "_range_uj", "info")

    def __init__(self, info: ChannelInfo, file: HeldFile, *, range_uj: int | None, now_s: Callable[[], float]) -> None:
        self.info = info
        self._file = file
        self._range_uj = range_uj
        self._now_s = now_s
        self._last: tuple[float, float] | None = None
        self._before: tuple[float, int] | None = None
        if not info.unreadable:
            self._prime()

    def _prime(self) -> None:
        try:
            self._before = (self._now_s(), int(self._file.read()))
        except (OSError, ValueError):
            self._before = None

    def read(self) -> Taken:
        """Return the mean power since the last count, or the last power with its age if too little time went by."""
        now_s, count_uj = self._now_s(), self._count_uj()
        if self._before is None:
            self._before = (now_s, count_uj)
            raise self._none_yet()
        span_s = now_s - self._before[0]
        if 0 <= span_s < _SHORTEST_S:
            if self._last is None:
                raise self._none_yet()
            return Taken(self._last[1], now_s - self._last[0])
        before_uj, self._before = self._before[1], (now_s, count_uj)
        power = power_w(before_uj, count_uj, span_s, self._range_uj) if 0 < span_s <= _LONGEST_S else None
        if power is None:
            self._last = None
            raise self._none_yet()
        self._last = (now_s, power)
        return Taken(power)

    def _count_uj(self) -> int:
        try:
            return int(self._file.read())
        except OSError as error:
            self._before = self._last = None
            what, mend = why_not(error)
            raise SensorError(what, where=self.info.source, mend=mend) from error
        except ValueError:
            raise SensorError(
                "the energy counter holds no number", where=self.info.source, mend="It is tried again on every sample."
            ) from None

    def _none_yet(self) -> SensorError:
        return SensorError(
            "power needs two counts of energy in a row", where=self.info.source, mend="The next sample has one."
        )

    def close(self) -> None:
        """Close the file."""
        self._file.close()
