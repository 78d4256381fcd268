"""Diagnosis of simulated machines: right cause first, beside two rules of thumb; other simulators; next tests.

Full: 19 cases × 200 machines, each measured once; what fewer sensors or a shorter run would have told is cut out of
the same run. The paired alternative is what a technician does with two figures: the temperature under load, and the
limits that people quote.
"""

from __future__ import annotations

import itertools
import math
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
from mock_hw.physics.network import steady_state
from mock_hw.physics.parameters import CASES, draw
from mock_hw.physics.parts import MachineParameters
from tests.benchmarks._diagnosis_campaign import campaign
from tests.benchmarks._diagnosis_machines import PLAIN, WITH_PROBES, run_machine
from tests.benchmarks._diagnosis_second import CASES as SECOND_CASES
from tests.benchmarks._diagnosis_second import run_second
from verifyrig.core.trace import Trace
from verifyrig.diagnosis import tables
from verifyrig.diagnosis.judging import judge, see
from verifyrig.diagnosis.readings import Readings
from verifyrig.diagnosis.suspects import MECHANISMS, cause_of

FULL, QUICK = 200, 3
# What idle and quarter pulses of 5 s cannot show: it needs minutes of heat, or minutes of work.
NOT_SHOWN_BY_PULSES = ("radiator-blocked", "case-choked", "vrm-hot", "memory-faulty", "core-faulty")
_OWN = ("package_power_w", "core_clock_mhz", "load_share", "busy_share", "work_rate_per_s", "compute_errors")
_DUTY = ("cpu_fan_duty_share",)


@dataclass(slots=True)
class Tally:
    """Counts of one campaign."""

    n: int = 0
    first: int = 0
    second: int = 0
    said: list[tuple[str, dict[str, float]]] = None  # type: ignore[assignment]
    by_case: dict[str, list[int]] = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        self.said, self.by_case = [], {}

    def add(self, case: str, cause: str, causes: dict[str, float], also_right: tuple[str, ...] = ()) -> None:
        """Count one machine; `also_right` are further answers that count as right."""
        order = sorted(causes, key=lambda c: -causes[c])
        right = (cause, *also_right)
        self.n += 1
        self.first += order[0] in right
        self.second += any(c in right for c in order[:2])
        self.said.append((cause, causes))
        row = self.by_case.setdefault(case, [0, 0])
        row[0] += 1
        row[1] += order[0] in right

    def figures(self) -> dict[str, Any]:
        """Return shares and scores."""
        shares = {case: round(good / n, 3) for case, (n, good) in sorted(self.by_case.items())}
        return {
            "machines": self.n,
            "first": self.first / self.n,
            "among_first_two": self.second / self.n,
            "brier": brier(self.said),
            "brier_of_always_saying_the_prior": brier([(c, _prior_causes()) for c, _ in self.said]),
            "first_by_case": shares,
        }


