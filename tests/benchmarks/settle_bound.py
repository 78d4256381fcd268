"""How soon the settled value could be known at best: an observer who knows how the simulated machines are drawn.

The bound is that of van Trees (Bayesian Cramér-Rao): Fisher's information of all readings of die, power and fan so far,
by numerical derivatives of the machine's own course, and beside it the precision of the ranges that machines are drawn
from. Each range counts as a normal distribution of its variance. The climb goes up as it does on a sound machine; wait
is as in `exposure`: from the load's start until 1.96 standard deviations lie within 1 K, a minute at full share at
least, of 20 minutes. The room is read, and what settles is taken for the room as it is then. The die is read by all the
sensors that its driver shows, and beside that by the package's alone.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from mock_hw.physics.network import coolant_k_per_w
from mock_hw.physics.parameters import MachineParameters
from tests.benchmarks._exposure_runs import SOUND, Job, machine_of
from tests.benchmarks._settle_runs import die_sensors
from verifyrig.core.trace import FloatArray

WAIT_MIN, LEAST_AT_FULL_S, WITHIN_K = 20.0, 60.0, 1.0
# From when on which share is on, s: idle, two pulses, four rises ten seconds apart.
_CLIMB = ((0, 0.0), (120, 1.0), (125, 0.0), (150, 1.0), (155, 0.0), (182, 0.25), (192, 0.5), (202, 0.75), (212, 1.0))
_LOAD_FROM_S, _FULL_FROM_S, _END_S = 182, 212, 1212
_MOVED = 0.05  # standard deviations, for derivatives
_POWER_NOISE_W, _FAN_NOISE_RPM, _FAN_REFRESH_S = 0.5, 6.0, 1.5
_EVEN = 1 / math.sqrt(12)  # standard deviation of an even distribution over its width
_FIRST_SEED = 9921

# Ranges of the simulated machines (`mock_hw.physics.parameters`): logarithm of high over low, or the width.
_SCALED = {
    "die_j": 10 / 2, "lid_j": 35 / 12, "plate_j": 150 / 50, "coolant_j": 800 / 300, "sink_j": 700 / 200,
    "case_j": 1500 / 500, "die_k": 0.20 / 0.07, "paste_k": 0.05 / 0.02, "still": 8 / 4, "case_k": 0.035 / 0.015,
    "load_w": 180 / 60, "idle_w": 30 / 8,
}  # fmt: skip
_WIDTHS = {
    "board_w": 20.0, "low_share": 0.2, "low_c": 10.0, "high_c": 10.0, "spin_s": 1.5, "control_s": 4.0,
    "full_rpm": 900.0, "leakage": 0.005, "gain": 0.1, "offset": 2.0, "ambient": 0.4,
}  # fmt: skip
_BY_COOLER = {
    "air": {"next_k": 0.19 / 0.10, "sink_k": 0.19 / 0.10},
    "liquid": {"next_k": 2.0, "sink_k": 0.13 / 0.07},
}

Values = dict[str, FloatArray]


def bound_k(machine: MachineParameters, period_s: float, *, cores: bool = True) -> tuple[FloatArray, FloatArray]:
    """Return times of full share, s since the run began, and the bound's u95 of the settled value then, K.

    With `cores` all sensors of the die count, each as if its own level were known; else the package's alone.
    """
    values, count = _moved(machine)
    liquid = machine.thermal.cooler == "liquid"
    t_s = np.arange(period_s, _END_S + period_s / 2, period_s)
    ambient_c = np.array([machine.ambient.temp_at_c(float(t)) for t in t_s])
    shown = _course(values, liquid, t_s, ambient_c)
    slope = (shown[:, 1 : 1 + count] - shown[:, 1 + count :]) / (2 * _MOVED)
    die = machine.sensors["die_temp_c"]
    shown_by = math.sqrt(len(die_sensors(machine)) if cores else 1)
    sd = np.array([math.hypot(die.noise, die.step * _EVEN) / shown_by, _POWER_NOISE_W, _FAN_NOISE_RPM])
    # A reading that is held counts once: so many of them are fresh.
    fresh = period_s / np.maximum(period_s, [die.refresh_s, period_s, _FAN_REFRESH_S])
    gained = np.einsum("tpc,tqc,c->tpq", slope, slope, fresh / sd**2)
    information = np.eye(count) + np.cumsum(gained, axis=0)
    at_full = t_s >= _FULL_FROM_S
    end_c = _steady(values, 1.0, float(ambient_c[-1]), liquid)[:, 0] + values["offset"]
    toward = (end_c[1 : 1 + count] - end_c[1 + count :]) / (2 * _MOVED)
    solved = np.linalg.solve(information[at_full], np.broadcast_to(toward[:, None], (at_full.sum(), count, 1)))
    return t_s[at_full], 1.96 * np.sqrt(solved[..., 0] @ toward)


def _moved(machine: MachineParameters) -> tuple[Values, int]:
    """Return the machine, and beside it those with one parameter moved up and down; and how many parameters."""
    t, f, c = machine.thermal, machine.fans, machine.processor
    liquid = t.cooler == "liquid"
    base = {
        "die_j": t.die_j_per_k, "lid_j": t.lid_j_per_k, "plate_j": t.plate_j_per_k, "sink_j": t.sink_j_per_k,
        "case_j": t.case_j_per_k, "die_k": t.die_to_lid_k_per_w, "paste_k": t.paste_k_per_w,
        "next_k": coolant_k_per_w(t) if liquid else t.plate_to_next_k_per_w, "sink_k": t.sink_to_air_k_per_w,
        "still": t.still_air_factor, "case_k": t.case_to_ambient_k_per_w, "load_w": c.load_w, "idle_w": c.idle_w,
        "board_w": t.board_power_w, "low_share": f.low_share, "low_c": f.low_c, "high_c": f.high_c,
        "spin_s": f.spin_time_s, "control_s": f.control_time_s, "full_rpm": f.cpu_max_rpm,
        "leakage": c.leakage_per_k, "gain": machine.power_gain,
        "offset": machine.sensors["die_temp_c"].offset, "ambient": 0.0,
        **({"coolant_j": t.coolant_j_per_k} if liquid else {}),
    }  # fmt: skip
    ratios = {**_SCALED, **_BY_COOLER[t.cooler]}
    names, count = list(base), len(base)
    z = np.concatenate((np.zeros((1, count)), _MOVED * np.eye(count), -_MOVED * np.eye(count)))
    values: Values = {}
    for at, name in enumerate(names):
        if name in ratios:
            values[name] = base[name] * np.exp(_EVEN * math.log(ratios[name]) * z[:, at])
        else:
            values[name] = base[name] + _EVEN * _WIDTHS[name] * z[:, at]
    return values, count


def _course(values: Values, liquid: bool, t_s: FloatArray, ambient_c: FloatArray) -> FloatArray:
    """Return die, power and fan speed as they are shown at each time, shape (t, m, 3), by implicit steps."""
    names = ("die_j", "lid_j", "plate_j", *(("coolant_j",) if liquid else ()), "sink_j", "case_j")
    capacity = np.stack([values[name] for name in names], axis=1)
    temps = _steady(values, 0.0, float(ambient_c[0]), liquid)
    seen = temps[:, 0].copy()
    speed: FloatArray = _duty(values, seen)
    dt_s = float(t_s[1] - t_s[0]) / 2
    seen_by, spun_by = (-np.expm1(-dt_s / values[name]) for name in ("control_s", "spin_s"))
    places, shown = np.arange(capacity.shape[1]), []
    for t, room_c in zip(t_s.tolist(), ambient_c.tolist(), strict=True):
        share = next(share for from_s, share in reversed(_CLIMB) if t > from_s)
        for _ in range(2):
            seen += (temps[:, 0] - seen) * seen_by
            speed = speed + (_duty(values, seen) - speed) * spun_by
            power = _power(values, share, temps[:, 0])
            stiffness, heat = _network(values, speed, power, room_c, liquid)
            stiffness[:, places, places] += capacity / dt_s
            temps = np.asarray(np.linalg.solve(stiffness, (heat + temps * capacity / dt_s)[..., None])[..., 0])
        shown.append(
            np.stack((temps[:, 0] + values["offset"], power * values["gain"], speed * values["full_rpm"]), axis=1)
        )
    return np.array(shown)


def _steady(values: Values, share: float, room_c: float, liquid: bool) -> FloatArray:
    """Return all temperatures where the machines settle, shape (m, n): by bisection, since fans follow the die."""
    low, high = np.full(len(values["die_j"]), room_c - 1.0), np.full(len(values["die_j"]), 250.0)
    for _ in range(36):
        middle = 0.5 * (low + high)
        above = _steady_at(values, share, room_c, liquid, middle)[:, 0] > middle
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return _steady_at(values, share, room_c, liquid, low)


def _steady_at(values: Values, share: float, room_c: float, liquid: bool, die_c: FloatArray) -> FloatArray:
    power = _power(values, share, die_c)
    stiffness, heat = _network(values, _duty(values, die_c), power, room_c, liquid)
    return np.asarray(np.linalg.solve(stiffness, heat[..., None])[..., 0])


def _network(
    values: Values, speed: FloatArray, power_w: FloatArray, room_c: float, liquid: bool
) -> tuple[FloatArray, FloatArray]:
    """Return conductances, W/K, shape (m, n, n), and heat into each node, W, shape (m, n)."""
    still = 1 / values["still"]
    sink = (still + (1 - still) * speed**0.7) / values["sink_k"]
    head = [1 / values[name] for name in ("die_k", "paste_k", "next_k")]
    links = [*head, *([np.full_like(sink, 100.0)] if liquid else []), sink]
    count = len(links) + 1
    stiffness = np.zeros((len(sink), count, count))
    for at, link in enumerate(links):
        stiffness[:, at : at + 2, at : at + 2] += link[:, None, None] * np.array([[1.0, -1.0], [-1.0, 1.0]])
    case = (0.3 + 0.7 * speed) / values["case_k"]
    stiffness[:, -1, -1] += case
    heat = np.zeros((len(sink), count))
    heat[:, 0] = power_w
    heat[:, -1] = values["board_w"] + case * (room_c - values["ambient"])
    return stiffness, heat


def _duty(values: Values, die_c: FloatArray) -> FloatArray:
    way = np.clip((die_c - values["low_c"]) / (values["high_c"] - values["low_c"]), 0.0, 1.0)
    return np.asarray(values["low_share"] + (1 - values["low_share"]) * way)


def _power(values: Values, share: float, die_c: FloatArray) -> FloatArray:
    watts = values["idle_w"] + share * (values["load_w"] - values["idle_w"])
    return np.asarray(watts * (1 + values["leakage"] * (die_c - 50.0)))


def measure(full: bool = True) -> dict[str, Any]:
    """Return the wait that no unbiased forecast can beat on average, and u95 at some times of full share."""
    machines = []
    for seed in range(_FIRST_SEED, _FIRST_SEED + (25 if full else 2)):
        cases = [(case, False) for case in SOUND] + [("healthy-air", True), ("healthy-liquid", True)]
        for case, strange in cases:
            period_s = 1.0 + seed % 2
            job = Job(case=case, seed=seed, rule="climb", period_s=period_s, strange=strange)
            machines.append((machine_of(job), period_s))
    return {
        "machines": len(machines),
        **_figures([bound_k(*machine) for machine in machines]),
        "by_the_package_alone": _figures([bound_k(*machine, cores=False) for machine in machines]),
    }


def _figures(bounds: list[tuple[FloatArray, FloatArray]]) -> dict[str, float]:
    waits, u95 = [], []
    for t_s, bound in bounds:
        known = np.flatnonzero((bound <= WITHIN_K) & (t_s >= _FULL_FROM_S + LEAST_AT_FULL_S))
        known_s = float(t_s[known[0]]) - _LOAD_FROM_S if len(known) else 60 * WAIT_MIN
        waits.append(known_s / 60 / WAIT_MIN)
        u95.append([float(np.interp(_FULL_FROM_S + s, t_s, bound)) for s in (60, 120, 200, 300)])
    return {
        "wait_median": float(np.median(waits)),
        "wait_slowest_tenth": float(np.quantile(waits, 0.9)),
        **{
            f"u95_k_at_{s}s_of_full_share": float(u)
            for s, u in zip((60, 120, 200, 300), np.median(u95, axis=0), strict=True)
        },
    }
