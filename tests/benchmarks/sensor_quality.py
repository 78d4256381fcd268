"""How surely wrong readings are found, and how seldom right ones are accused, on simulated hardware.

The alternative is what a reader of sensor files does: believe every number within -40 to 126 °C.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import statistics
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from mock_hw.bench import SimulatedBench
from mock_hw.tree.load_file import format_load
from tests.benchmarks._frozen import IDLE_S as IDLE_IN_RUN_S
from tests.benchmarks._frozen import LOAD_S as LOAD_IN_RUN_S
from tests.benchmarks._frozen import draw, run_one
from verifyrig.core.interfaces import Quality, Reading, Sensor, Taken
from verifyrig.rig.dip import ANSWER_WITHIN_S
from verifyrig.rig.dips import DIP_EVERY_S
from verifyrig.sensors.bank import Bank, list_channels
from verifyrig.sensors.cross_check import cold_start_disagreement
from verifyrig.sensors.find import close_all

SEED = 20_260_301
HEALTHY = ("healthy-air", "healthy-liquid")
IDLE_S, LOAD_S, AFTER_S = 60.0, 150.0, 60.0
FIND_WITHIN_S = 60.0
SENTINELS_C = (127.0, 128.0, -128.0, 255.0, -127.0, -273.15, 0.0)


@dataclass
class Spoilt:
    """A sensor whose value is replaced from some moment on: None as it is, else by what `spoil` makes of it."""

    sensor: Sensor
    spoil: Callable[[float, float], float] | None = None
    now_s: float = 0.0
    held: float | None = None

    @property
    def info(self) -> Any:
        return self.sensor.info

    def read(self) -> Taken:
        taken = self.sensor.read()
        return taken if self.spoil is None else Taken(self.spoil(self.now_s, taken.value), taken.age_s)

    def close(self) -> None:
        self.sensor.close()


@dataclass
class Scene:
    """One simulated machine with its bank, sampled on the virtual clock."""

    machine: SimulatedBench
    bank: Bank
    sensors: dict[str, Spoilt]
    period_s: float
    now_s: float = 0.0
    share: float = 0.0
    found: dict[str, Counter[str]] = field(default_factory=dict)

    def steps(self, seconds: float, share: float) -> Iterator[tuple[float, dict[str, Reading]]]:
        """Sample for some time under a share."""
        self._command(share)
        for _ in range(round(seconds / self.period_s)):
            self.now_s += self.period_s
            self.machine.advance_to(self.now_s)
            for sensor in self.sensors.values():
                sensor.now_s = self.now_s
            yield self.now_s, self.bank.sample(self.now_s, load_share=share)

    def _command(self, share: float) -> None:
        self.share = share
        (self.machine.root / "verifyrig/load").write_text(format_load(share))


def scene(case: str, seed: int, folder: Path, *, start: str = "rest", period_s: float = 1.0) -> Scene:
    """Lay out a simulated machine with probes at room and plate."""
    root = folder / f"{case}-{seed}-{start}"
    machine = SimulatedBench(case, seed, root, probes=("room", "plate"), start=start)  # type: ignore[arg-type]
    made: list[Scene] = []
    found = list_channels(root, {}, now_s=lambda: made[0].now_s if made else 0.0)
    close_all(s for s in found if s.info.channel is None)
    sensors = {s.info.channel: Spoilt(s) for s in found if s.info.channel is not None}
    made.append(Scene(machine, Bank(list(sensors.values())), sensors, period_s))
    return made[0]


def leave(the: Scene) -> None:
    """Close the files."""
    the.bank.close()
    the.machine.close()


def false_alarms(runs: int, folder: Path) -> dict[str, Any]:
    """Count channels of healthy machines that were accused at any time of a run of idle, load and idle."""
    accused: list[str] = []
    channel_runs = 0
    for i in range(runs):
        the = scene(HEALTHY[i % 2], SEED + i, folder, period_s=(0.5, 1.0)[i // 2 % 2])
        bad: dict[str, str] = {}
        for seconds, share in ((IDLE_S, 0.0), (LOAD_S, 1.0), (AFTER_S, 0.0)):
            for t_s, readings in the.steps(seconds, share):
                for channel, reading in readings.items():
                    if not reading.ok and t_s > 1.0:
                        bad.setdefault(
                            channel, f"{the.machine.root.name} {channel} t={t_s:g} {reading.quality} {reading.note}"
                        )
        channel_runs += len(the.sensors)
        accused += bad.values()
        leave(the)
    return {
        "channel_runs": channel_runs,
        "accused": len(accused),
        "share": len(accused) / channel_runs,
        "which": accused[:5],
    }


def stuck(runs: int, folder: Path) -> dict[str, Any]:
    """Count how often a die, core or plate reading that stands still is found within a minute of the power step."""
    dice = random.Random(SEED)
    found, missed = 0, []
    for i in range(runs):
        own_case = i % 2 == 0
        the = scene("sensor-stuck" if own_case else HEALTHY[i % 2], SEED + i, folder)
        channel = "die_temp_c" if own_case else dice.choice(("die_temp_c", "core_temp_c", "plate_temp_c"))
        channel = channel if channel in the.sensors else "die_temp_c"
        list(the.steps(IDLE_S, 0.0))
        if not own_case:
            value = the.sensors[channel].read().value
            the.sensors[channel].spoil = lambda _, __, value=value: value
        elif the.machine.parameters.sensors["die_temp_c"].stuck_from_s > 0:
            list(the.steps(the.machine.parameters.sensors["die_temp_c"].stuck_from_s + 5.0 - IDLE_S, 0.0))
        hit = any(readings[channel].quality is Quality.STUCK for _, readings in the.steps(FIND_WITHIN_S, 1.0))
        found += hit
        if not hit:
            missed.append(f"{the.machine.root.name} {channel}")
        leave(the)
    return {"runs": runs, "found_share": found / runs, "missed": missed[:5]}


def sentinels(runs: int, folder: Path) -> dict[str, Any]:
    """Count how often a code in place of a temperature is never taken for one, and what a range check lets pass."""
    dice = random.Random(SEED + 1)
    clean = plain = 0
    for i in range(runs):
        the = scene(HEALTHY[i % 2], SEED + i, folder)
        channel = dice.choice([c for c in the.sensors if c.endswith("_temp_c")])
        value = dice.choice(SENTINELS_C)
        list(the.steps(5.0, 0.0))
        the.sensors[channel].spoil = lambda _, __, value=value: value
        clean += not any(readings[channel].ok for _, readings in the.steps(FIND_WITHIN_S, 1.0))
        plain += not -40.0 <= value <= 126.0
        leave(the)
    return {"runs": runs, "found_share": clean / runs, "found_by_range_alone": plain / runs}


def refresh(runs: int, folder: Path) -> dict[str, Any]:
    """Count how often the die sensor's interval is known to within one sampling period a minute after the step."""
    period_s = 0.25
    right, errors = 0, []
    for i in range(runs):
        the = scene(HEALTHY[i % 2], SEED + i, folder, period_s=period_s)
        list(the.steps(FIND_WITHIN_S, 1.0))
        measured = the.bank.refresh_s("die_temp_c")
        true_s = the.machine.parameters.sensors["die_temp_c"].refresh_s
        right += measured is not None and abs(measured - true_s) <= period_s
        if measured is None or abs(measured - true_s) > period_s:
            errors.append(f"{measured} for {true_s:.2f}")
        leave(the)
    return {"runs": runs, "within_one_period_share": right / runs, "wrong": errors[:5]}


