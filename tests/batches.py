"""Invented batches of units, with a seed: what a sound model's runs look like, and faults to plant in them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np

from verifyrig.core.profile import LoadPlan, Profile, Stage, StageKind, Threshold, WorkName
from verifyrig.qa import UnitFigure, UnitRun
from verifyrig.qa.bench_check import check_bench
from verifyrig.qa.golden_charts import GoldenChart

START_UTC_S = 1_770_000_000.0

PROFILE = Profile(
    name="build-air",
    title="Invented build line",
    text="",
    recipe="recipe-1",
    stages=(
        Stage(name="idle", kind=StageKind.IDLE, max_duration_s=120.0),
        Stage(name="load", kind=StageKind.LOAD, load=LoadPlan(work=WorkName.LINEAR_ALGEBRA), max_duration_s=900.0),
    ),
    thresholds=(
        Threshold(metric="load.die_temp_c.rise", maximum=60.0),
        Threshold(metric="load.thermal_resistance", maximum=0.50),
        Threshold(metric="load.compute_errors", maximum=0.0),
    ),
)


def unit_run(
    number: int,
    rng: np.random.Generator,
    *,
    contact_factor: float = 1.0,
    fins_factor: float = 1.0,
    ambient_c: float | None = None,
) -> UnitRun:
    """Return the run of one invented unit: three resistances in a row, about 3 % apart from unit to unit.

    Args:
        contact_factor: Multiplies the step from die to plate.
        fins_factor: Multiplies the step from fins to air.
        room_c: Room; drawn about 22 °C if None.
    """
    spread = rng.normal(1.0, 0.03, 3)
    contact, pipes, fins = 0.15 * spread[0] * contact_factor, 0.08 * spread[1], 0.12 * spread[2] * fins_factor
    ambient = float(rng.normal(22.0, 0.5)) if ambient_c is None else ambient_c
    power_w = float(rng.normal(120.0, 1.5)) * (1 + 0.004 * max(0.0, ambient - 22.0))
    total = contact + pipes + fins

    def figure(value: float, u95: float, unit: str) -> UnitFigure:
        return UnitFigure(value=float(value), u95=u95, unit=unit)

    return UnitRun(
        run=f"20260202-08{number:02d}00-test",
        unit=f"unit-{number:02d}",
        batch=f"batch-{1 + number // 10}",
        model="invented model",
        recipe="recipe-1",
        version="1",
        started_utc_s=START_UTC_S + 900.0 * number,
        ambient_c=ambient,
        states={"panel": "closed"},
        simulated=True,
        metrics={
            "load.die_temp_c.rise": figure(power_w * total, 1.2, "K"),
            "load.die_temp_c.settled": figure(ambient + power_w * total, 1.2, "°C"),
            "load.thermal_resistance": figure(total, 0.02, "K/W"),
            "load.thermal_impedance_5s": figure(contact, 0.008, "K/W"),
            "load.thermal_impedance_60s": figure(contact + pipes, 0.01, "K/W"),
            "load.thermal_impedance_600s": figure(total, 0.012, "K/W"),
            "load.package_power_w.mean": figure(power_w, 3.0, "W"),
            "load.compute_errors": figure(0.0, 0.0, "1"),
        },
    )


def batch(n: int = 30, seed: int = 1) -> list[UnitRun]:
    """Return `n` sound units."""
    rng = np.random.default_rng(seed)
    return [unit_run(number, rng) for number in range(n)]


OVER_LIMIT, MOUNTING_FAULT, WARM_ROOM = 7, 15, 23


def batch_with_three_faults(seed: int = 1) -> list[UnitRun]:
    """Return 30 units: one over the limit, one mounting fault inside it, one run in a warm room."""
    rng = np.random.default_rng(seed)
    planted = {
        OVER_LIMIT: {"fins_factor": 3.0},
        MOUNTING_FAULT: {"contact_factor": 1.4},
        WARM_ROOM: {"ambient_c": 34.0},
    }
    return [unit_run(number, rng, **planted.get(number, {})) for number in range(30)]


def again(run: UnitRun, metrics: dict[str, UnitFigure], *, later_s: float = 7200.0) -> UnitRun:
    """Return a later attempt of the same unit with some figures changed."""
    return replace(
        run,
        run=run.run.replace("-test", "-more"),
        rework="cooler-again",
        started_utc_s=run.started_utc_s + later_s,
        metrics={**run.metrics, **metrics},
    )


def drifting_batch(n: int = 30, seed: int = 2) -> list[UnitRun]:
    """Return a batch whose fins choke by and by: the resistance rises by a sixth from its first unit to its last."""
    rng = np.random.default_rng(seed)
    return [unit_run(number, rng, fins_factor=1 + 0.5 * number / n) for number in range(n)]


def three_benches(n: int = 36, seed: int = 4) -> list[UnitRun]:
    """Return a batch measured on three benches in turn, of which the third reads 6 % more."""
    rng = np.random.default_rng(seed)
    runs = [replace(unit_run(number, rng), batch="batch-1", bench=f"bench-{1 + number % 3}") for number in range(n)]
    return [_read_more(run, 1.06) if run.bench == "bench-3" else run for run in runs]


def _read_more(run: UnitRun, factor: float) -> UnitRun:
    thermal = ("load.die_temp_c.rise", "load.thermal_resistance", "load.thermal_impedance_5s",
               "load.thermal_impedance_60s", "load.thermal_impedance_600s")  # fmt: skip
    more = {name: run.metrics[name]._replace(value=(run.metrics[name].value or 0.0) * factor) for name in thermal}
    return replace(run, metrics={**run.metrics, **more})


def golden_charts(seed: int = 9) -> tuple[GoldenChart, ...]:
    """Return the charts of one golden unit on three benches, weekly, of which the second creeps by 8 % in 20 weeks."""
    rng = np.random.default_rng(seed)
    runs = []
    for week in range(20):
        for bench in (1, 2, 3):
            level = rng.normal(1.0, 0.004) * (1 + 0.08 * week / 20 if bench == 2 else 1)
            run = replace(
                unit_run(0, np.random.default_rng(1)), run=f"golden-{week:02d}-{bench}", unit="gold", batch=None,
                bench=f"bench-{bench}", started_utc_s=START_UTC_S + 604_800.0 * week + 3600 * bench,
            )  # fmt: skip
            runs.append(_read_more(run, level))
    return check_bench(runs, [], PROFILE, [], {}, date(2026, 7, 1)).golden
