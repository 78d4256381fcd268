"""The report of a long record: 24 h at 10 Hz with 20 channels, from samples in memory to the page of one file.

Beside it what a user would do instead, in the same run: keep every n-th sample, as many as the picture shows, and
all samples in one path. The first loses peaks, the second makes a page that no one can send.
"""

from __future__ import annotations

import re
import time
from typing import Any

import numpy as np

from tests import report_inputs
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.report.inputs import RunInput
from verifyrig.report.reduce import LinePiece
from verifyrig.report.render import EDITIONS, render
from verifyrig.report.svg import Scale, path_of

HOURS, RATE_HZ, SEED = 24.0, 10.0, 7
_SPIKES = 40


def measure(full: bool = True) -> dict[str, Any]:
    """Return seconds and bytes of each edition, and the peak in the picture against the record's."""
    before, after = (_run(name, HOURS if full else HOURS / 24, SEED + n) for n, name in enumerate(("before", "after")))
    report = report_inputs.report(before, after)
    figures: dict[str, Any] = {
        "hours": HOURS if full else HOURS / 24,
        "samples": len(after.trace.t_s),
        "channels": len(after.trace.columns),
        "runs": 2,
    }
    for edition in EDITIONS:
        render(report_inputs.fixed_report(), edition, now_utc=0.0)  # libraries loaded, templates compiled
        started = time.perf_counter()
        page = render(report, edition, now_utc=0.0)
        figures[f"{edition}_s"] = round(time.perf_counter() - started, 3)
        figures[f"{edition}_mb"] = round(len(page.encode()) / 1e6, 3)
        if edition == "customer":
            figures |= _peaks(page, after.trace)
    return figures | _instead(after.trace, figures)


def _run(name: str, hours: float, seed: int) -> RunInput:
    """A load of a day with short spikes: cycles of an hour, noise, single samples that lie above all others."""
    rng = np.random.default_rng(seed)
    n = round(hours * 3600 * RATE_HZ)
    t_s = np.arange(n) / RATE_HZ
    load = (t_s % 3600 > 600).astype(np.float64)
    die_c = 40.0 + 30.0 * load + rng.normal(0.0, 0.3, n)
    die_c[rng.choice(n, _SPIKES, replace=False)] += rng.uniform(5.0, 18.0, _SPIKES)
    names = (
        "core_temp_c", "plate_temp_c", "coolant_temp_c", "radiator_temp_c", "ambient_temp_c", "vrm_temp_c",
        "board_temp_c", "memory_temp_c", "drive_temp_c", "package_power_w", "wall_power_w", "cpu_fan_speed_rpm",
        "pump_speed_rpm", "case_fan_speed_rpm", "core_clock_mhz", "rail_12v_v", "rail_5v_v", "busy_share",
    )  # fmt: skip
    columns = {"die_temp_c": die_c, "load_share": load}
    columns |= {channel: 20.0 + 10.0 * load + rng.normal(0.0, 0.5, n) for channel in names}
    stages = (StageSpan(name="load", kind=StageKind.LOAD, start_s=0.0, end_s=float(t_s[-1]), ended=StageEnd.TIME),)
    facts = {"purpose": "baseline" if name == "before" else "verification"}
    start = report_inputs.DAY_UTC + (9000.0 if name == "after" else 0.0)
    one = report_inputs.trace(name, columns, stages, period_s=1 / RATE_HZ, started_utc_s=start, facts=facts)
    metrics = {"load.die_temp_c.settled": report_inputs.metric(70.0, "°C", 1.0)}
    return report_inputs.run_input(one, verdict="pass", metrics=metrics)


def _peaks(page: str, trace: Trace) -> dict[str, Any]:
    found = re.search(r'class="peak-after" data-peak="([\d.]+)"', page)
    line = re.search(r'<path d="([^"]+)"[^>]*class="line-after"', page)
    ring = re.search(r'cy="([\d.]+)"[^>]*class="peak-after"', page)
    assert found is not None and line is not None and ring is not None
    top = min(float(pair.split()[1]) for pair in re.findall(r"[\d.]+ [\d.]+", line[1]))
    record_c = float(np.nanmax(trace.columns["die_temp_c"]))
    return {
        "peak_in_record_c": record_c,
        "peak_in_picture_c": float(found[1]),
        "peak_equal": float(found[1]) == record_c,
        "line_reaches_peak": abs(top - float(ring[1])) < 0.011,  # coordinates have two decimals
    }


def _instead(trace: Trace, figures: dict[str, Any]) -> dict[str, Any]:
    """Every n-th sample, and all of them, for the one line of the first picture."""
    t_s, die_c = trace.t_s, trace.columns["die_temp_c"]
    every = die_c[:: max(1, len(die_c) // 1360)]
    x, y = Scale(0.0, float(t_s[-1]), 46.0, 700.0), Scale(20.0, 100.0, 228.0, 22.0)
    started = time.perf_counter()
    whole = path_of([LinePiece(t_s, die_c)], x, y)
    whole_s = time.perf_counter() - started
    lines = 2 * (1 + 6)  # two runs in the first picture and six strips
    return {
        "every_nth_peak_lost_k": round(float(die_c.max() - every.max()), 2),
        "all_samples_one_line_s": round(whole_s, 3),
        "all_samples_page_mb": round(lines * len(whole) / 1e6, 1),
        "ratio": round(lines * len(whole) / 1e6 / figures["customer_mb"], 1),
        "ratio_is": "bytes of a page with all samples over ours",
    }