def offset(runs: int, folder: Path) -> dict[str, Any]:
    """Count how often a die that is 8 K and more off is found at a cold start, and how often a right one is."""
    found = 0
    accused = 0
    for i in range(runs):
        for case in ("sensor-offset", HEALTHY[i % 2]):
            the = scene(case, SEED + i, folder, start="cold")
            readings = the.bank.sample(0.0, load_share=0.0)
            ambient = readings["ambient_temp_c"].value
            off = cold_start_disagreement(readings, ambient) if ambient is not None else {}
            hit = "die_temp_c" in off or not readings["die_temp_c"].ok
            found += hit and case == "sensor-offset"
            accused += len(off) if case != "sensor-offset" else 0
            leave(the)
    return {"runs": runs, "found_share": found / runs, "healthy_channels_accused": accused}


def frozen(runs: int, *, jobs: int = 1) -> dict[str, Any]:
    """Count in whole runs who is called stuck though sound, and how soon a die, core or plate that froze is found.

    Zero false alarms in n runs mean fewer than 3/n of them with 95 % confidence (rule of three, Hanley and
    Lippman-Hand, JAMA 249 (1983) 1743); with some, the limit is the exact one of Clopper and Pearson.
    """
    from scipy.stats import beta

    tasks = [(i, i % 5 == 4) for i in range(runs + runs // 4)]
    if jobs > 1:
        with multiprocessing.Pool(jobs) as pool:
            ran = pool.map(_one_run, tasks, chunksize=4)
    else:
        ran = [_one_run(task) for task in tasks]
    loaded = [run for run in ran if not run.refused]
    sound = [run for run in loaded if not run.channel]
    accused = [run for run in sound if run.stuck_s]
    found_s = [run.found_after_s for run in loaded if run.found_after_s is not None]
    froze = [run for run in loaded if run.channel]
    k, n = len(accused), len(sound)
    return {
        "refused_runs": len(ran) - len(loaded),
        "sound_runs": n,
        "accused_runs": k,
        "tripped_runs": sum(run.trip is not None for run in sound),
        "accused_share_upper_95": float(beta.ppf(0.95, k + 1, n - k)),
        "which": [f"{run.name} {dict(run.stuck_s)}" for run in accused[:5]],
        "dips_a_run": sum(len(run.dips_s) for run in sound) / n,
        "dip_median_s": statistics.median([d for run in sound for d in run.dips_s] or [0.0]),
        "dip_longest_s": max((d for run in sound for d in run.dips_s), default=0.0),
        "share_of_load_dipped": sum(sum(run.dips_s) for run in sound) / (n * LOAD_IN_RUN_S),
        "cannot_be_asked_runs": sum(bool(run.not_possible) for run in sound),
        "frozen_runs": len(froze),
        "frozen_found": len(found_s),
        "found_after_median_s": statistics.median(found_s or [0.0]),
        "found_after_longest_s": max(found_s, default=0.0),
        "found_late": [f"{run.name} {run.channel} {run.found_after_s:.0f} s" for run in froze if _is_late(run)],
        "frozen_that_the_load_hardly_moves": sum(_is_mute(run) for run in froze),
        "not_found": [f"{run.name} {run.channel}" for run in froze if run.found_after_s is None and not _is_mute(run)],
    }


def _is_late(run: WholeRun) -> bool:
    """Return whether it took longer than from one dip to the end of the next, and a sample each."""
    return run.found_after_s is not None and run.found_after_s > DIP_EVERY_S + ANSWER_WITHIN_S + 4.0


def _is_mute(run: WholeRun) -> bool:
    """Return whether the run itself said that this reading could not be asked."""
    return run.found_after_s is None and run.channel in run.not_possible


@dataclass(frozen=True, slots=True, kw_only=True)
class WholeRun:
    """One whole run: of a sound machine, or with a `channel` that froze and how long after that it was found, s."""

    name: str
    channel: str
    refused: bool
    found_after_s: float | None
    stuck_s: dict[str, float]
    trip: str | None
    dips_s: list[float]
    not_possible: list[str]


def _one_run(task: tuple[int, bool]) -> WholeRun:
    number, freezes = task
    drawn = draw(number, SEED)
    dice = random.Random(f"{SEED}/freeze/{number}")
    channel = dice.choice(("die_temp_c", "die_temp_c", "core_2_temp_c", "plate_temp_c")) if freezes else ""
    from_s = IDLE_IN_RUN_S + dice.uniform(0.0, LOAD_IN_RUN_S - 90.0)
    ran = run_one(drawn, frozen=channel, from_s=from_s)
    # A die that froze at the start of the load trips as one that does not react, one that stands far from its cores as
    # one that cannot be believed, before it could be called stuck.
    tripped = ran.trip is not None and ran.trip["channel"] == channel
    at_s = ran.trip["t_s"] if tripped and ran.trip is not None else ran.stuck_s.get(channel)
    return WholeRun(
        name=f"{drawn}",
        channel=channel,
        refused=ran.refused,
        found_after_s=None if at_s is None else at_s - from_s,
        stuck_s=dict(ran.stuck_s),
        trip=None if ran.trip is None else str(ran.trip["rule"]),
        dips_s=ran.dips_s,
        not_possible=ran.not_possible,
    )


def measure(full: bool = True) -> dict[str, Any]:
    """Return shares found and the share of healthy channel-runs accused; the seed is fixed and given."""
    runs = 400 if full else 20
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        alarms = false_alarms(runs, folder)
        found = stuck(runs // 2, folder)
        codes = sentinels(runs // 2, folder)
        return {
            "simulated_hardware": True,
            "seed": SEED,
            "false_alarms": alarms,
            "stuck": found,
            "sentinel": codes,
            "refresh": refresh(runs // 4, folder),
            "offset_cold_start": offset(runs // 4, folder),
            "frozen_under_load": frozen(3200 if full else 40, jobs=os.cpu_count() or 1),
            "alternative": "believing every number from -40 to 126 °C finds no stuck reading and part of the codes",
            "ratio": codes["found_share"] / max(codes["found_by_range_alone"], 1e-9),
        }
