"""When a load is on, and how much: the duty share over time since the stage began."""

from __future__ import annotations

import math

from verifyrig.core.profile import LoadPattern, LoadPlan, Stage


def share_at(plan: LoadPlan, t_s: float) -> float:
    """Return the duty share that the pattern asks for `t_s` seconds after the stage began, 0 after its end."""
    if plan.pattern == LoadPattern.PULSES:
        return plan.share if _in_pulse(plan, t_s) else 0.0
    if plan.pattern == LoadPattern.STEPS:
        index = int(t_s // _step_s(plan))
        return plan.shares[index] if 0 <= index < len(plan.shares) else 0.0
    # A climb begins at idle, and what comes after that is decided while it lasts.
    return 0.0 if plan.pattern == LoadPattern.CLIMB else plan.share


def next_step_s(plan: LoadPlan, t_s: float) -> float:
    """Return the time of the next change of share after `t_s`, s since the stage began; inf if there is none."""
    if plan.pattern == LoadPattern.PULSES:
        on_s, off_s, count = _pulse(plan)
        steps = (start + step for start in (i * (on_s + off_s) for i in range(count)) for step in (0.0, on_s))
        return next((step for step in steps if step > t_s), math.inf)
    if plan.pattern == LoadPattern.STEPS:
        step = (int(t_s // _step_s(plan)) + 1) * _step_s(plan)
        return step if step <= len(plan.shares) * _step_s(plan) else math.inf
    return math.inf


def pattern_duration_s(plan: LoadPlan) -> float:
    """Return how long the pattern lasts, s; inf for a steady load and for a climb."""
    if plan.pattern == LoadPattern.PULSES:
        on_s, off_s, count = _pulse(plan)
        return count * (on_s + off_s)
    if plan.pattern == LoadPattern.STEPS:
        return len(plan.shares) * _step_s(plan)
    return math.inf


def longest_s_of(stage: Stage) -> float:
    """Return the longest time that a stage may last, s; inf where nothing bounds it."""
    bounds = [] if stage.max_duration_s is None else [stage.max_duration_s]
    if stage.load is not None:
        bounds.append(pattern_duration_s(stage.load))
    return min(bounds, default=math.inf)


# A pulse that no sound machine minds, and the pause after it: 5 s on a quarter lift a bad mount by 12 K (derived from a
# lumped model: 48 K at full power). Common practice, no source.
GENTLE_PULSE_S = 5.0
GENTLE_OFF_SHARE = 2.0


# A shorter load at one share says nothing of keeping its speed (common practice, no source).
LEAST_KEPT_LOAD_S = 20.0


def is_gentle(plan: LoadPlan) -> bool:
    """Return whether the load is no more than short quarter-share pulses, which need nobody's answer beforehand.

    Short is 5 s and less, with a pause twice as long after each: quarter-share pulses without a pause are a load.
    """
    if (
        plan.pattern != LoadPattern.PULSES
        or plan.hold is not None
        or not (plan.workers == "quarter" or plan.share <= 0.25)
    ):
        return False
    on_s, off_s, _ = _pulse(plan)
    return on_s <= GENTLE_PULSE_S and off_s >= GENTLE_OFF_SHARE * on_s


def peak_share(plan: LoadPlan) -> float:
    """Return the highest share of the whole processor that the plan may ask for, 0 to 1."""
    duty = max(plan.shares, default=plan.share) if plan.pattern == LoadPattern.STEPS else plan.share
    if plan.hold is not None:
        duty = 1.0
    return duty * (0.25 if plan.workers == "quarter" else 1.0)


def _pulse(plan: LoadPlan) -> tuple[float, float, int]:
    if plan.on_s is None or plan.off_s is None or plan.count is None:
        raise ValueError("a pulse pattern needs on_s, off_s and count")
    return plan.on_s, plan.off_s, plan.count


def _in_pulse(plan: LoadPlan, t_s: float) -> bool:
    on_s, off_s, count = _pulse(plan)
    index, into_s = divmod(t_s, on_s + off_s)
    return 0 <= index < count and into_s < on_s


def _step_s(plan: LoadPlan) -> float:
    if plan.step_s is None:
        raise ValueError("a step pattern needs step_s")
    return plan.step_s
