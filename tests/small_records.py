"""Writes small invented records of one model through the real writer, fast enough for dozens in a test."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Reading
from verifyrig.plan.text import parse_profile
from verifyrig.record import open_record

PROFILE_TEXT = """
name = "tiny-build"
title = "Invented short build profile"
reference_ambient_c = 25.0

[sampling]
period_s = 1.0

[requires]
channels = ["die_temp_c"]
one_of = [["ambient_temp_c", "inlet_temp_c"]]

[trip]
die_temp_c = { max = 95.0 }
stale_after_s = 3.0

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 60

[[stage]]
name = "load"
kind = "load"
load = { work = "linear-algebra", pattern = "steady", share = 0.25, workers = "quarter" }
max_duration_s = 240

[[threshold]]
metric = "load.die_temp_c.peak"
max = 75.0
why = "Invented."

[[threshold]]
metric = "load.compute_errors"
max = 0
why = "A count."
"""
# The room is typed: each temperature channel more costs as much again to analyse.
CHANNELS = ("die_temp_c", "package_power_w", "load_share", "compute_errors")
_START_UTC_S = 1_770_000_000.0
_IDLE_S, _END_S = 60.0, 300.0


def write_record(
    folder: Path,
    number: int,
    *,
    unit: str | None = None,
    k_per_w: float = 0.35,
    ambient_c: float = 22.0,
    errors: int = 0,
    load_ended: str = "time",
    facts: dict[str, Any] | None = None,
    profile_text: str = PROFILE_TEXT,
    close: bool = True,
) -> Path:
    """Write one record, sealed unless `close` is false; return its path."""
    profile = parse_profile(profile_text, origin="test")
    run = f"20260202-{8 + number // 3600:02d}{number // 60 % 60:02d}{number % 60:02d}-test"
    path = folder / f"{run}.sqlite"
    start = _START_UTC_S + 600.0 * number
    told = {
        "run": run,
        "profile_name": profile.name,
        "recipe": profile.recipe,
        "purpose": "build",
        "unit": unit or f"unit-{number:02d}",
        "batch": "batch-1",
        "simulated": True,
        "started_utc_s": start,
        "period_s": 1.0,
        "states": {"panel": "closed"},
        "ambient": {"value_c": ambient_c, "u95_k": 0.5, "source": "typed"},
        "machine": {"model": "invented model"},
        "outcome": "running",
        "cause": None,
        **(facts or {}),
    }
    writer = open_record(path, facts=told, profile_text=profile_text, channels=CHANNELS, live=False)
    _write_samples(writer, number, start, k_per_w, ambient_c, errors)
    writer.stage_ended("load", _END_S, load_ended)
    if not close:
        writer.abandon()
        return path
    for key, value in {"outcome": "completed", **(facts or {})}.items():
        writer.fact(key, value)
    writer.close()
    return path


def _write_samples(writer: Any, number: int, start: float, k_per_w: float, ambient_c: float, errors: int) -> None:
    rng = np.random.default_rng(number)
    k_per_w *= float(rng.normal(1.0, 0.01))
    t_s = np.arange(0.0, _END_S + 1.0)
    on = t_s >= _IDLE_S
    rise_k = 15.0 * k_per_w + np.where(on, 85.0 * k_per_w * (1 - np.exp(-(t_s - _IDLE_S) / 12.0)), 0.0)
    die_c = ambient_c + rise_k + rng.normal(0.0, 0.15, t_s.size)
    power_w = np.where(on, 100.0, 15.0) + rng.normal(0.0, 0.3, t_s.size)
    writer.stage_started("idle", "idle", 0.0)
    for at, t in enumerate(t_s.tolist()):
        if t == _IDLE_S:
            writer.stage_ended("idle", t, "time")
            writer.stage_started("load", "load", t)
            writer.event(t, EventKind.LOAD, {"share": 1.0})
        values = (die_c[at], power_w[at], float(on[at]), float(errors if on[at] else 0))
        readings = {name: Reading(value=float(value)) for name, value in zip(CHANNELS, values, strict=True)}
        writer.sample(t, start + t, readings)
