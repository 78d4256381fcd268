"""One table of plausible machines: what forecasts take for plausible is what the diagnosis draws, lump for lump."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.card_ranges import derived
from tests.real_series import card_steps
from verifyrig.analysis.forecast import forecast
from verifyrig.analysis.machine_ranges import CARD, FAULTY, SOUND
from verifyrig.analysis.prior import PLAUSIBLE, PLAUSIBLE_CARD, P
from verifyrig.core.heat_sources import CARD as CARD_PART
from verifyrig.core.trace import FloatArray
from verifyrig.diagnosis.draws import FAULTS, Machines, sound
from verifyrig.diagnosis.suspects import Mechanism


def lumps(machines: Machines) -> dict[P, FloatArray]:
    """Return what four lumps have to be for drawn machines: sums of neighbours in the chain."""
    capacity = machines.capacity_j_per_k
    return {
        P.DIE_CAPACITY: capacity[0] + capacity[1],
        P.PLATE_TO_SINK: machines.flow_k_per_w + machines.carry_k_per_w,
        P.PLATE_CAPACITY: capacity[2],
        P.SINK_CAPACITY: capacity[3] + capacity[4],
        P.SINK_TO_AIR: machines.sink_k_per_w,
        P.STILL_AIR: machines.still_factor,
        P.CASE_CAPACITY: capacity[5],
        P.CASE_TO_AMBIENT: machines.case_k_per_w,
        P.BOARD_POWER: machines.board_w,
    }


def test_the_forecasts_lumps_are_those_of_the_machines_that_the_diagnosis_draws() -> None:
    dice = np.random.default_rng(5)
    air, liquid = (sound(6000, cooler, dice) for cooler in ("air", "liquid"))
    for p, values in lumps(air).items():
        logs = np.log(np.concatenate((values, lumps(liquid)[p])))
        # Fenton's sum is that of mean and variance: its median lies some percent off that of the drawn ones.
        assert np.exp(np.mean(logs)) == pytest.approx(PLAUSIBLE.middle[p], rel=0.05), p
        # A tower's pipes are a share of it that differs, so that its spread and its share's both count: a tenth.
        assert 0.9 * float(np.std(logs)) < PLAUSIBLE.spread[p] < 1.25 * float(np.std(logs)), p


def test_a_contact_that_has_gone_bad_is_plausible_to_the_forecast() -> None:
    dice = np.random.default_rng(6)
    for mechanism in (Mechanism.PASTE, Mechanism.FILM):
        broken = FAULTS[mechanism](sound(2000, "air", dice), dice)
        logs = np.log((broken.die_k_per_w + broken.contact_k_per_w) / PLAUSIBLE.middle[P.DIE_TO_PLATE])
        assert float(np.quantile(logs, 0.9)) < 3 * float(PLAUSIBLE.spread[P.DIE_TO_PLATE])


@pytest.mark.parametrize(
    ("p", "k_per_w"),
    [
        (P.PLATE_TO_SINK, FAULTY["standing_k_per_w"].middle),
        (P.SINK_TO_AIR, SOUND["radiator_k_per_w"].middle * (1 + FAULTY["blocked_more"].middle)),
        (
            P.CASE_TO_AMBIENT,
            SOUND["case_k_per_w"].middle + FAULTY["choked_more"].middle * SOUND["tower_k_per_w"].middle,
        ),
    ],
)
def test_rare_faults_lie_within_the_tails(p: P, k_per_w: float) -> None:
    z = np.zeros((1, len(PLAUSIBLE.middle)))
    z[0, p] = 3.0
    assert PLAUSIBLE.values(z)[0, p] > k_per_w


def test_every_range_names_its_source() -> None:
    for table in (SOUND, FAULTY, CARD):
        assert all(row.source and row.spread > 0 for row in table.values())


def test_the_cards_ranges_are_what_the_measured_cards_show(shared_dir: Path) -> None:
    for name, (middle, spread) in derived(shared_dir / "traces").items():
        row = CARD[name]
        # Draws and libraries differ a little from machine to machine.
        assert row.spread == pytest.approx(spread, rel=0.25)
        assert row.middle == pytest.approx(middle, abs=0.25 * spread * (row.middle if row.logarithmic else 1.0))


@pytest.mark.parametrize("number", [2, 4])
def test_cards_kept_aside_end_inside_what_the_others_make_plausible(number: int) -> None:
    """No constant was chosen by them. After 40 s: heating and cooling, with the room typed and far off the inlet."""
    inside = []
    for step in card_steps():
        if step.series != f"card {number}" or step.length_s < 60.0:
            continue
        now = slice(step.before, int(np.searchsorted(step.t_s, step.t_s[step.start] + 40.0)))
        assert step.power_w is not None
        found = forecast(
            step.t_s[now], step.temp_c[now], power_w=step.power_w[now], load_share=step.share[now],
            ambient_c=22.0, resolution_k=1.0, part=CARD_PART,
        )  # fmt: skip
        assert found is not None
        inside.append(abs(found.settles_at_c - step.end_c) <= found.u95_k < 12.0)
    assert len(inside) >= 3 and all(inside)


def test_a_card_that_stands_warm_in_its_case_does_not_contradict_a_typed_room() -> None:
    """A room of 22 °C typed, a card of 300 W at 34 °C while idle: the air beside it is warmer, and it is not faulty."""
    t_s = np.arange(0.0, 120.0)
    steady = np.full(len(t_s), 34.0)
    found = forecast(
        t_s, steady, power_w=np.full(len(t_s), 8.0), load_share=np.zeros(len(t_s)), ambient_c=22.0, resolution_k=1.0,
        part=CARD_PART,
    )  # fmt: skip
    assert found is not None
    assert abs(found.settles_at_c - 34.0) <= 0.5 and found.u95_k <= 1.0
    assert PLAUSIBLE_CARD.spread[P.OFFSET] > PLAUSIBLE.spread[P.OFFSET]
