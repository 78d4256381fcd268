"""`compare` for a person: in ten lines what changed, what did not, what cannot be told; all figures on demand.

A figure has no more decimals than its uncertainty has digits to spare (JCGM 100:2008, 7.2.6: two at most), and none
below what its sensor can tell apart: the step itself for a single reading, a tenth of it for one that is averaged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from verifyrig.analysis.results import Comparison, MetricDifference
from verifyrig.report.names import metric_label, metric_parts, stage_label
from verifyrig.report.wording import Words

Step = Callable[[str], float | None]
"""Gives the smallest step of the sensor behind a metric, in the metric's unit; None where it is not known."""

MOST_LINES = 9
"""With the job's name before them ten."""
_MOST_CHANGED, _MOST_SAME, _MOST_UNTOLD = 3, 4, 2
# What a person asks for first; the others follow in their order.
_FIRST = (
    "die_temp_c.settled", "gpu_temp_c.settled", "thermal_resistance", "gpu_thermal_resistance", "thermal_impedance_60s",
    "gpu_thermal_impedance_60s", "work_rate_kept_share", "throttle_share", "coolant_temp_c.settled",
    "plate_temp_c.settled", "die_temp_c.peak", "compute_errors", "cpu_fan_speed_rpm.mean", "pump_speed_rpm.mean",
    "package_power_w.mean",
)  # fmt: skip
_SINGLE_READINGS = ("peak", "min", "max")
_AVERAGED_OVER = 10.0
_FINEST, _UNKNOWN_DIGITS = 4, 3


def summary_lines(found: Comparison, step: Step, words: Words, stages: Sequence[str] = ()) -> list[str]:
    """Return at most `MOST_LINES` lines.

    Args:
        stages: In the order in which they are asked for; those that are not named come last.
    """
    told = _told(found, stages)
    changed = [name for name in told if found.metrics[name].significant]
    same = [name for name in told if found.metrics[name].significant is False]
    untold = [name for name, m in found.metrics.items() if m.difference is None or m.significant is None]
    return [
        f"Before {found.before}, after {found.after}.",
        *_changed_lines(found, changed, step, words),
        _same_line(same, words),
        *_untold_lines(found, untold, words),
        f"All {len(found.metrics)} figures: verifyrig compare --table",
    ]


def _told(found: Comparison, stages: Sequence[str]) -> list[str]:
    """Return the figures that have a difference, those asked for first in front."""

    def rank(name: str) -> tuple[int, int]:
        stage, figure = metric_parts(name)
        return (
            _FIRST.index(figure) if figure in _FIRST else len(_FIRST),
            stages.index(stage) if stage in stages else len(stages),
        )

    return sorted((name for name, m in found.metrics.items() if m.difference is not None), key=rank)


def _each_once(names: Sequence[str], most: int) -> list[str]:
    """Return so many of them at most, each figure in the first stage that has it."""
    first: dict[str, str] = {}
    for name in names:
        first.setdefault(metric_parts(name)[1], name)
    return list(first.values())[:most]


def _changed_lines(found: Comparison, names: Sequence[str], step: Step, words: Words) -> list[str]:
    if not names:
        return ["Nothing changed beyond doubt."]
    shown = _each_once(names, _MOST_CHANGED)
    lines = [f"  {_named(name, words)}: {_figures(name, found.metrics[name], step(name), words)}" for name in shown]
    left = len(names) - len(shown)
    return [f"Changed beyond doubt{f' (and {left} further figures)' if left else ''}:", *lines]


def _same_line(names: Sequence[str], words: Words) -> str:
    if not names:
        return "Nothing is known to be as it was."
    shown = _each_once(names, _MOST_SAME)
    left = len(names) - len(shown)
    said = "; ".join(_named(name, words) for name in shown) + (f"; and {left} further" if left else "")
    return f"Not changed by more than the uncertainty: {said}."


