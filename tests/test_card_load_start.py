"""What lesser loads forecast of a graphics card's full load: against ladders in closed form, and against real cards."""

from __future__ import annotations

import math
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from tests.test_analysis_real_traces import gpu
from tests.test_gpu_metrics import AMBIENT_C, LADDERS, impedance
from verifyrig.analysis import load_start_forecast
from verifyrig.analysis.results import LoadStart
from verifyrig.core.heat_sources import CARD
from verifyrig.core.trace import FloatArray

PULSE_SHARE, HALF_SHARE = 0.02, 0.45


class LesserLoads(NamedTuple):
    """Times, whole degrees, share and power of the card, its limit, and where full load ends."""

    t_s: FloatArray
    temp_c: FloatArray
    share: FloatArray
    power_w: FloatArray
    limit_w: float
    end_c: float

    def asked(self, share: float, until_s: float = math.inf, factor: float = 1.0) -> LoadStart:
        """Ask for a load of a share; with a factor the card's K/W is so many times as high."""
        now, idle_c = self.t_s < until_s, self.temp_c[0]
        return load_start_forecast(
            self.t_s[now],
            (idle_c + factor * (self.temp_c - idle_c))[now],
            load_share=self.share[now],
            share=share,
            power_w=self.power_w[now],
            ambient_c=AMBIENT_C,
            part=CARD,
            power_limit_w=self.limit_w,
            resolution_k=1.0,
        )


def lesser_loads(card: str, half_s: float) -> LesserLoads:
    """Rest, four pulses, a time at half duty."""
    full_w, idle_w, ladder, _ = LADDERS[card]
    starts = [(30.0 + 15.0 * n + late_s, share) for n in range(4) for late_s, share in ((0.0, PULSE_SHARE), (5.0, 0.0))]
    t = np.arange(0.0, 90.0 + half_s, 0.5)
    temp, shares, before = np.full_like(t, AMBIENT_C + idle_w * sum(r for r, _ in ladder)), np.zeros_like(t), 0.0
    for at_s, share in [*starts, (90.0, HALF_SHARE)]:
        temp += (share - before) * (full_w - idle_w) * impedance(ladder, t - at_s)
        shares, before = np.where(t >= at_s, share, shares), share
    noise = 0.2 * np.random.default_rng(3).standard_normal(len(t))
    end_c = AMBIENT_C + full_w * sum(r for r, _ in ladder)
    return LesserLoads(t, np.round(temp + noise), shares, idle_w + shares * (full_w - idle_w), full_w, end_c)


@pytest.mark.parametrize("half_s", [25.0, 40.0, 60.0])
@pytest.mark.parametrize("card", sorted(LADDERS))
def test_where_full_load_ends_lies_inside_what_half_duty_forecasts(card: str, half_s: float) -> None:
    loads = lesser_loads(card, half_s)
    found = loads.asked(1.0)
    assert found.peak_c is not None and found.u95_k is not None
    assert abs(found.peak_c - loads.end_c) <= found.u95_k < 20.0


@pytest.mark.parametrize("card", sorted(LADDERS))
def test_a_minute_at_half_duty_frees_full_load_of_a_sound_card_and_pulses_alone_do_not(card: str) -> None:
    loads = lesser_loads(card, 60.0)
    # 86 °C: cards slow themselves from 87 to 90 °C on (from memory).
    assert loads.asked(1.0).stays_below(86.0)
    assert loads.asked(HALF_SHARE, until_s=90.0).stays_below(86.0)
    assert not loads.asked(1.0, until_s=90.0).stays_below(86.0)


def test_a_card_whose_heat_does_not_get_away_is_refused_full_load() -> None:
    # Twice the resistance: dried paste. Full load would end above 110 °C.
    assert lesser_loads("data-centre", 60.0).asked(1.0, factor=2.0).stays_below(86.0) is False


@pytest.mark.parametrize("after_s", [25.0, 40.0, 60.0])
def test_real_cards_end_inside_the_forecast_of_their_load_so_far(shared_dir: Path, after_s: float) -> None:
    inside = []
    for number in range(8):
        t, temp, power = gpu(shared_dir / "traces" / "eight_gpus_idle_to_load.csv", number)
        loaded = np.flatnonzero(power > 300.0)
        on_s, off_s = t[loaded[0]], t[loaded[-1]]
        now = t <= on_s + after_s
        share = (t[now] >= on_s).astype(np.float64)
        found = load_start_forecast(
            t[now], temp[now], load_share=share, share=1.0, power_w=power[now], part=CARD, power_limit_w=700.0
        )
        assert found.peak_c is not None and found.u95_k is not None
        inside.append(abs(found.peak_c - float(np.mean(temp[(t > off_s - 20) & (t < off_s)]))) <= found.u95_k)
    assert sum(inside) >= 7
