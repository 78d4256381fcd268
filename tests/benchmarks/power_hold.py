"""How well a power is held on simulated hardware, with noise, one-second refresh and a step in the machine's own power.

Alternative beside it: the fixed share that gave the target when it was chosen, as one does without a controller.
"""

from __future__ import annotations

import random
import statistics
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from mock_hw.bench import SimulatedBench
from verifyrig.core.interfaces import LoadDemand
from verifyrig.loads.file_load import FileLoad
from verifyrig.loads.hold import HoldController

PERIOD_S = 1.0
NOISE_SHARE = 0.01
STEP_AT_S = 60.0
END_S = 120.0
SETTLING_S = 20.0
# Something else on the machine takes up this share of the processor from `STEP_AT_S` on.
BACKGROUND_SHARE = 0.12
ENERGY = "sys/devices/virtual/powercap/intel-rapl/intel-rapl:0/energy_uj"

Steer = Callable[[float, float], float]


class Meter:
    """Package power as a run reads it: energy over the last second, with noise."""

    def __init__(self, bench: SimulatedBench, seed: int) -> None:
        self._file = bench.root / ENERGY
        self._random = random.Random(seed)
        self._range_uj = int((bench.root / ENERGY).with_name("max_energy_range_uj").read_text())
        self._before_uj = int(self._file.read_text())

    def read_w(self) -> tuple[float, float]:
        """Return the mean power since the last call as it is, and as it reads, W."""
        now_uj = int(self._file.read_text())
        power_w = (now_uj - self._before_uj) % self._range_uj / 1e6 / PERIOD_S
        self._before_uj = now_uj
        return power_w, power_w * (1 + self._random.gauss(0, NOISE_SHARE))


def trace(case: str, seed: int, steer: Steer, first_share: float) -> Iterator[tuple[float, float]]:
    """Yield time and true power, s and W, while the duty follows `steer(t_s, reading_w)`."""
    with tempfile.TemporaryDirectory() as folder, SimulatedBench(case, seed, Path(folder) / "machine") as bench:
        load = FileLoad(bench.root)
        load.start(LoadDemand(work="linear-algebra"))
        meter = Meter(bench, seed)
        share, start_s, t_s = first_share, bench.elapsed_s, 0.0
        while t_s < END_S:
            load.set_share(share + (BACKGROUND_SHARE if t_s >= STEP_AT_S else 0.0))
            t_s += PERIOD_S
            bench.advance_to(start_s + t_s)
            power_w, reading_w = meter.read_w()
            yield t_s, power_w
            share = steer(t_s, reading_w)
        load.close()


def powers_w(case: str, seed: int) -> tuple[float, float]:
    """Return the power while idle and, a few seconds into it, at full duty, W."""
    found = [list(_first(case, seed, share)) for share in (0.0, 1.0)]
    return found[0][-1], found[1][-1]


def _first(case: str, seed: int, share: float) -> Iterator[float]:
    for t_s, power_w in trace(case, seed, lambda _t, _w: share, share):
        yield power_w
        if t_s >= 4:
            return


def worst_error(points: list[tuple[float, float]], target_w: float, from_s: float, to_s: float) -> float:
    """Return the largest deviation of a five-second mean from the target, as a share of the target."""
    kept = [power_w for t_s, power_w in points if from_s < t_s <= to_s]
    means = [statistics.fmean(kept[i : i + 5]) for i in range(len(kept) - 4)]
    return max(abs(mean - target_w) / target_w for mean in means)


def hold_once(case: str, seed: int, place: float) -> dict[str, float]:
    """Return the worst errors with and without a controller, before and after the step.

    Args:
        case, seed: The machine.
        place: Where between idle and full power the target lies, 0 to 1.
    """
    idle_w, full_w = powers_w(case, seed)
    target_w = idle_w + place * (full_w - idle_w)
    controller = HoldController(target_w, kind="power", initial_share=0.5)
    held = list(trace(case, seed, controller.update, controller.share))
    fixed = list(trace(case, seed, lambda _t, _w: place, place))
    singles = [abs(w - target_w) / target_w for t, w in held if SETTLING_S < t <= STEP_AT_S or t > STEP_AT_S + 20]
    return {
        "held": worst_error(held, target_w, SETTLING_S, STEP_AT_S),
        "held_after_step": worst_error(held, target_w, STEP_AT_S + SETTLING_S, END_S),
        "held_single_seconds": max(singles),
        "fixed": worst_error(fixed, target_w, SETTLING_S, STEP_AT_S),
        "fixed_after_step": worst_error(fixed, target_w, STEP_AT_S + SETTLING_S, END_S),
    }


def measure(full: bool = True) -> dict[str, object]:
    """Return worst and median errors over machines drawn at random."""
    cases = ("healthy-air", "healthy-liquid")
    # With the background load on, targets below its own power or close to full power cannot be held by anybody.
    places = (0.3, 0.5, 0.8)
    runs = [hold_once(case, seed, place) for seed in range(1, 21 if full else 3) for case in cases for place in places]
    columns = {name: [run[name] for run in runs] for name in runs[0]}
    return {
        "simulated hardware": True,
        "runs": len(runs),
        "worst_share_off": {name: max(values) for name, values in columns.items()},
        "median_share_off": {name: statistics.median(values) for name, values in columns.items()},
        "within_3_percent": sum(max(run["held"], run["held_after_step"]) <= 0.03 for run in runs) / len(runs),
        "ratio": statistics.median(columns["fixed_after_step"]) / statistics.median(columns["held_after_step"]),
    }