def _untold_lines(found: Comparison, names: Sequence[str], words: Words) -> list[str]:
    lines = []
    for stage, one in found.stages.items():
        if not one.comparable:
            why = f"before {one.before}" if one.before else "; ".join(map(str, one.forbidden_by or one.why))
            lines.append(f"{stage_label(stage, words)} is not comparable ({why})")
    more = len(lines) - _MOST_UNTOLD
    if more > 0:
        lines = [*lines[: _MOST_UNTOLD - 1], f"{more + 1} further stages are not comparable"]
    if names and len(lines) < _MOST_UNTOLD:
        some = "1 figure lacks" if len(names) == 1 else f"{len(names)} figures lack"
        lines.append(f"{some} a value, or its uncertainty, in one of the runs")
    if not lines:
        return ["There is nothing that cannot be told."]
    return [f"Cannot be told: {lines[0]}", *(f"  {line}" for line in lines[1:])]


def table_lines(found: Comparison, step: Step, words: Words) -> list[str]:
    """Return every stage with why it may be compared or not, and every figure by its name in the contract."""
    lines = [f"Before {found.before}, after {found.after}"]
    for name, stage in found.stages.items():
        word = "comparable" if stage.comparable else "not comparable"
        lines += ["", f"{name}: {word}" + (f" (before: {stage.before})" if stage.before else "")]
        lines += [f"  {why}" for why in stage.why]
        own = {key: m for key, m in found.metrics.items() if metric_parts(key)[0] == name}
        lines += [f"  {key}: {_row(key, m, step(key), words)}" for key, m in own.items()]
    if not found.comparable:
        lines += ["", "Not comparable."]
    return lines


def _row(name: str, m: MetricDifference, step: float | None, words: Words) -> str:
    if m.difference is None:
        places = _places(name, m, step)
        sides = [words.quantity(value, m.unit, decimals=places) for value in (m.before, m.after)]
        return f"{sides[0]} → {sides[1]}, no difference stated"
    word = {True: "", False: ", within the uncertainty", None: ", uncertainty unknown"}[m.significant]
    return _figures(name, m, step, words) + word


def _named(name: str, words: Words) -> str:
    return f"{stage_label(metric_parts(name)[0], words)}: {metric_label(name, words)}"


def _figures(name: str, m: MetricDifference, step: float | None, words: Words) -> str:
    """Return "84.2 → 71.9 °C (−12.3 ± 1.4 K)"."""
    scale, unit = (100.0, "%") if name.endswith("_share") or name.endswith("_share.mean") else (1.0, m.unit)
    places = max(0, _places(name, m, step) - round(math.log10(scale)))
    before, after = (words.number((value or 0.0) * scale, places) for value in (m.before, m.after))
    difference = words.number((m.difference or 0.0) * scale, places)
    sign = "+" if (m.difference or 0.0) > 0 and difference.strip("0.,") else ""
    # An uncertainty finer than the last digit shown is one of that digit.
    spread = f" ± {words.number(max(m.u95 * scale, 10.0**-places), places)}" if m.u95 else ""
    suffix = words.unit_suffix(unit)
    of_difference = words.unit_suffix("K" if unit == "°C" else unit)
    return f"{before} → {after}{suffix} ({sign}{difference}{spread}{of_difference})"


def _places(name: str, m: MetricDifference, step: float | None) -> int:
    """Return how many decimals the metric's figures have, before any change of unit."""
    values = [abs(value) for value in (m.before, m.after) if value is not None and math.isfinite(value)]
    if m.u95 is not None and m.u95 > 0:
        places = 1 - math.floor(math.log10(m.u95))
    elif m.u95 == 0 and all(value.is_integer() for value in values):
        places = 0
    else:
        # Nothing is known of its uncertainty: as many digits as any reading of a bench is worth.
        largest = max(values, default=0.0)
        places = _UNKNOWN_DIGITS - 1 - math.floor(math.log10(largest)) if largest > 0 else 0
    if step is not None and step > 0:
        single = name.rsplit(".", 1)[-1] in _SINGLE_READINGS
        finest = -math.floor(math.log10(step if single else step / _AVERAGED_OVER) + 1e-9)
        places = min(places, finest)
    return max(0, min(_FINEST, places))
