"""Steps of real machines: heatings and coolings out of traces that nobody here made, and of four cards measured here.

The two boards and the eight cards lie in the folder of traces (`../shared/traces`); the four cards in `tests/data`.
`ASIDE` names the series that no constant of the analysis was chosen by; all others were looked at while choosing.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from verifyrig.analysis.card_power import in_processor_terms
from verifyrig.core.heat_sources import CARD, DIE, HeatSource
from verifyrig.core.trace import FloatArray

__all__ = ["ASIDE", "RealStep", "board_steps", "card_steps", "real_steps", "server_steps"]

# Kept aside before anything was changed. The eight cards had been looked at by those who chose the prior of cards.
ASIDE = frozenset({"board_solid_top", "card 2", "card 4"})
DATA = Path(__file__).resolve().parent / "data"
CARD_LIMIT_W = 700.0
_LEAST_S = 80.0
_END_S = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RealStep:
    """One heating or cooling with all that was recorded before it.

    Attributes:
        series: The series that it is from.
        card: Whether it is a graphics card's.
        t_s, temp_c, share: Shape (n,): from the series' beginning to the end of this step.
        power_w: Shape (n,), a card's in a processor's terms; None where it was not measured.
        start: Place of the first sample after the step.
        before: Place of the first sample of the stage before it.
        resolution_k: Step of the sensor.
    """

    series: str
    card: bool
    t_s: FloatArray
    temp_c: FloatArray
    share: FloatArray
    power_w: FloatArray | None
    start: int
    before: int
    resolution_k: float

    @property
    def part(self) -> HeatSource:
        """What is heated."""
        return CARD if self.card else DIE

    @property
    def aside(self) -> bool:
        """Whether no constant was chosen by this series."""
        return self.series in ASIDE

    @property
    def heats(self) -> bool:
        """Whether the machine grows warmer."""
        return bool(self.share[self.start] > 0)

    @property
    def length_s(self) -> float:
        """How long it was recorded, s."""
        return float(self.t_s[-1] - self.t_s[self.start])

    @property
    def end_c(self) -> float:
        """Mean of the last 20 s, °C: where it settled, as far as it was recorded."""
        return float(np.mean(self.temp_c[self.t_s > self.t_s[-1] - _END_S]))

    def own(self) -> tuple[FloatArray, FloatArray]:
        """Return times since the step's first sample, s, and temperatures, °C."""
        return self.t_s[self.start :] - self.t_s[self.start], self.temp_c[self.start :]


def real_steps(traces: Path | None) -> list[RealStep]:
    """Return all steps of at least 80 s; without the folder of traces only those measured here."""
    found = list(card_steps())
    if traces is not None:
        for name in ("board_exhaust_fan", "board_solid_top"):
            found += board_steps(traces / f"{name}.csv")
        found += server_steps(traces / "eight_gpus_idle_to_load.csv")
    return [step for step in found if step.length_s >= _LEAST_S]


def seconds(stamps: list[str]) -> FloatArray:
    """Return times since the first, s."""
    times = np.array([datetime.fromisoformat(stamp.replace("Z", "+00:00")).timestamp() for stamp in stamps])
    return np.asarray(times - times[0])


def board_steps(path: Path) -> Iterator[RealStep]:
    """Yield the steps of a single-board computer that is heated and cooled in turn; no power, no room."""
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    t, temp = seconds([row["datetime"] for row in rows]), np.array([float(row["temp"]) for row in rows])
    busy = np.array([row["obs_type"] in ("warmup", "max") for row in rows])
    # The load comes on after `min` and goes off after `max`, rows that mark the turn.
    yield from _steps(path.stem, False, t, temp, busy.astype(np.float64), None, 0.538)


def server_steps(path: Path) -> Iterator[RealStep]:
    """Yield the heatings of eight server cards; their coolings were cut off after some seconds."""
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file, skipinitialspace=True))
    for number in range(8):
        own = [row for row in rows if int(row["gpu_index"]) == number]
        t, at = np.unique(seconds([row["timestamp"] for row in own]), return_index=True)
        temp, power = (np.array([float(row[key]) for row in own])[at] for key in ("temperature_C", "power_W"))
        loaded = np.flatnonzero(power > 300.0)
        share = np.zeros(len(t))
        share[loaded[0] : loaded[-1] + 1] = 1.0
        yield from _steps(f"server card {number}", True, t, temp, share, power, 1.0)


def card_steps(path: Path = DATA / "four_cards.csv") -> Iterator[RealStep]:
    """Yield the steps of four cards measured here, without those whose load came in blocks."""
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    t = np.array([float(row["t_s"]) for row in rows])
    for number in range(1, 5):
        temp, power, share = (
            np.array([float(row[f"{key}_{number}"]) for row in rows]) for key in ("temp", "power", "share")
        )
        for step in _steps(f"card {number}", True, t, temp, share, power, 1.0):
            if step.share[step.start] in (0.0, 1.0):
                yield step


def _steps(
    series: str, card: bool, t: FloatArray, temp: FloatArray, share: FloatArray, power: FloatArray | None, step_k: float
) -> Iterator[RealStep]:
    watts = None if power is None else in_processor_terms(power, CARD_LIMIT_W)
    marks = [0, *(int(i) + 1 for i in np.flatnonzero(np.diff(share))), len(t)]
    for before, (a, b) in zip(marks, pairwise(marks[1:]), strict=False):
        yield RealStep(
            series=series, card=card, t_s=t[:b], temp_c=temp[:b], share=share[:b],
            power_w=None if watts is None else watts[:b], start=a, before=before, resolution_k=step_k,
        )  # fmt: skip
