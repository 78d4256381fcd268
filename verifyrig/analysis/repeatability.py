"""What peak and steepest rise of two runs differ by although nothing was done to the machine.

Both are read from a course that is still on its way, so they depend on how long the stage was, from which temperature
it began, and on ambient and power. The length is made equal by whoever asks, the ambient is corrected for where both
runs measured it. What start and power explain lies between nothing and a bound: it is not corrected for, so u95 grows
by its middle, and by what is uncertain about that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from verifyrig.analysis.budget import sensor_lines
from verifyrig.analysis.course import RATE_WINDOW_S, Course, course_of
from verifyrig.analysis.results import Metric
from verifyrig.analysis.signals import sensor_facts
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.metrology.uncertainty import Component

__all__ = ["ComparedCourse", "explained_k_per_s", "explained_peak_k", "reading_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedCourse:
    """One run's course of a channel, as it is compared.

    Attributes:
        course: Its course over the common length.
        settled_c: Where it would have settled, °C; None where that is not known.
        shift_k: By how much its temperatures are corrected for the ambient, K.
        peak_lines: Budget of its peak as one of many repeats, K.
    """

    course: Course
    settled_c: float | None
    shift_k: float
    peak_lines: tuple[Component, ...]

    @property
    def start_c(self) -> float:
        """Where the course began, corrected for the ambient, °C."""
        return self.course.start_c + self.shift_k

    @property
    def way_k(self) -> float | None:
        """From the start to where it settles, K."""
        return None if self.settled_c is None else self.settled_c - self.course.start_c


def reading_of(
    trace: Trace, stage: StageSpan, channel: str, settled: Metric | None, shift_k: float
) -> ComparedCourse | None:
    """Return the channel's course in the stage as it is compared; None without a reading."""
    course = course_of(trace, stage, channel)
    if course is None:
        return None
    settled_c = settled.value if settled is not None and isinstance(settled.value, int | float) else None
    lines = sensor_lines(sensor_facts(trace, channel), course.scatter_k)
    return ComparedCourse(course=course, settled_c=settled_c, shift_k=shift_k, peak_lines=lines)


def explained_peak_k(before: ComparedCourse, after: ComparedCourse, slowest_s: float, power_share: float) -> float:
    """Return by how much the peaks differ at most for start and power alone, K.

    What is left of a start at the moment of the peak is, for one time constant, the share of the way that is still to
    go; what sits in the slowest part of the machine decays with its time constant, so the larger of both counts. A peak
    that is a stage's first reading fell by what nobody saw since the stage began.

    Args:
        slowest_s: Bound on the slowest time constant, s.
        power_share: Difference of the powers over the power before.
    """
    left = max(_left_at_peak(reading, slowest_s) for reading in (before, after))
    risen_k = max(_peak_c(reading) - reading.course.start_c for reading in (before, after))
    unseen_k = max(reading.course.unseen_k for reading in (before, after))
    return abs(after.start_c - before.start_c) * left + abs(power_share) * risen_k + unseen_k


def _peak_c(reading: ComparedCourse) -> float:
    return reading.course.peak.value if isinstance(reading.course.peak.value, float) else math.nan


def _left_at_peak(reading: ComparedCourse, slowest_s: float) -> float:
    slow = math.exp(-max(0.0, reading.course.peak_after_s) / slowest_s)
    if not reading.way_k or reading.settled_c is None:
        return slow
    return max(slow, min(1.0, (reading.settled_c - _peak_c(reading)) / reading.way_k))


def explained_k_per_s(before: ComparedCourse, after: ComparedCourse, power_share: float) -> float:
    """Return by how much the steepest rises differ at most for start and power alone, K/s.

    A course of one time constant rises in proportion to the way before it; a start may shift a rise over a window by
    itself at most.
    """
    rates = [r.course.rate.value for r in (before, after)]
    steepest = max((abs(rate) for rate in rates if isinstance(rate, float)), default=0.0)
    ways_k = [abs(r.way_k) for r in (before, after) if r.way_k]
    away_k = abs(after.start_c - before.start_c)
    share = min(1.0, RATE_WINDOW_S * steepest / min(ways_k)) if ways_k else 1.0
    return away_k * share / RATE_WINDOW_S + abs(power_share) * steepest
