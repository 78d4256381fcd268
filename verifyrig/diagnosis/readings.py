"""A record's columns as the diagnosis reads them: means over times, steps of the load with their watts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from verifyrig.analysis.climb_end import climb_plan
from verifyrig.analysis.load_steps import steps_in
from verifyrig.analysis.signals import fit_line, held_s, noise_k
from verifyrig.core.ambient import AMBIENT_CHANNEL, INLET_CHANNEL
from verifyrig.core.channels import base_name
from verifyrig.core.load_changes import load_changes
from verifyrig.core.outcome import StageEnd
from verifyrig.core.pattern import peak_share
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import FloatArray, StageSpan, Trace

__all__ = ["LATE_S", "READ_AT_S", "SETTLED_LOAD_S", "PowerStep", "Readings"]

SETTLED_LOAD_S = 200.0
# What a sensor shows 5 s after a step is on average about so old that it belongs to this time after the step, s.
READ_AT_S = 4.0
LATE_S = 20.0
_LEAST_STEP_W = 4.0
_SETTLES_IN_MIN = 3.0
LEAST_POWER_W = 0.1  # no processor that computes takes less (common practice, no source)
_TYPED_AMBIENT_U_K = 1.0
_INLET_AS_AMBIENT_U_K = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerStep:
    """The load rose (or fell) at `t_s` and stayed so until `until_s`; `before_s` is how long it had stood before."""

    t_s: float
    until_s: float
    before_s: float
    up: bool
    full: bool
    step_w: float
    before_w: float

    @property
    def length_s(self) -> float:
        """How long the load then stayed as it was, s."""
        return self.until_s - self.t_s


class Readings:
    """What the figures are read from; a channel that is missing gives NaN everywhere."""

    def __init__(self, trace: Trace) -> None:
        self.trace = trace = trace.without_dips()
        self.t_s = trace.t_s
        self._columns: dict[str, FloatArray] = {}
        self.last_s = float(trace.t_s[-1]) if len(trace.t_s) else 0.0

    def column(self, channel: str) -> FloatArray:
        """Return the channel's `ok` readings, NaN elsewhere, shape (n,)."""
        if channel not in self._columns:
            known = channel in self.trace.columns
            self._columns[channel] = self.trace.usable(channel) if known else np.full(len(self.t_s), np.nan)
        return self._columns[channel]

    def like(self, base: str) -> list[str]:
        """Return all channels of a kind: `core_temp_c` gives core_temp_c, core_2_temp_c, ..."""
        return [name for name in self.trace.columns if base_name(name) == base]

    def mean(self, channel: str, from_s: float, to_s: float) -> float:
        """Return the mean over times from `from_s` to `to_s`, both included; NaN where nothing was read.

        A processor that takes no power at all is read by a counter that stands still: that is no reading either.
        """
        low, high = np.searchsorted(self.t_s, [from_s - 1e-9, to_s + 1e-9])
        values = self.column(channel)[low:high]
        values = values[np.isfinite(values)]
        mean = float(values.mean()) if len(values) else math.nan
        return math.nan if channel == "package_power_w" and mean < LEAST_POWER_W else mean

    def within(self, channel: str, from_s: float, to_s: float) -> tuple[FloatArray, FloatArray]:
        """Return times and values that were read between two times, both included."""
        low, high = np.searchsorted(self.t_s, [from_s - 1e-9, to_s + 1e-9])
        values = self.column(channel)[low:high]
        good = np.isfinite(values)
        return self.t_s[low:high][good], values[good]

    def ambient(self, from_s: float, to_s: float) -> tuple[float, float]:
        """Return the room over a time and its standard uncertainty; NaN where it is unknown."""
        measured = self.mean(AMBIENT_CHANNEL, from_s, to_s)
        if math.isfinite(measured):
            return measured, 0.25
        typed = self.trace.recorded.ambient
        if typed is not None:
            return typed.value_c, typed.u95_k / 2 if typed.u95_k is not None else _TYPED_AMBIENT_U_K
        # The cooler's inlet is the room plus what the case adds: a poor room, better than none. So it comes last
        # here, where a warm case must be distinguished from a warm room; elsewhere it comes before what was typed.
        inlet = self.mean(INLET_CHANNEL, from_s, to_s)
        return (inlet, _INLET_AS_AMBIENT_U_K) if math.isfinite(inlet) else (math.nan, math.nan)

    def knows_ambient(self) -> bool:
        """Return whether the room itself was measured or typed, not only the air at the cooler."""
        return self.trace.recorded.ambient is not None or bool(np.isfinite(self.column(AMBIENT_CHANNEL)).any())

    def stages(self, kind: str) -> list[StageSpan]:
        """Return the stages of a kind that ran, oldest first."""
        return [s for s in self.trace.stages if s.kind == kind and s.ended != StageEnd.SKIPPED]

    def idle_span(self) -> tuple[float, float] | None:
        """Return the last two idle minutes before any load, None where there is less than 10 s of it."""
        first_load_s = min((step.t_s for step in self.steps() if step.up), default=math.inf)
        idle = [s for s in self.stages(StageKind.IDLE) if s.start_s < first_load_s]
        if not len(self.t_s):
            return None
        start_s = idle[-1].start_s if idle else float(self.t_s[0])
        # A gate may close within seconds; where no load followed, the machine stayed idle.
        end_s = min(self.last_s, first_load_s - 0.5)
        return (max(start_s, end_s - 120.0), end_s) if end_s - start_s >= 10.0 else None

    def steps(self) -> list[PowerStep]:
        """Return the steps of the load that moved the power, oldest first."""
        if not hasattr(self, "_steps"):
            changes = [
                (change, stage)
                for stage in self.trace.stages
                if stage.kind != StageKind.IDLE
                for change in self._load_steps(stage)
            ]
            changes.sort(key=lambda pair: pair[0][0])
            self._steps = self._with_power(changes)
        return self._steps

    def _load_steps(self, stage: StageSpan) -> list[tuple[float, float, float]]:
        if stage.ended == StageEnd.SKIPPED:
            return []
        if climb_plan(self.trace, stage) is not None:
            # A climb that steps back ends the load that stood before, however little it takes away.
            end_s = self.last_s if stage.end_s is None else stage.end_s
            changes = load_changes(self.trace)
            return [(c.t_s, c.share_before, c.share) for c in changes if stage.start_s - 0.5 <= c.t_s < end_s]
        return [(e.t_s, e.share_before, e.share) for e in steps_in(self.trace, stage)]

    def _with_power(self, changes: list[tuple[tuple[float, float, float], StageSpan]]) -> list[PowerStep]:
        times = [change[0] for change, _ in changes]
        found = []
        for at, ((t_s, before, share), stage) in enumerate(changes):
            until_s = times[at + 1] if at + 1 < len(times) else self.last_s
            before_s = t_s - (times[at - 1] if at else (float(self.t_s[0]) if len(self.t_s) else 0.0))
            low_w = self.mean("package_power_w", t_s - min(10.0, max(1.0, before_s - 2.0)), t_s - 0.2)
            high_w = self.mean("package_power_w", t_s + 1.5, min(until_s, t_s + 8.0))
            step_w = high_w - low_w
            if math.isfinite(step_w) and abs(step_w) < _LEAST_STEP_W:
                continue
            found.append(
                PowerStep(
                    t_s=t_s,
                    until_s=until_s,
                    before_s=before_s,
                    up=share > before,
                    full=share > before and self._is_full(stage, t_s, until_s),
                    step_w=step_w,
                    before_w=low_w,
                )
            )
        return found

    def _is_full(self, stage: StageSpan, t_s: float, until_s: float) -> bool:
        busy = self.mean("busy_share", t_s + 1.5, min(until_s, t_s + 8.0))
        if math.isfinite(busy):
            return busy > 0.85
        plan = self.trace.profile.stage(stage.name) if self.trace.profile else None
        return plan is not None and plan.load is not None and peak_share(plan.load) > 0.85

    def steady_until_s(self, load: PowerStep) -> float:
        """Return until when a load's heat stayed what it was, s: a clock held down with the die cool ends it early.

        A processor that holds itself at its own limit moves slowly, and its late watts and degrees belong together.
        """
        t_s, watts = self.within("package_power_w", load.t_s + 2.0, load.until_s - 0.5)
        if len(watts) < 20:
            return load.until_s
        early_w = float(np.median(watts[:30]))
        smooth = np.convolve(watts, np.ones(5) / 5, mode="same")[2:-2]
        low = np.flatnonzero(smooth < 0.85 * early_w)
        limit = self.limit_c()
        late = self.mean("die_temp_c", load.until_s - 20.0, load.until_s)
        if not len(low) or late > (limit if math.isfinite(limit) else 90.0) - 5.0:
            return load.until_s
        return float(t_s[low[0]])

    def long_load(self, least_s: float) -> PowerStep | None:
        """Return the longest load that lasted `least_s`, a full one before one in part; None where there is none."""
        long = [step for step in self.steps() if step.up and step.length_s >= least_s]
        return max(long, key=lambda step: (step.full, step.length_s), default=None)

    def settled_load(self) -> PowerStep | None:
        """Return the longest load up to where its heat changed, None where that came before it could settle."""
        load = self.long_load(SETTLED_LOAD_S)
        if load is None:
            return None
        steady = replace(load, until_s=self.steady_until_s(load))
        return steady if steady.length_s >= SETTLED_LOAD_S else None

    def first_mean(self, channels: tuple[str, ...], span: tuple[float, float]) -> float:
        """Return the mean of the first channel that was read within a span, NaN where none was."""
        means = (self.mean(channel, *span) for channel in channels)
        return next((mean for mean in means if math.isfinite(mean)), math.nan)

    def idle_creep(self) -> tuple[float, float]:
        """Return how fast the die still moves at the end of idle, K/min, and its standard uncertainty; else NaN."""
        span = self.idle_span()
        times, values = self.within("die_temp_c", *span) if span else (np.empty(0), np.empty(0))
        if len(times) < 30:
            return math.nan, math.nan
        line = fit_line(times, values)
        return 60 * line.slope, math.hypot(0.15, 60 * line.u_slope)

    def unsettled_k(self, rise_k: float) -> float:
        """Return how far an idle die that still moves may be from where it will settle, K, standard uncertainty.

        About three minutes at the present pace, but never so much that a rise that is already there is talked away.
        """
        creep, u = self.idle_creep()
        if not math.isfinite(creep):
            return 0.0
        return min(_SETTLES_IN_MIN * max(0.0, abs(creep) - u), 0.5 * abs(rise_k))

    def die_held_s(self) -> float:
        """Return for how long the die's sensor shows one value before a fresh one, s."""
        if not hasattr(self, "_die_held_s"):
            self._die_held_s = held_s(self.t_s, self.column("die_temp_c"))
        return self._die_held_s

    def die_age_s(self) -> float:
        """Return how old the die's readings are on average, s."""
        return 0.5 * self.die_held_s()

    def die_u_k(self) -> float:
        """Return the standard uncertainty of a mean of die readings, K: noise, whole degrees."""
        values = self.column("die_temp_c")
        return math.hypot(0.15, 0.3 * noise_k(values[np.isfinite(values)]))

    def limit_c(self) -> float:
        """Return the machine's own limit, °C; NaN where the record does not say it."""
        limit = self.trace.recorded.limit_of("die_temp_c")
        return limit if limit is not None and 60 <= limit <= 125 else math.nan
