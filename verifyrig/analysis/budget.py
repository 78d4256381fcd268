"""Where the uncertainty of a figure comes from: lines for the budget, and what cancels between two runs.

Source: JCGM 100:2008 (GUM), clauses 4.3 (type B) and 5.2 (correlated inputs).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from verifyrig.analysis.signals import SensorFacts
from verifyrig.metrology.uncertainty import Component, combine, standard_from_expanded

__all__ = [
    "AMBIENT_ACCURACY",
    "AMBIENT_CORRECTION",
    "FIT_ALIKE",
    "POWER_GAIN",
    "SENSOR_ACCURACY",
    "ambient_accuracy",
    "difference_u95",
    "expanded",
    "power_gain",
    "scaled",
    "sensor_lines",
]

# Lines of this name come from a lasting error of one sensor, or of one machine's model: the same in every run with it.
SENSOR_ACCURACY = "accuracy of the temperature sensor"
AMBIENT_ACCURACY = "accuracy of the room reading"
POWER_GAIN = "gain of the power reading"
AMBIENT_CORRECTION = "correction to the reference room"
FIT_ALIKE = "fit to the readings, as in each of the machine's runs"
_LASTING = frozenset({SENSOR_ACCURACY, AMBIENT_ACCURACY, POWER_GAIN, FIT_ALIKE})

# Common practice, no source: limits of error of readings that come without any calibration.
_UNCALIBRATED_TEMP_K = 1.0
_UNCALIBRATED_POWER_SHARE = 0.05


def sensor_lines(facts: SensorFacts, statistical_u: float, dof: float = math.inf) -> tuple[Component, ...]:
    """Return the budget of a temperature: what the samples say, the sensor's step, its accuracy; all K."""
    lines = [Component(name="scatter and extrapolation", standard_uncertainty=statistical_u, dof=dof)]
    if facts.resolution:
        lines.append(Component.within("resolution", facts.resolution / 2))
    lines.append(_accuracy(SENSOR_ACCURACY, facts.expanded_uncertainty))
    return tuple(lines)


def ambient_accuracy(expanded_uncertainty_k: float | None, sensitivity: float = -1.0) -> Component:
    """Return the line of the room's reading, K; without a stated uncertainty ± 1 K is taken."""
    return replace(_accuracy(AMBIENT_ACCURACY, expanded_uncertainty_k), sensitivity=sensitivity)


def _accuracy(name: str, expanded_uncertainty: float | None) -> Component:
    if expanded_uncertainty is None:
        return Component.within(name, _UNCALIBRATED_TEMP_K)
    return Component(name=name, standard_uncertainty=standard_from_expanded(expanded_uncertainty))


def power_gain(power_w: float, expanded_uncertainty_w: float | None, sensitivity: float) -> Component:
    """Return the line of a power reading's gain, W; without a stated uncertainty ± 5 % is taken."""
    if expanded_uncertainty_w is None:
        return Component.within(POWER_GAIN, _UNCALIBRATED_POWER_SHARE * abs(power_w), sensitivity)
    u = standard_from_expanded(expanded_uncertainty_w)
    return Component(name=POWER_GAIN, standard_uncertainty=u, sensitivity=sensitivity)


def scaled(lines: Iterable[Component], factor: float) -> tuple[Component, ...]:
    """Return the lines as inputs of a result that moves by `factor` for each unit of theirs."""
    return tuple(replace(line, sensitivity=line.sensitivity * factor) for line in lines)


def expanded(lines: Sequence[Component]) -> float:
    """Return the expanded uncertainty at 95 % of a budget's result."""
    return combine(lines).expanded_uncertainty


def difference_u95(before: Sequence[Component], after: Sequence[Component], *, same_sensors: bool) -> float:
    """Return U95 of after minus before.

    With the same sensors a lasting error is the same in both and enters with the difference of its
    sensitivities; otherwise, and for everything else, both enter in full.

    Source: JCGM 100:2008, 5.2.2, with correlation coefficient 1 for the lasting errors.
    """
    free = [line for line in (*before, *after) if not (same_sensors and line.name in _LASTING)]
    return expanded([*free, *(_shared(before, after) if same_sensors else ())])


def _shared(before: Sequence[Component], after: Sequence[Component]) -> list[Component]:
    lines = []
    for name in sorted(_LASTING):
        named = [[line for line in side if line.name == name] for side in (before, after)]
        signed = [sum(line.sensitivity * line.standard_uncertainty for line in side) for side in named]
        rectangular = all(line.rectangular for side in named for line in side)
        u = abs(signed[1] - signed[0])
        lines.append(Component(name=name, standard_uncertainty=u, rectangular=rectangular))
    return lines
