"""A second simulated machine with another structure: fins in pieces along the pipe, a radiator in three passes with
the coolant carried from one to the next, and a fan that follows the coolant or the board, not the die.

It shares no code with the package and none with `mock_hw`. One matrix exponential a second and fan level moves it on.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import Event, StageSpan, Trace

FloatArray = npt.NDArray[np.float64]

CASES: dict[str, str] = {
    "sound": "none",
    "contact": "contact",
    "contact-bad": "contact",
    "flow-slow": "coolant-flow",
    "flow-stopped": "coolant-flow",
    "fan-stopped": "airflow",
    "blocked": "airflow",
    "choked": "airflow",
    "warm": "warm-room",
    "offset": "sensor",
    "stuck": "sensor",
    "supply": "supply",
    "regulator": "board-power",
    "unlimited": "firmware-limit",
    "memory": "memory",
    "core": "processor",
}
_LIQUID_ONLY = ("flow-slow", "flow-stopped")
_PIECES = 6
_LEVELS = 20
_IDLE_S, _LOAD_S, _COOL_S = 150, 900, 240


@dataclass(slots=True)
class Plan:
    """Parameters of one machine; K/W, J/K, W, °C, s."""

    case: str
    liquid: bool
    r_die: float
    r_joint: float
    r_base: float
    flow: float
    fin: float
    still: float
    r_case: float
    c: dict[str, float]
    idle_w: float
    load_w: float
    leak: float
    limit_c: float
    ambient_c: float
    board_w: float
    droop: float
    spread: float
    fan_stands: bool = False
    offset_k: float = 0.0
    stuck_c: float | None = None
    regulator: float = 0.26
    pin_c: float = 105.0
    limit_w: float = 0.0
    error_rate: float = 0.0
    error_core: int | None = None


def draw(case: str, seed: int) -> Plan:
    """Return a machine of a case; healthy ranges overlap the shop's usual ones, none equals them."""
    rng = np.random.default_rng([seed, sorted(CASES).index(case)])

    def u(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    liquid = case in _LIQUID_ONLY or (case != "choked" and bool(rng.random() < 0.5))
    load_w = u(65, 150)
    plan = Plan(
        case=case,
        liquid=liquid,
        r_die=u(0.08, 0.17),
        r_joint=u(0.02, 0.05),
        r_base=u(0.015, 0.03),
        flow=u(0.7, 1.6),
        fin=u(0.07, 0.12),
        still=u(4, 7),
        r_case=u(0.012, 0.03),
        c={
            "die": u(3, 9),
            "lid": u(14, 32),
            "plate": u(60, 140),
            "fins": u(250, 650),
            "water": u(250, 650),
            "case": 900,
        },
        idle_w=u(9, 24),
        load_w=load_w,
        leak=u(0.003, 0.007),
        limit_c=float(round(u(88, 104))),
        ambient_c=u(18, 27),
        board_w=u(15, 35),
        droop=u(3e-4, 8e-4),
        spread=u(0.03, 0.05),
        limit_w=1.3 * load_w,
    )
    _break(plan, u)
    return plan


def _break(plan: Plan, u: Callable[[float, float], float]) -> None:
    case = plan.case
    if case == "contact":
        plan.r_joint, plan.spread = u(0.14, 0.32), plan.spread + u(0.0, 0.03)
    elif case == "contact-bad":
        plan.r_joint, plan.spread = u(0.35, 0.8), plan.spread + u(0.04, 0.12)
    elif case == "flow-slow":
        plan.flow = u(0.03, 0.11)
    elif case == "flow-stopped":
        plan.flow = u(0.003, 0.008)
    elif case == "fan-stopped":
        plan.fan_stands = True
    elif case == "blocked":
        plan.fin *= u(2.2, 4.0)
    elif case == "choked":
        plan.r_case += u(0.15, 0.35)
    elif case == "warm":
        plan.ambient_c = u(33, 39)
    elif case == "offset":
        plan.offset_k = u(9, 32) * (1 if u(0, 1) < 0.5 else -1)
    elif case == "stuck":
        plan.stuck_c = float(round(u(29, 45)))
    elif case == "supply":
        plan.droop = u(0.65, 1.1) / plan.load_w
    elif case == "regulator":
        plan.regulator = (plan.pin_c + u(12, 45) - plan.ambient_c - 6) / plan.load_w
    elif case == "unlimited":
        plan.load_w *= u(1.7, 2.4)
        plan.regulator /= 2.0
        plan.limit_w = 4095.0
    elif case == "memory":
        plan.error_rate = 1 / u(15, 90)
    elif case == "core":
        plan.error_rate, plan.error_core = 1 / u(8, 60), 2


class Body:
    """The thermal network: nodes die, lid, plate, then fin pieces or radiator passes with their water, case air."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._moves: dict[int, tuple[FloatArray, FloatArray]] = {}
        self.names = ["die", "lid", "plate"]
        self.names += [f"water{i}" for i in range(4)] if plan.liquid else []
        self.names += [f"fin{i}" for i in range(3 if plan.liquid else _PIECES)] + ["case"]
        self.at = {name: i for i, name in enumerate(self.names)}

    def _rates(self, fan: float) -> tuple[FloatArray, FloatArray]:
        """Return A, b of dT/dt = A T + B (die power, board power, room)."""
        p, n = self.plan, len(self.names)
        flows = np.zeros((n, n))

        def link(a: str, b: str, w_per_k: float) -> None:
            i, j = self.at[a], self.at[b]
            flows[i, i] -= w_per_k
            flows[j, j] -= w_per_k
            flows[i, j] += w_per_k
            flows[j, i] += w_per_k

        link("die", "lid", 1 / p.r_die)
        link("lid", "plate", 1 / p.r_joint)
        air = 0.0 if p.fan_stands else fan**0.65
        to_air = (1 / p.still + (1 - 1 / p.still) * air) / p.fin
        fins = [name for name in self.names if name.startswith("fin")]
        if p.liquid:
            self._water(flows, link)
        else:
            link("plate", fins[0], 1 / (p.r_base + 0.01))
            for a, b in itertools.pairwise(fins):
                link(a, b, 60.0)
        for name in fins:
            link(name, "case", to_air / len(fins))
        ambient = (0.3 + 0.7 * fan) / p.r_case
        flows[-1, -1] -= ambient
        c = self._capacities(fins)
        gains = np.zeros((n, 3))
        gains[0, 0] = 1.0
        gains[-1] = (0.0, 1.0, ambient)
        return flows / c[:, None], gains / c[:, None]

    def _water(self, flows: FloatArray, link: Callable[[str, str, float], None]) -> None:
        """Water goes round: block, then three passes of the radiator; each pass hands its water on."""
        carried = 69.4 * self.plan.flow
        link("plate", "water0", 1 / self.plan.r_base)
        for i in range(4):
            here, before = self.at[f"water{i}"], self.at[f"water{(i - 1) % 4}"]
            flows[here, here] -= carried
            flows[here, before] += carried
        for i in range(3):
            link(f"water{i + 1}", f"fin{i}", 35.0)

    def _capacities(self, fins: list[str]) -> FloatArray:
        p = self.plan
        c = {"die": p.c["die"], "lid": p.c["lid"], "plate": p.c["plate"], "case": p.c["case"]}
        c |= {name: p.c["fins"] / len(fins) for name in fins}
        c |= {f"water{i}": p.c["water"] / 4 for i in range(4)}
        return np.array([c[name] for name in self.names])

    def move(self, temps: FloatArray, level: int, inputs: FloatArray) -> FloatArray:
        """One second on."""
        if level not in self._moves:
            from scipy.linalg import expm

            a, b = self._rates(max(level, 1) / _LEVELS)
            n = len(a)
            whole = np.zeros((n + 3, n + 3))
            whole[:n, :n], whole[:n, n:] = a, b
            step = expm(whole)
            self._moves[level] = step[:n, :n], step[:n, n:]
        decay, driven = self._moves[level]
        return np.asarray(decay @ temps + driven @ inputs)


class Second:
    """One machine in time, with its sensors and a recorder."""

    def __init__(self, plan: Plan, seed: int) -> None:
        self.plan, self.body = plan, Body(plan)
        self.rng = np.random.default_rng([seed, 77])
        self.temps = np.full(len(self.body.names), plan.ambient_c)
        self.t_s, self.share, self.fan, self.clock, self.power_w = 0.0, 0.0, 0.4, 1.0, plan.idle_w
        self.vrm_c, self.errors, self.last_core = plan.ambient_c, 0, 0
        self.rows: list[dict[str, float]] = []
        self.times: list[float] = []
        self.events: list[Event] = []
        self.stages: list[StageSpan] = []
        self.shown_c = plan.ambient_c
        for _ in range(90 if plan.case == "flow-stopped" else 3000):
            self.second()

    def second(self) -> None:
        """Move on by one second; nothing is recorded."""
        p = self.plan
        die = self.temps[0]
        reference = p.idle_w + self.share * (p.load_w - p.idle_w) * self.clock**2.2
        self.power_w = reference * (1 + p.leak * (min(die, 120.0) - 50))
        level = round(self.fan * _LEVELS)
        self.temps = self.body.move(self.temps, level, np.array([self.power_w, p.board_w, p.ambient_c]))
        watched = self.temps[self.body.at["water1" if p.liquid else "case"]]
        low, high = (p.ambient_c * 0 + 28.0, 42.0) if p.liquid else (27.0, 38.0)
        target = 0.4 + 0.6 * min(1.0, max(0.0, (watched - low) / (high - low)))
        self.fan += (target - self.fan) * 0.1
        self.vrm_c += (self.temps[-1] + p.regulator * self.power_w - self.vrm_c) / 120.0
        too_hot = self.temps[0] > p.limit_c or self.vrm_c > p.pin_c
        self.clock = max(0.25, self.clock - 0.15) if too_hot else min(1.0, self.clock + 0.05)
        if self.vrm_c > p.pin_c - 8 and self.clock < 0.9:
            self.clock = 0.3
        if self.share > 0 and p.error_rate and self.rng.random() < p.error_rate * self.share:
            self.errors += 1
            self.last_core = int(self.rng.integers(6)) if p.error_core is None else p.error_core
        self.shown_c += (self.temps[0] - self.shown_c) * 0.7  # the sensor averages over about a second
        self.t_s += 1.0

    def record(self, seconds: int, share: float, trip_c: float) -> bool:
        """Run on and record; return whether the trip limit ended it."""
        if share != self.share:
            self.events.append(Event(t_s=self.t_s, kind="load", detail={"share": 1.0 if share else 0.0}))
            self.share = share
        for _ in range(seconds):
            before = self.errors
            self.second()
            self._row()
            if self.errors > before:
                self.events.append(Event(t_s=self.t_s, kind="compute-error", detail={"core": self.last_core}))
            if self.rows[-1]["die_temp_c"] >= trip_c:
                return True
        return False

    def _row(self) -> None:
        p, noise = self.plan, self.rng.standard_normal(8)
        temp = dict(zip(self.body.names, self.temps, strict=True))
        die = p.stuck_c if p.stuck_c is not None else self.shown_c + p.offset_k + 0.3 * noise[0]
        row = {
            "die_temp_c": round(2 * float(die)) / 2,
            "ambient_temp_c": p.ambient_c + 0.05 * noise[1],
            "package_power_w": self.power_w * (1 + 0.004 * noise[2]),
            "core_clock_mhz": 4200.0 * self.clock if self.share else 800.0,
            "busy_share": self.share,
            "load_share": 1.0 if self.share else 0.0,
            "compute_errors": float(self.errors) if self.share else math.nan,
            "cpu_fan_speed_rpm": 0.0 if p.fan_stands else 1800 * self.fan + 5 * noise[3],
            "cpu_fan_duty_share": self.fan,
            "rail_12v_v": round((12.05 - p.droop * self.power_w + 0.006 * noise[4]) / 0.016) * 0.016,
            "plate_temp_c": temp["plate"] + 0.3 * noise[5] * 0.2,
        }
        if p.liquid:
            row["pump_speed_rpm"] = 2500 + 6 * noise[6]
            row["coolant_temp_c"] = temp["water1"] + 0.1 * noise[7]
        self.rows.append(row)
        self.times.append(self.t_s)

    def stage(self, name: str, kind: str, start_s: float, ended: str) -> None:
        """Note a stage that ran until now."""
        self.stages.append(
            StageSpan(name=name, kind=StageKind(kind), start_s=start_s, end_s=self.t_s, ended=StageEnd(ended))
        )


def run_second(case: str, seed: int) -> tuple[Trace, str]:
    """Measure one machine as the desktop profiles do; return the trace and its true cause."""
    plan = draw(case, seed)
    machine = Second(plan, seed)
    trip_c = min(95.0, plan.limit_c - 3)
    machine.record(_IDLE_S, 0.0, math.inf)
    machine.stage("idle", "idle", machine.t_s - _IDLE_S, "settled")
    idle_c = machine.rows[-1]["die_temp_c"]
    outcome = "stopped"
    if idle_c < 50 and idle_c - plan.ambient_c < 25:
        outcome = _loads(machine, trip_c)
    start_s = machine.t_s
    machine.record(_COOL_S, 0.0, math.inf)
    machine.stage("cooldown", "cooldown", start_s, "time")
    return _trace(machine, f"{case}-{seed}", outcome), CASES[case]


def _loads(machine: Second, trip_c: float) -> str:
    start_s = machine.t_s
    for _ in range(4):
        if machine.record(5, 0.25, trip_c) or machine.record(55, 0.0, trip_c):
            machine.stage("pulses", "load", start_s, "tripped")
            return "tripped"
    machine.stage("pulses", "load", start_s, "time")
    start_s = machine.t_s
    tripped = machine.record(_LOAD_S, 1.0, trip_c)
    machine.stage("load", "load", start_s, "tripped" if tripped else "time")
    return "tripped" if tripped else "completed"


def _trace(machine: Second, run_id: str, outcome: str) -> Trace:
    names = sorted(machine.rows[0])
    t_s = np.array(machine.times)
    facts: dict[str, Any] = {
        "simulated": True,
        "outcome": outcome,
        "cause": None,
        "channels": {"die_temp_c": {"limit": machine.plan.limit_c, "resolution": 0.5}},
        "machine": {"cores": 6, "power_limits_w": {"long_term": machine.plan.limit_w}},
    }
    columns = {name: np.array([row[name] for row in machine.rows]) for name in names}
    return Trace(
        run_id=run_id,
        facts=facts,
        profile=None,
        stages=tuple(machine.stages),
        t_s=t_s,
        utc_s=t_s + 1.8e9,
        columns=columns,
        events=tuple(machine.events),
    )
