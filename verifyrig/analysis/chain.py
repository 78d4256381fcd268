"""A chain of heat capacities from the die to the room, for many machines at once: its links, where it ends, its course.

The heat of the first mass flows from one to the next and out of the last one, the air of the case, to the room. Fans,
leakage and limits answer to the temperature of the die. The course comes in two ways over the same network: exactly, by
its modes, where what drives it is known for whole spans (a run that is explained), and by implicit steps, where it has
to be found out at every moment (a machine that is drawn). Modes of six masses for thousands of machines at each of a
hundred moments would take seconds.
"""

from __future__ import annotations

import numpy as np

from verifyrig.core.trace import FloatArray

__all__ = [
    "case_w_per_k",
    "fan_share",
    "implicit_step",
    "leaked_w",
    "modes",
    "sink_w_per_k",
    "steady_c",
]

AIR_EXPONENT = 0.7  # forced convection over fins grows with about this power of the air's speed
_CASE_STILL = 0.3  # what a case passes to the room by buoyancy, over full case fans
_LEAKAGE_AT_C = 50.0
_MOST_SHARE = 1.2  # of the full speed as it is believed to be
_NARROWEST_CURVE_K = 3.0


def fan_share(temp_c: FloatArray, low_c: FloatArray, high_c: FloatArray, low_share: FloatArray) -> FloatArray:
    """Return the speed that a fan curve asks for at a die temperature, over full speed."""
    way = np.clip((temp_c - low_c) / np.maximum(high_c - low_c, _NARROWEST_CURVE_K), 0.0, 1.0)
    return np.asarray(low_share + (1.0 - low_share) * way)


def sink_w_per_k(
    share: FloatArray, k_per_w: FloatArray, still_factor: FloatArray, exponent: FloatArray | float = AIR_EXPONENT
) -> FloatArray:
    """Return what fins or radiator pass to the case's air at a fan speed over full speed, W/K."""
    still = 1.0 / still_factor
    return np.asarray((still + (1.0 - still) * np.clip(share, 0.0, _MOST_SHARE) ** exponent) / k_per_w)


def case_w_per_k(share: FloatArray, k_per_w: FloatArray) -> FloatArray:
    """Return what the case passes to the room, W/K."""
    return np.asarray((_CASE_STILL + (1.0 - _CASE_STILL) * np.clip(share, 0.0, _MOST_SHARE)) / k_per_w)


def leaked_w(power_w: FloatArray | float, leakage_per_k: FloatArray, temp_c: FloatArray | float) -> FloatArray:
    """Return the power at a die temperature of what draws `power_w` at 50 °C."""
    return np.asarray(power_w * (1.0 + leakage_per_k * (temp_c - _LEAKAGE_AT_C)))


def steady_c(links: FloatArray, power_w: FloatArray, board_w: FloatArray, ambient_c: FloatArray) -> FloatArray:
    """Return the steady temperatures, °C, shape (c, ...).

    Args:
        links: Conductances from mass to mass and from the last to the room, W/K, shape (c, ...).
        power_w, board_w, ambient_c: Heat into the first and into the last mass, W, and room, °C, shape (...).
    """
    found = np.empty_like(links)
    found[-1] = ambient_c + (power_w + board_w) / links[-1]
    for at in range(len(links) - 2, -1, -1):
        found[at] = found[at + 1] + power_w / links[at]
    return found


def modes(links: FloatArray, capacity_j_per_k: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return rates, 1/s, shape (..., c), modes and their inverse, shape (..., c, c).

    The network is symmetric after scaling with the roots of the heat capacities. Both arguments have the masses last:
    shape (..., c).
    """
    count = links.shape[-1]
    root = np.sqrt(capacity_j_per_k)
    scaled = np.zeros((*links.shape, count))
    diagonal = links.copy()
    diagonal[..., 1:] += links[..., :-1]
    at = np.arange(count)
    scaled[..., at, at] = diagonal / root**2
    beside = -links[..., :-1] / (root[..., :-1] * root[..., 1:])
    scaled[..., at[:-1], at[1:]] = scaled[..., at[1:], at[:-1]] = beside
    rates, vectors = np.linalg.eigh(scaled)
    return rates, vectors / root[..., :, None], np.swapaxes(vectors, -1, -2) * root[..., None, :]


def implicit_step(
    links: FloatArray,
    capacity_j_per_k: FloatArray,
    temps_c: FloatArray,
    heat: tuple[FloatArray, FloatArray, FloatArray],
    dt_s: float,
) -> FloatArray:
    """Return the temperatures one implicit (backward Euler) step later, °C, shape (c, n).

    Thomas' algorithm: elimination from the die outward.

    Args:
        links, capacity_j_per_k, temps_c: Shape (c, n).
        heat: Power and board power, W, and room, °C, each of shape (n,).
    """
    power_w, board_w, ambient_c = heat
    storage = capacity_j_per_k / dt_s
    source = storage * temps_c
    source[0] += power_w
    source[-1] += board_w + links[-1] * ambient_c
    diagonal = storage + links
    diagonal[1:] += links[:-1]
    for at in range(1, len(links)):
        factor = links[at - 1] / diagonal[at - 1]
        diagonal[at] -= factor * links[at - 1]
        source[at] += factor * source[at - 1]
    now = np.empty_like(temps_c)
    now[-1] = source[-1] / diagonal[-1]
    for at in range(len(links) - 2, -1, -1):
        now[at] = (source[at] + links[at] * now[at + 1]) / diagonal[at]
    return now
