"""A simulated machine whose second die has lost its contact, and plans for it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any
from unittest import mock

from mock_hw.bench import SimulatedBench

# What ends the load is the temperature; a quarter of the cores for minutes needs no forecast.
PLAN = """
name = "two-dies"
title = "A quarter of the cores for some minutes"

[sampling]
period_s = 1.0

[requires]
channels = ["die_temp_c"]

[trip]
die_temp_c = { max = 70.0 }
stale_after_s = 3.0

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 20
gate = { channel = "die_temp_c", max = 60.0 }

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 55, count = 4, workers = "quarter" }

[[stage]]
name = "load"
kind = "load"
load = { work = "linear-algebra", pattern = "steady", workers = "quarter" }
max_duration_s = 300

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 60
"""


class _Hottest(SimulatedBench):
    """Keeps how hot the second die truly became."""

    hottest_c = 0.0

    def advance_to(self, t_s: float) -> None:
        super().advance_to(t_s)
        type(self).hottest_c = max(type(self).hottest_c, self.machine.second_die_c)


@contextmanager
def second_die(die_to_lid_k_per_w: float) -> Iterator[Any]:
    """Give every simulated machine a second die with such a way to the lid, K/W; yields what remembers the hottest."""
    kept = type("_Kept", (_Hottest,), {})
    made = partial(kept, second_die_k_per_w=die_to_lid_k_per_w)
    with mock.patch("mock_hw.bench.SimulatedBench", made):
        yield kept