def measure(full: bool = True) -> dict[str, Any]:
    """Return all figures; the small form takes 3 machines a case."""
    found = machines_of_the_table(range(FULL if full else QUICK))
    found["outside_the_table"] = outside(range(FULL // 2 if full else 2))
    found["second_simulator"] = second(range(FULL // 2 if full else 2))
    found["next_tests"] = campaign(60 if full else 6)
    if full:
        draw_reliability(found["reliability"])
    return found


def machines_of_the_table(seeds: range) -> dict[str, Any]:
    """Every case of the table, each machine measured once and judged with less and less of its run."""
    plain, probes, record, pulses, thumb = Tally(), Tally(), Tally(), Tally(), Tally()
    for case, seed, parameters in _machines(seeds):
        whole = run_machine(parameters, seed, channels=WITH_PROBES, load_s=900)
        cause = CASES[case]
        plain.add(case, cause, judge(see(without_probes(whole))).causes)
        probes.add(case, cause, judge(see(whole)).causes)
        record.add(case, cause, judge(see(with_limit(whole, parameters))).causes)
        told = ("unknown",) if case in NOT_SHOWN_BY_PULSES or cause == "none" else ()
        pulses.add(case, cause, judge(see(only_pulses(whole))).causes, told)
        thumb.add(case, cause, rule_of_thumb(whole))
    bins = reliability(plain.said + probes.said)
    return {
        "die_power_room_speed_clock_rails_work": plain.figures(),
        "with_plate_and_coolant_probe": probes.figures(),
        "with_probes_and_the_limit_register": record.figures(),
        "rest_and_pulses_alone": pulses.figures(),
        "rest_and_pulses_of_what_they_can_show": shown_by_pulses(pulses),
        "rules_of_thumb": thumb.figures(),
        "ratio": plain.first / max(1, thumb.first),
        "reliability": bins,
    }


def shown_by_pulses(tally: Tally) -> float:
    """Return the share that was right first among the faults that idle and pulses of 5 s can show at all."""
    rows = [row for case, row in tally.by_case.items() if case not in NOT_SHOWN_BY_PULSES and CASES[case] != "none"]
    return sum(right for _, right in rows) / sum(n for n, _ in rows)


def _machines(seeds: range) -> Iterator[tuple[str, int, MachineParameters]]:
    for case in CASES:
        for seed in seeds:
            yield case, seed, draw(case, seed)


def without_probes(trace: Trace) -> Trace:
    """Return the trace with the plain channels only."""
    names = (*PLAIN, *_OWN, *_DUTY)
    return replace(trace, columns={name: values for name, values in trace.columns.items() if name in names})


def with_limit(trace: Trace, parameters: MachineParameters) -> Trace:
    """Return the trace with the firmware's stated limit, which is read where power is read."""
    machine = {**trace.facts["machine"], "power_limits_w": {"long_term": parameters.processor.long_limit_w}}
    return replace(trace, facts={**trace.facts, "machine": machine})


def only_pulses(trace: Trace) -> Trace:
    """Return what idle and pulses alone show, with the plain channels only."""
    stage = trace.stage("pulses")
    if stage is None or stage.end_s is None:
        return without_probes(trace)  # a gate closed: there was no load at all, only rest
    return without_probes(trace.until(stage.end_s))


def rule_of_thumb(trace: Trace) -> dict[str, float]:
    """What two figures tell: a fan that stands, a warm room, errors, else the die's temperature against quoted limits.

    Quoted limits: more than 30 K over the room while idle, more than 90 °C under load are bad: "dust and paste".
    """
    readings = Readings(trace)
    ambient = readings.ambient(0.0, readings.last_s)[0]
    top = float(np.nanmax(readings.column("die_temp_c")))
    idle = readings.mean("die_temp_c", 0.0, 60.0)
    errors = readings.column("compute_errors")
    fan = readings.mean("cpu_fan_speed_rpm", 30.0, readings.last_s)
    if fan < 60:
        said = "airflow"
    elif ambient > 31:
        said = "warm-room"
    elif np.isfinite(errors).any() and np.nanmax(errors) > 0:
        said = "memory"
    elif np.nanmin(readings.column("rail_12v_v")[1:]) < 11.4:
        said = "supply"
    elif idle - ambient > 30:
        said = "coolant-flow"
    elif top > 80 or trace.facts["outcome"] != "completed":
        said = "contact"
    else:
        said = "none"
    return {cause: 1.0 if cause == said else 0.0 for cause in _prior_causes()}


def _prior_causes() -> dict[str, float]:
    found: dict[str, float] = {}
    for mechanism, p in zip(MECHANISMS, tables.prior(), strict=True):
        found[cause_of(mechanism)] = found.get(cause_of(mechanism), 0.0) + float(p)
    return found


def brier(said: list[tuple[str, dict[str, float]]]) -> float:
    """Return the mean squared distance of all probabilities from what was true (0 best, 2 worst).

    Source: G. W. Brier, Monthly Weather Review 78 (1950) 1, the form over all classes.
    """
    return float(np.mean([sum((p - (c == true)) ** 2 for c, p in causes.items()) for true, causes in said]))


def reliability(said: list[tuple[str, dict[str, float]]]) -> list[dict[str, float]]:
    """Return for bins of said probability (every cause of every machine) how often it was so."""
    pairs = np.array([(p, c == true) for true, causes in said for c, p in among_simulated(causes).items()], dtype=float)
    edges = [0.02, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.97, 1.0001]
    found = []
    for low, high in itertools.pairwise(edges):
        own = pairs[(pairs[:, 0] >= low) & (pairs[:, 0] < high)]
        if len(own):
            found.append({"n": len(own), "said": float(own[:, 0].mean()), "so": float(own[:, 1].mean())})
    return found


def among_simulated(causes: dict[str, float]) -> dict[str, float]:
    """Return the probabilities given that the cause is one that the simulators can show: no lead, no graphics."""
    kept = {cause: p for cause, p in causes.items() if cause not in ("wiring", "graphics")}
    whole = sum(kept.values())
    return {cause: p / whole for cause, p in kept.items()}


def outside(seeds: range) -> dict[str, Any]:
    """Machines whose parameters lie outside the table: every one of the heat path's scaled by up to 1.5 or 1/1.5."""
    tally = Tally()
    for case, seed, parameters in _machines(seeds):
        rng = np.random.default_rng([seed, 5])
        for _ in range(40):
            factors = np.exp(rng.uniform(-math.log(1.5), math.log(1.5), 12))
            if _is_sellable(scaled(draw(_healthy(parameters), seed), factors)):
                break
        trace = run_machine(scaled(parameters, factors), seed, channels=WITH_PROBES, load_s=900)
        tally.add(case, CASES[case], judge(see(without_probes(trace))).causes)
    return tally.figures()


def _healthy(parameters: MachineParameters) -> str:
    return "healthy-liquid" if parameters.cooler == "liquid" else "healthy-air"


def _is_sellable(parameters: MachineParameters) -> bool:
    full = steady_state(parameters, 1.0)
    return full.clock_share == 1.0 and full.die_c < parameters.processor.limit_c - 8


def scaled(parameters: MachineParameters, factors: np.ndarray) -> MachineParameters:
    """Return the machine with its heat path scaled, factors of shape (12,)."""
    names: tuple[str, ...] = (
        "die_to_lid_k_per_w",
        "paste_k_per_w",
        "plate_to_next_k_per_w",
        "sink_to_air_k_per_w",
        "still_air_factor",
    )
    names += (
        "flow_l_per_min",
        "case_to_ambient_k_per_w",
        "die_j_per_k",
        "lid_j_per_k",
        "plate_j_per_k",
        "sink_j_per_k",
    )
    thermal = parameters.thermal
    changed = {name: getattr(thermal, name) * float(f) for name, f in zip(names, factors, strict=False)}
    processor = replace(parameters.processor, idle_w=parameters.processor.idle_w * float(factors[11]))
    return replace(parameters, thermal=replace(thermal, **changed), processor=processor)


def second(seeds: range) -> dict[str, Any]:
    """The second simulator: same figures, with the plain channels and with its probes."""
    plain, probes = Tally(), Tally()
    for case in SECOND_CASES:
        for seed in seeds:
            trace, cause = run_second(case, seed)
            plain.add(case, cause, judge(see(without_probes(trace))).causes)
            probes.add(case, cause, judge(see(trace)).causes)
    return {"plain": plain.figures(), "with_probes": probes.figures()}


def draw_reliability(bins: list[dict[str, float]], path: Path | None = None) -> None:
    """Write the reliability diagram as a picture for the docs."""
    path = path or Path(__file__).resolve().parents[2] / "docs" / "diagnosis-reliability.svg"
    path.parent.mkdir(exist_ok=True)
    path.write_text(reliability_svg(bins), encoding="utf-8")


def reliability_svg(bins: list[dict[str, float]]) -> str:
    """Return the reliability diagram: what was said against how often it was so, with the number of each bin."""

    def x(share: float) -> float:
        return 60 + 320 * share

    def y(share: float) -> float:
        return 370 - 320 * share

    lines = [
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 420 430" font-family="sans-serif" font-size="12">',
        "<title>Reliability of the diagnosis on simulated machines</title>",
        '<rect width="420" height="430" fill="#ffffff"/>',
        f'<path d="M{x(0)} {y(0)}L{x(1)} {y(1)}" stroke="#999999" stroke-dasharray="4 4"/>',
        f'<path d="M{x(0)} {y(1)}V{y(0)}H{x(1)}" stroke="#444444" fill="none"/>',
    ]
    for tick in (0.0, 0.25, 0.5, 0.75, 1.0):
        lines.append(f'<text x="{x(tick)}" y="388" text-anchor="middle">{tick:g}</text>')
        lines.append(f'<text x="52" y="{y(tick) + 4}" text-anchor="end">{tick:g}</text>')
    points = " ".join(f"{x(b['said']):.1f},{y(b['so']):.1f}" for b in bins)
    lines.append(f'<polyline points="{points}" fill="none" stroke="#0072B2" stroke-width="1.5"/>')
    for b in bins:
        lines.append(f'<circle cx="{x(b["said"]):.1f}" cy="{y(b["so"]):.1f}" r="4" fill="#0072B2"/>')
        lines.append(
            f'<text x="{x(b["said"]) + 7:.1f}" y="{y(b["so"]) + 14:.1f}" fill="#555555" font-size="10">{b["n"]}</text>'
        )
    lines += [
        '<text x="220" y="408" text-anchor="middle">probability that was said</text>',
        '<text x="18" y="210" transform="rotate(-90 18 210)" text-anchor="middle">share in which it was so</text>',
        '<text x="60" y="30">Simulated hardware; small numbers: answers behind each point</text>',
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def summary(found: Mapping[str, Any]) -> str:
    """Return the leading figures in one line."""
    return ", ".join(f"{k}: {v['first']:.1%}" for k, v in found.items() if isinstance(v, dict) and "first" in v)
