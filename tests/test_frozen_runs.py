"""Whole runs on simulated machines: a temperature that freezes is found, and no sound one is accused.

The small, seeded form of the benchmark `sensor-quality` (`frozen_under_load`); its thousands of runs count the share.
"""

from __future__ import annotations

import pytest

from tests.benchmarks._frozen import IDLE_S, LOAD_S, draw, run_one
from verifyrig.rig.dip import ANSWER_WITHIN_S
from verifyrig.rig.dips import DIP_EVERY_S

SEED = 7
# One period of the slowest sampling, and one for the sample at which a dip that is due begins.
PERIODS_S = 2 * 2.0


@pytest.mark.parametrize("number", range(12))
def test_no_sound_machine_is_accused(number: int) -> None:
    ran = run_one(draw(number, SEED))
    assert (dict(ran.stuck_s), ran.trip) == ({}, None) and not ran.refused


@pytest.mark.parametrize("channel", ["die_temp_c", "core_2_temp_c", "plate_temp_c"])
@pytest.mark.parametrize(("number", "after_s"), [(0, 2.0), (1, 15.0), (2, 60.0), (5, 150.0)])
def test_a_temperature_that_freezes_under_load_is_found_by_the_next_dip(
    number: int, after_s: float, channel: str
) -> None:
    from_s = IDLE_S + after_s
    ran = run_one(draw(number, SEED), frozen=channel, from_s=from_s)
    assert set(ran.stuck_s) <= {channel}
    trip_s = [ran.trip["t_s"]] if ran.trip is not None and ran.trip["channel"] == channel else []
    found_s = min([*ran.stuck_s.values(), *trip_s])
    assert found_s - from_s <= DIP_EVERY_S + ANSWER_WITHIN_S + PERIODS_S
    assert found_s < IDLE_S + LOAD_S
    # A reading that no trip limit needs is found once, and not asked again at the price of the load.
    assert sum(dip_s > ANSWER_WITHIN_S / 2 for dip_s in ran.dips_s) <= 1
    assert trip_s or channel not in ("die_temp_c", "plate_temp_c")
