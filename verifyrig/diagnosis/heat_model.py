"""What drawn machines do at idle and through a load, many at once: the chain of `analysis.chain` with six masses.

Die, spreader, plate, coolant or pipes, radiator or fins, case air, room outside. Parameters stand in `draws`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from verifyrig.analysis.chain import case_w_per_k, fan_share, implicit_step, leaked_w, sink_w_per_k, steady_c
from verifyrig.core.trace import FloatArray
from verifyrig.diagnosis.draws import Machines

__all__ = ["LoadCourse", "run_course"]

# Step lengths of the load, s, and how many: fine while the die moves, coarse later.
_STEPS = ((0.25, 8), (0.5, 8), (1.0, 9), (2.5, 18), (10.0, 54), (20.0, 15))
_IDLE_ROUNDS = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadCourse:
    """Temperatures, °C, and power, W, of n machines at idle and through a load.

    Attributes:
        idle_c: Shape (6, n). idle_w: Shape (n,).
        t_s: Times since the load began, s, shape (m,).
        temps_c: Shape (m, 6, n). power_w: Shape (m, n).
        clock_share: Clock over full clock at each time, shape (m, n).
    """

    idle_c: FloatArray
    idle_w: FloatArray
    t_s: FloatArray
    temps_c: FloatArray
    power_w: FloatArray
    clock_share: FloatArray


def run_course(machines: Machines) -> LoadCourse:
    """Let every machine idle, then load it fully for about 15 minutes with its fans on their curve."""
    idle_c, idle_w = _idle(machines)
    temps, powers, clocks, times = [idle_c], [idle_w], [np.ones_like(idle_w)], [0.0]
    clock = np.ones_like(idle_w)
    seen_c = idle_c[0].copy()
    for dt_s, count in _STEPS:
        for _ in range(count):
            seen_c += (temps[-1][0] - seen_c) * (1 - np.exp(-dt_s / machines.fan_lag_s))
            links = _links(machines, seen_c)
            wanted_w = _power_w(machines, machines.load_w * clock**2.4, temps[-1][0])
            now = _step(machines, links, temps[-1], wanted_w, dt_s)
            now, wanted_w, clock = _hold_limit(machines, links, temps[-1], now, wanted_w, clock, dt_s)
            temps.append(now)
            powers.append(wanted_w)
            clocks.append(clock)
            times.append(times[-1] + dt_s)
    return LoadCourse(
        idle_c=idle_c,
        idle_w=idle_w,
        t_s=np.array(times),
        temps_c=np.array(temps),
        power_w=np.array(powers),
        clock_share=np.array(clocks),
    )


def _power_w(machines: Machines, reference_w: FloatArray, die_c: FloatArray) -> FloatArray:
    """Power with its leakage; a die far above its limits is not followed further."""
    return leaked_w(reference_w, machines.leakage_per_k, np.clip(die_c, -20.0, 130.0))


def _links(machines: Machines, seen_c: FloatArray) -> FloatArray:
    """Return the conductances from node to node and from the case air to the room, W/K, shape (6, n)."""
    share = fan_share(seen_c, machines.curve_low_c, machines.curve_high_c, machines.low_share)
    at_sink = np.where(machines.fan_stands, 0.0, share)
    return np.stack(
        [
            1 / machines.die_k_per_w,
            1 / machines.contact_k_per_w,
            1 / machines.flow_k_per_w,
            1 / machines.carry_k_per_w,
            sink_w_per_k(at_sink, machines.sink_k_per_w, machines.still_factor, machines.fan_exponent),
            case_w_per_k(share, machines.case_k_per_w),
        ]
    )


def _step(machines: Machines, links: FloatArray, temps_c: FloatArray, power_w: FloatArray, dt_s: float) -> FloatArray:
    heat = power_w, machines.board_w, machines.ambient_c
    return implicit_step(links, machines.capacity_j_per_k, temps_c, heat, dt_s)


def _hold_limit(
    machines: Machines,
    links: FloatArray,
    before_c: FloatArray,
    now_c: FloatArray,
    power_w: FloatArray,
    clock: FloatArray,
    dt_s: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where the die passes its limit, take the power that ends the step at the limit; the clock follows it."""
    over = now_c[0] > machines.limit_c
    floor_w = 0.25 * machines.load_w
    if not over.any():
        return now_c, power_w, np.minimum(1.0, clock * 1.5)
    unpowered = _step(machines, links, before_c, np.zeros_like(power_w), dt_s)
    gain = (now_c[0] - unpowered[0]) / np.maximum(power_w, 1e-9)
    held_w = np.where(over, np.maximum(floor_w, (machines.limit_c - unpowered[0]) / gain), power_w)
    held_c = _step(machines, links, before_c, held_w, dt_s)
    full_w = _power_w(machines, machines.load_w, before_c[0])
    share = np.where(over, np.clip(held_w / full_w, 0.02, 1.0) ** (1 / 2.4), np.minimum(1.0, clock * 1.5))
    return held_c, held_w, share


def _idle(machines: Machines) -> tuple[FloatArray, FloatArray]:
    """Return the idle state; machines that were switched on lately stand below their steady state."""
    die_c = machines.ambient_c + 10.0
    for _ in range(_IDLE_ROUNDS):
        links = _links(machines, die_c)
        watts = _power_w(machines, machines.idle_w, die_c)
        steady = steady_c(links, watts, machines.board_w, machines.ambient_c)
        # A machine that runs away while idle is stopped by its owner near its limit.
        die_c = 0.5 * die_c + 0.5 * np.minimum(steady[0], machines.limit_c + 5.0)
    start: FloatArray = machines.ambient_c + (steady - machines.ambient_c) * machines.warmed_share
    return start, _power_w(machines, machines.idle_w, start[0])
