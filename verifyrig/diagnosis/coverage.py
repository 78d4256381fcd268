"""How much of each fault the evidence could have shown at all: what was never exercised cannot be ruled out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from verifyrig.core.trace import FloatArray
from verifyrig.diagnosis import tables
from verifyrig.diagnosis.evidence import COOLERS, MachineEvidence, used_figures
from verifyrig.diagnosis.quantities import PLACE, RecordFigure, even_covariance
from verifyrig.diagnosis.suspects import LIQUID_ONLY, MECHANISMS, Mechanism

if TYPE_CHECKING:
    from verifyrig.diagnosis.mixture import Densities

__all__ = ["covered", "with_unknown"]

_DISTINCT = math.log(4.0)
_SPOKEN_FOR = 3.0
# No run of the processor exercises these, or they are no fault of the machine; it may be called sound without them.
_NEVER = (Mechanism.GRAPHICS, Mechanism.WIRING, Mechanism.OTHER, Mechanism.AMBIENT_PROBE, Mechanism.NONE)
_ENOUGH, _SOFT = 0.80, 0.03


def covered(seen: MachineEvidence) -> FloatArray:
    """Return for each mechanism the share of such faults that this evidence would have told from a sound one."""
    missed = np.ones(len(MECHANISMS))
    for mechanism, share in _by_signs(seen).items():
        missed[MECHANISMS.index(mechanism)] *= 1 - share
    for mechanism, share in _by_figures(seen).items():
        missed[MECHANISMS.index(mechanism)] *= 1 - share
    return np.asarray(1 - missed)


def _by_signs(seen: MachineEvidence) -> dict[Mechanism, float]:
    names = {sign.name for sign in seen.signs}
    found = {}
    if "die-sensor" in names:
        found[Mechanism.SENSOR_STUCK] = 0.95
    if "cooler-fan" in names:
        found[Mechanism.FAN_STOPPED] = 0.9
    if "power-limit" in names:
        found[Mechanism.FIRMWARE_LIMIT] = 0.9
    if "clock" in names:
        found[Mechanism.BOARD_POWER] = 0.9
    if "rail-12v" in names:
        found[Mechanism.SUPPLY] = 0.5
    if seen.errors is not None:
        table = tables.load("priors")["errors"]
        for mechanism in (Mechanism.MEMORY, Mechanism.PROCESSOR):
            rate, spread = table[mechanism.value]["per_s"], table[mechanism.value]["spread"]
            nodes, weights = np.polynomial.hermite_e.hermegauss(15)
            none = np.exp(-seen.errors.work_s * rate * np.exp(spread * nodes))
            found[mechanism] = 1 - float(none @ weights / weights.sum())
    if "gpu-hotspot" in names:
        found[Mechanism.GRAPHICS] = 0.5
    if "touched" in seen.findings:
        found[Mechanism.WIRING] = 0.7
    return found


def _by_figures(seen: MachineEvidence) -> dict[Mechanism, float]:
    from verifyrig.diagnosis.mixture import densities

    figures = used_figures(seen)
    if not figures:
        return {}
    dry = densities(seen.cooler if seen.cooler in COOLERS else "air")
    found = {m: _distinct(dry, m, figures) for m in dry.samples if m not in _NEVER}
    for mechanism in LIQUID_ONLY:
        if seen.cooler == "air":
            found[mechanism] = 1.0  # there is no coolant that could stand still
        elif mechanism not in found:
            found[mechanism] = _distinct(densities("liquid"), mechanism, figures)
    return found


def _distinct(known: Densities, mechanism: Mechanism, figures: Mapping[str, RecordFigure]) -> float:
    """Share of drawn machines with this fault that these figures would distinguish from a sound machine."""
    places = np.array([PLACE[name] for name in figures], dtype=int)
    errors = even_covariance(figures)
    x = known.samples[mechanism][:60][:, places]
    x = x[np.isfinite(x).all(axis=1)]
    if len(x) < 5:
        return 1.0  # a machine with this fault would hardly have shown these figures at all
    x = x + np.random.default_rng(0).multivariate_normal(np.zeros(len(errors)), errors, len(x), method="eigh")
    apart = known.log_many(mechanism, x, places, errors) - known.log_many(Mechanism.NONE, x, places, errors)
    return float(np.mean(apart > _DISTINCT))


def with_unknown(posterior: FloatArray, prior: FloatArray, shares: FloatArray) -> tuple[FloatArray, float]:
    """Move to "unknown" what the evidence never put to the test.

    Args:
        posterior, prior: Over `MECHANISMS`, shape (n,).
        shares: From `covered`.

    Returns:
        What stays with each mechanism, shape (n,), and what stays unknown.
    """
    none = MECHANISMS.index(Mechanism.NONE)
    stays = np.ones(len(MECHANISMS))
    tiny = 1e-12
    against_none = (posterior + tiny) / (prior + tiny) / ((posterior[none] + tiny) / prior[none])
    for at, mechanism in enumerate(MECHANISMS):
        if mechanism not in _NEVER:
            stays[at] = 1 - (1 - shares[at]) / (1 + (against_none[at] / _SPOKEN_FOR) ** 2)
    asked = np.array([m not in _NEVER for m in MECHANISMS]) * prior
    coverage = float(shares @ asked / asked.sum())
    stays[none] = 1 / (1 + math.exp(-(coverage - _ENOUGH) / _SOFT))
    kept = posterior * stays
    return kept, float(posterior.sum() - kept.sum())
