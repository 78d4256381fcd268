"""How a forecast is widened and what is put in place of a reading that is not there, apart from the model behind it.

The model's answer is given by hand here; expected values are the closed forms that the names stand for.
"""

from __future__ import annotations

import importlib
import math
from collections.abc import Sequence
from dataclasses import replace
from statistics import NormalDist
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from verifyrig.analysis.allowance import ANY_PATH, KNOWN_KIND, Allowance
from verifyrig.analysis.card_power import TYPICAL_PROCESSOR_W
from verifyrig.analysis.compress import compress, idle_that_stood
from verifyrig.analysis.forecast import DEFAULT_SETTLE, explain, forecast, forecast_from
from verifyrig.analysis.machine_ranges import SOUND
from verifyrig.analysis.own_answers import Driven, OwnEnd
from verifyrig.analysis.prior import PLAUSIBLE, PLAUSIBLE_CARD, P
from verifyrig.analysis.results import Forecast
from verifyrig.analysis.samples import Samples, prepare
from verifyrig.analysis.spectrum import Level
from verifyrig.analysis.thermal_path import End
from verifyrig.core.heat_sources import CARD, DIE, HeatSource
from verifyrig.core.profile import Settle
from verifyrig.core.trace import BoolArray, FloatArray

# The package gives the function the same name.
MODULE = importlib.import_module("verifyrig.analysis.forecast")
RULE = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=400.0)
N = 100


def cleaned(temp_c: FloatArray | None = None, **changed: Any) -> Samples:
    """A load from the first sample on, a sample a second; all stands still unless it is given."""
    t = np.arange(float(N))
    given: dict[str, Any] = {
        "t_s": t,
        "temp_c": np.full(N, 60.0) if temp_c is None else temp_c,
        "power_w": np.full(N, 100.0),
        "ambient_c": np.full(N, 22.0),
        "share": np.ones(N),
        "fan_rpm": np.full(N, 900.0),
        "start": 0,
        "prior": PLAUSIBLE,
        "spread": 1.0,
        "why": (),
        "powered": True,
        "level": Level(26.0, 5.0),
        "slowest_s": math.inf,
        "well_known": True,
    }
    return Samples(**{**given, **changed})


class Model:
    """Machines given by hand in place of those that explain the samples."""

    def __init__(
        self,
        monkeypatch: pytest.MonkeyPatch,
        shown_c: Sequence[float],
        *,
        slowest_s: Sequence[float] | float = 100.0,
        late_k: float = 0.0,
        late_u_k: float = 0.0,
        misfit: float = 1.0,
        offset_k: float = 0.0,
        own: OwnEnd | None = None,
        peak: dict[P, float] | None = None,
    ) -> None:
        draws = np.zeros((len(shown_c), len(P)))
        draws[:, P.OFFSET] = offset_k
        late = np.full(len(shown_c), late_k)
        shown = {"shown_at_s": np.zeros(1), "shown_c": np.zeros(1)}
        self.posterior = SimpleNamespace(draws=draws, late_k=late, late_u_k=late_u_k, misfit=misfit, **shown)
        self.posterior.peaks = np.zeros((2, len(P)))
        for parameter, z in (peak or {}).items():
            self.posterior.peaks[0, parameter] = z
        self.end = End(np.array(shown_c), np.zeros(len(shown_c)), np.broadcast_to(slowest_s, len(shown_c)))
        self.asked: dict[str, Any] = {}
        monkeypatch.setattr(MODULE, "explain", lambda *_, **_how: self.posterior)
        monkeypatch.setattr(MODULE, "settle", self.settle)
        monkeypatch.setattr(MODULE, "own_end", lambda *_: own)
        monkeypatch.setattr(MODULE, "moved_levels", lambda *_: None)

    def settle(self, draws: FloatArray, **asked: Any) -> End:
        self.asked = asked
        return self.end


def told(samples: Samples, rule: Settle = RULE, limit_c: float | None = None) -> Forecast:
    answer = forecast_from(samples, rule, limit_c=limit_c)
    assert answer is not None
    return answer.forecast


# Draws at 59, 60, 61 °C: nine in ten of them lie within 1.8 K, eight in ten within 1.6 K, by straight lines between;
# of a normal distribution that is so many standard deviations.
DRAWS = (59.0, 60.0, 61.0)
SD_K = (1.8 / (2 * NormalDist().inv_cdf(0.95)) + 1.6 / (2 * NormalDist().inv_cdf(0.90))) / 2
# Where power or room are assumed, the room may move by 0.15 K, and draws miss the far ends by a fifth (benchmark
# `settle-forecast`). A room that is read is the one that the settled value is for.
AMBIENT_K, FAR = 0.15, 1.2


@pytest.mark.parametrize(
    ("spread", "misfit", "late_u_k", "u_k"),
    [
        (1.0, 1.0, 0.0, SD_K),
        (1.35, 1.0, 0.0, 1.35 * SD_K),
        # Unexplained 1.5 times as much as expected still counts as explained; beyond, u grows as its root.
        (1.0, 1.5, 0.0, SD_K),
        (1.0, 6.0, 0.0, 2.0 * SD_K),
        (1.0, 0.1, 0.0, SD_K),
        (1.0, 1.0, 3.0, math.hypot(SD_K, 3.0)),
    ],
)
def test_u95_is_the_root_of_the_squares_of_spread_and_newest_readings(
    monkeypatch: pytest.MonkeyPatch, spread: float, misfit: float, late_u_k: float, u_k: float
) -> None:
    # JCGM 100:2008, 5.1.2; 1.96 is the normal factor for 95 %.
    Model(monkeypatch, DRAWS, misfit=misfit, late_u_k=late_u_k)
    found = told(cleaned(spread=spread))
    assert found.settles_at_c == pytest.approx(60.0)
    assert found.u95_k == pytest.approx(1.96 * u_k, rel=1e-5)


def test_what_is_assumed_widens_u95_by_few_draws_and_by_a_room_that_moves(monkeypatch: pytest.MonkeyPatch) -> None:
    Model(monkeypatch, DRAWS)
    found = told(cleaned(well_known=False))
    assert found.u95_k == pytest.approx(1.96 * math.hypot(FAR * SD_K, AMBIENT_K), rel=1e-5)


@pytest.mark.parametrize(
    ("peak", "share"),
    [
        ({}, 0.3),
        ({P.SINK_TO_AIR: 0.9}, 0.3),
        ({P.SINK_CAPACITY: -2.0, P.PLATE_TO_SINK: 1.5}, 0.6),
        ({P.DIE_CAPACITY: -3.0, P.FULL_SPEED: 2.0}, 0.3),
    ],
    ids=["usual", "within what is usual", "an unusual slow path", "what is quick, and what is read"],
)
def test_what_is_yet_to_come_is_not_known_better_than_to_a_share_of_it(
    monkeypatch: pytest.MonkeyPatch, peak: dict[P, float], share: float
) -> None:
    """Machines that agree to a hair are 10 K above the readings of the last ten seconds, whatever was read before."""
    Model(monkeypatch, [70.0, 70.0], peak=peak)
    temp = np.where(np.arange(N) < N - 10, 50.0, 60.0)
    assert told(cleaned(temp)).settles_at_c == 70.0
    assert told(cleaned(temp)).u95_k == pytest.approx(share * 10.0)
    assert told(cleaned(temp, well_known=False)).u95_k == pytest.approx(1.96 * AMBIENT_K)


def test_what_the_newest_readings_lie_above_the_machines_is_added(monkeypatch: pytest.MonkeyPatch) -> None:
    Model(monkeypatch, DRAWS, late_k=0.7)
    assert told(cleaned()).settles_at_c == pytest.approx(60.7)


def test_known_is_within_what_the_rule_asks_and_then_nothing_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    Model(monkeypatch, [60.0, 60.0], late_u_k=0.15)
    narrow = 1.96 * 0.15
    exact = told(cleaned(), Settle(channel="die_temp_c", within_k=narrow, slowest_time_constant_s=400.0))
    assert (exact.known, exact.remaining_s) == (True, 0.0)
    less = told(cleaned(), Settle(channel="die_temp_c", within_k=0.999 * narrow, slowest_time_constant_s=400.0))
    assert not less.known and less.remaining_s is not None and less.remaining_s > 0.0


def test_what_remains_is_the_time_in_which_the_slowest_mode_falls_as_far(monkeypatch: pytest.MonkeyPatch) -> None:
    # exp(-t / tau) = within / u95: t = tau ln(u95 / within).
    Model(monkeypatch, DRAWS, slowest_s=[50.0, 100.0, 300.0])
    found = told(cleaned())
    assert found.remaining_s == pytest.approx(100.0 * math.log(found.u95_k / 1.0))
    # Close to known it is still a moment, not nothing.
    almost = Settle(channel="die_temp_c", within_k=found.u95_k / 1.01, slowest_time_constant_s=400.0)
    assert told(cleaned(), almost).remaining_s == pytest.approx(100.0 * math.log(1.05))


@pytest.mark.parametrize(("slow_ones", "slow"), [(3, False), (4, True)])
def test_it_is_called_slow_once_more_than_a_third_of_the_machines_are(
    monkeypatch: pytest.MonkeyPatch, slow_ones: int, slow: bool
) -> None:
    taus = [401.0] * slow_ones + [400.0] * (10 - slow_ones)
    Model(monkeypatch, [60.0] * 10, slowest_s=taus)
    found = told(cleaned())
    assert found.slow is slow
    assert [(why.code, why.values["time_constant_s"]) for why in found.why] == (
        [("slower-than-allowed", 400.0)] if slow else []
    )


@pytest.mark.parametrize(("offset_k", "ends_at_c"), [(0.0, 90.0), (-1.0, 89.0), (-5.0, 88.0), (0.5, 90.5), (4.0, 91.0)])
def test_a_machines_own_limit_caps_where_it_ends_and_not_how_sure_that_is(
    monkeypatch: pytest.MonkeyPatch, offset_k: float, ends_at_c: float
) -> None:
    # A sensor can show up to 2 K less, or 1 K more, than the limit at which the machine throttles.
    Model(monkeypatch, [94.0, 95.0, 96.0], offset_k=offset_k)
    found = told(cleaned(np.full(N, 88.2)), limit_c=90.0)
    assert found.settles_at_c == pytest.approx(ends_at_c)
    assert found.u95_k == pytest.approx(1.96 * SD_K, rel=1e-5)


def test_the_end_is_asked_for_the_means_of_the_last_half_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    model = Model(monkeypatch, DRAWS)
    late = np.arange(N) >= N - 1 - 30
    temp = np.where(late, 70.0, 50.0)
    temp[-3] = math.nan
    told(cleaned(temp, power_w=np.where(late, 90.0, 10.0), ambient_c=np.where(late, 25.0, 20.0),
                 fan_rpm=np.where(late, 1200.0, 600.0)))  # fmt: skip
    assert model.asked == {
        "power_w": 90.0, "at_c": 70.0, "loaded": True, "ambient_c": 25.0, "fan_stands": False, "fan_rpm": 1200.0,
        "at_most_w": None,
    }  # fmt: skip


def test_what_was_before_the_load_is_not_among_the_last_half_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    model = Model(monkeypatch, DRAWS)
    told(cleaned(start=N - 26, power_w=np.where(np.arange(N) >= N - 26, 90.0, 10.0)))
    assert model.asked["power_w"] == 90.0


@pytest.mark.parametrize(("rpm", "stands"), [(29.0, True), (30.0, False), (0.0, True)])
def test_a_fan_below_half_a_turn_a_second_stands(monkeypatch: pytest.MonkeyPatch, rpm: float, stands: bool) -> None:
    model = Model(monkeypatch, DRAWS)
    told(cleaned(fan_rpm=np.full(N, rpm)))
    assert model.asked["fan_stands"] is stands


def test_a_fan_that_is_not_read_is_not_said_to_stand_and_idle_is_no_load(monkeypatch: pytest.MonkeyPatch) -> None:
    model = Model(monkeypatch, DRAWS)
    told(cleaned(fan_rpm=None, share=np.zeros(N)))
    assert (model.asked["fan_stands"], model.asked["fan_rpm"], model.asked["loaded"]) == (False, None, False)


# ---- when there is an answer at all


def gone(n: int) -> FloatArray:
    """Readings of which only n are there, the first and the last among them."""
    temp = np.full(N, math.nan)
    temp[np.linspace(0, N - 1, n).astype(int)] = 60.0
    return temp


def test_five_readings_over_twenty_seconds_are_the_least(monkeypatch: pytest.MonkeyPatch) -> None:
    Model(monkeypatch, DRAWS)
    assert forecast_from(cleaned(gone(5)), RULE) is not None
    assert forecast_from(cleaned(gone(4)), RULE) is None
    assert forecast_from(cleaned(start=N - 21), RULE) is not None
    assert forecast_from(cleaned(start=N - 20), RULE) is None


def test_without_machines_that_explain_it_there_is_no_forecast(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(MODULE, "explain", lambda *_, **_how: None)
    assert forecast_from(cleaned(), RULE) is None


# ---- a machine flat at its own limit

LIMIT_C = 95.0


def at_limit(monkeypatch: pytest.MonkeyPatch, temp: FloatArray, limit_c: float | None = LIMIT_C, **more: Any) -> Any:
    """Return the forecast of a machine at its limit, None where the model had to be asked."""
    monkeypatch.setattr(MODULE, "explain", lambda *_, **_how: None)
    answer = forecast_from(cleaned(temp, **more), RULE, limit_c=limit_c)
    return answer.forecast if answer is not None else None


def test_a_machine_flat_at_its_limit_stays_there(monkeypatch: pytest.MonkeyPatch) -> None:
    temp = np.where(np.arange(N) >= N - 1 - 40, 94.5, 80.0)  # the last 40 s count
    found = at_limit(monkeypatch, temp)
    assert (found.settles_at_c, found.u95_k, found.known, found.remaining_s, found.slow) == (
        94.5,
        0.8,
        True,
        0.0,
        False,
    )
    assert [why.code for why in found.why] == ["flat-at-limit"]
    assert at_limit(monkeypatch, temp, None) is None


@pytest.mark.parametrize(("within_k", "known"), [(0.8, True), (0.79, False)])
def test_flat_at_the_limit_is_known_to_eight_tenths_of_a_kelvin(
    monkeypatch: pytest.MonkeyPatch, within_k: float, known: bool
) -> None:
    monkeypatch.setattr(MODULE, "explain", lambda *_, **_how: None)
    rule = Settle(channel="die_temp_c", within_k=within_k, slowest_time_constant_s=400.0)
    answer = forecast_from(cleaned(np.full(N, 95.0)), rule, limit_c=LIMIT_C)
    assert answer is not None and answer.forecast.known is known and answer.posterior is None


@pytest.mark.parametrize(("below_k", "flat"), [(1.25, True), (1.35, False), (-3.0, True)])
def test_at_its_limit_is_within_one_and_a_third_kelvin(
    monkeypatch: pytest.MonkeyPatch, below_k: float, flat: bool
) -> None:
    assert (at_limit(monkeypatch, np.full(N, LIMIT_C - below_k)) is not None) is flat


@pytest.mark.parametrize(("low_ones", "flat"), [(3, True), (7, False)])
def test_a_tenth_of_the_readings_may_lie_lower(monkeypatch: pytest.MonkeyPatch, low_ones: int, flat: bool) -> None:
    temp = np.full(N, 95.5)
    temp[N - 30 : N - 30 + low_ones] = 92.0  # the mean stays above the limit less 1.3 K
    assert (at_limit(monkeypatch, temp) is not None) is flat


def test_a_little_more_than_two_kelvin_lower_is_no_longer_flat(monkeypatch: pytest.MonkeyPatch) -> None:
    temp = np.full(N, 95.5)
    temp[N - 30 : N - 20] = 93.1  # a quarter of the readings 1.9 K below: held there
    assert at_limit(monkeypatch, temp) is not None
    temp[N - 30 : N - 20] = 92.9
    assert at_limit(monkeypatch, temp) is None


@pytest.mark.parametrize(("start", "flat"), [(N - 61, True), (N - 60, False)])
def test_a_minute_at_the_limit_is_the_least(monkeypatch: pytest.MonkeyPatch, start: int, flat: bool) -> None:
    assert (at_limit(monkeypatch, np.full(N, 95.0), start=start) is not None) is flat


# ---- explaining the samples


class Fits:
    """What the model was asked with."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *misfits: float) -> None:
        self.asked: list[tuple[float, float | None, object]] = []
        self.allowed: list[Allowance] = []
        self.priors: list[Any] = []
        self.rare: list[bool] = []
        self._misfits = list(misfits)
        monkeypatch.setattr(MODULE, "update", self.update)

    def update(
        self,
        prior: object,
        data: object,
        noise: float,
        fresh_s: float | None,
        before: object,
        draws: int,
        allowed: Allowance,
        rare: bool,
    ) -> Any:
        self.rare.append(rare)
        self.asked.append((noise, fresh_s, before))
        self.allowed.append(allowed)
        self.priors.append(prior)
        return SimpleNamespace(misfit=self._misfits.pop(0))


def test_the_noise_is_at_least_015_kelvin_and_a_step_of_the_sensor_adds_its_rectangle(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    fits = Fits(monkeypatch, 1.0, 1.0)
    explain(cleaned(), None, 2.0, None)
    explain(cleaned(), 1.0, 2.0, None)
    # JCGM 100:2008, 4.3.7: a step d has the standard uncertainty d / sqrt(12).
    assert [noise for noise, _, _ in fits.asked] == pytest.approx([0.15, math.hypot(0.15, 1 / math.sqrt(12))])
    assert fits.asked[0][1] == 2.0


def test_noise_that_is_seen_counts_and_an_unknown_refresh_is_taken_from_the_readings(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    fits = Fits(monkeypatch, 1.0, 1.0)
    loud = 60.0 + np.random.default_rng(1).normal(0.0, 1.0, N)
    explain(cleaned(loud), None, None, None)
    assert fits.asked[0][0] == pytest.approx(1.0, rel=0.4)  # a standard deviation from some hundred differences
    held = 60.0 + np.repeat(np.arange(N // 4), 4)  # a new value every 4 s, and 3 s are the longest believed
    explain(cleaned(held.astype(float)), None, None, None)
    assert fits.asked[1][1] == 3.0


def test_for_the_end_of_a_kind_that_is_well_known_less_is_allowed_for(monkeypatch: pytest.MonkeyPatch) -> None:
    fits = Fits(monkeypatch, 1.0, 1.0, 1.0)
    # A change of load amid the samples looks like noise to second differences; what is calm shows none.
    share = np.where(np.arange(N) < N // 2, 0.0, 1.0)
    temp = np.where(share > 0, 60.0, 40.0) + 3.0 * (np.arange(N) % 2) * (
        (np.arange(N) >= N // 2) & (np.arange(N) < N // 2 + 10)
    )
    explain(cleaned(temp, share=share), None, 1.0, None, for_end=True)
    explain(cleaned(temp, share=share, well_known=False), None, 1.0, None, for_end=True)
    explain(cleaned(temp, share=share), None, 1.0, None)
    assert fits.allowed == [KNOWN_KIND, ANY_PATH, ANY_PATH]
    # Rare faults are looked for by name: what was read so far may be that of several machines.
    assert fits.rare == [True, False, False]
    # A fan that is read may follow another part than the die.
    assert [len(prior.middle) - len(PLAUSIBLE.middle) for prior in fits.priors] == [1, 0, 0]
    # What it follows may be warm at idle, so that it turns at any speed there.
    low = [(float(prior.middle[P.LOW_SHARE]), float(prior.spread[P.LOW_SHARE])) for prior in fits.priors]
    assert low[0] == (SOUND["low_share_of_any"].middle, SOUND["low_share_of_any"].spread)
    assert low[1] == low[2] == (PLAUSIBLE.middle[P.LOW_SHARE], PLAUSIBLE.spread[P.LOW_SHARE])
    # And the first lump may be the die alone, three standard deviations below die and lid in one.
    lumps = [prior.values(np.full(len(prior.middle), -3.0))[P.DIE_CAPACITY] for prior in fits.priors]
    assert lumps[0] == pytest.approx(SOUND["die_j_per_k"].middle) and lumps[1] == lumps[2] > 1.5 * lumps[0]
    assert fits.priors[0].middle[P.DIE_CAPACITY] == PLAUSIBLE.middle[P.DIE_CAPACITY]
    noises_k = [noise for noise, _, _ in fits.asked]
    assert noises_k[0] == pytest.approx(0.15) and noises_k[1] == noises_k[2] > 0.5


def test_a_course_of_several_sensors_is_less_noisy_and_its_level_as_sure_as_the_own_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The least noise is that of one sensor over the root of how many there are (GUM 4.2.3)."""
    fits = Fits(monkeypatch, 1.0, 1.0)
    own = 60.0 + np.random.default_rng(3).normal(0.0, 0.5, N)
    explain(cleaned(own_c=own, sensors=4), 1.0, 1.0, None, for_end=True)
    explain(cleaned(own_c=own, sensors=4), 1.0, 1.0, None)
    course_k, own_k = fits.asked[0][0], fits.allowed[0].own_noise_k
    assert course_k == pytest.approx(math.hypot(0.15, 1.0 / math.sqrt(12)) / 2.0)
    assert own_k == pytest.approx(0.5, rel=0.3)
    assert fits.allowed == [replace(KNOWN_KIND, own_noise_k=own_k), ANY_PATH]


def test_machines_of_before_are_left_where_a_fan_came_or_went(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = len(PLAUSIBLE.middle)  # a fan that is read has one parameter more
    fits = Fits(monkeypatch, 1.0, 1.0, 1.0)
    explain(cleaned(), None, 1.0, np.zeros((1, usual)), for_end=True)
    explain(cleaned(), None, 1.0, np.zeros((1, usual + 1)), for_end=True)
    explain(cleaned(fan_rpm=None), None, 1.0, np.zeros((1, usual + 1)), for_end=True)
    assert [before is None for _, _, before in fits.asked] == [True, False, True]


def test_machines_of_before_that_explain_nothing_are_left_and_all_is_looked_at_anew(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before = np.zeros((1, len(PLAUSIBLE.middle)))
    fits = Fits(monkeypatch, 3.1, 1.0, 3.0, 3.1)
    explain(cleaned(), None, 1.0, before)
    assert [asked[2] is None for asked in fits.asked] == [False, True]
    explain(cleaned(), None, 1.0, before)  # 3.0 still explains
    explain(cleaned(), None, 1.0, None)  # nothing to leave
    assert [asked[2] is None for asked in fits.asked] == [False, True, False, True]


# ---- what is put in the place of a reading


def prepared(temp: FloatArray | None = None, n: int = N, **given: Any) -> Samples | None:
    t = np.arange(float(n))
    known: dict[str, Any] = {
        "power_w": np.full(n, 100.0), "fan_rpm": np.full(n, 900.0), "ambient_c": 22.0,
        "load_share": None, "load_on_s": None,
    }  # fmt: skip
    part: HeatSource = given.pop("part", DIE)
    temp = np.full(n, 60.0) if temp is None else temp
    return prepare(t, temp, **{**known, **given}, part=part)


def ready(temp: FloatArray | None = None, **given: Any) -> Samples:
    found = prepared(temp, **given)
    assert found is not None
    return found


def test_eight_samples_with_a_reading_are_the_least() -> None:
    assert prepared(n=8) is not None and prepared(n=7) is None
    assert prepared(gone(8)) is not None and prepared(gone(7)) is None


def test_with_all_readings_nothing_is_assumed() -> None:
    found = ready()
    assert found.why == () and found.spread == 1.0 and found.prior is PLAUSIBLE
    assert ready(part=CARD).prior is PLAUSIBLE_CARD
    assert found.fan_rpm is not None and set(found.fan_rpm) == {900.0} and set(found.ambient_c) == {22.0}


@pytest.mark.parametrize("power", [None, np.full(N, math.nan)])
def test_without_power_a_usual_machine_is_assumed_and_the_answer_is_wider(power: FloatArray | None) -> None:
    temp = np.linspace(40.0, 60.0, N)
    temp[3] = math.nan
    share = np.where(np.arange(N) < 50, 0.0, 1.0)
    found = ready(temp, power_w=power, load_share=share)
    seen = np.where(np.isfinite(temp), temp, np.nanmean(temp))
    # 15 W while idle, 100 W under load, 0.55 % a kelvin more as leakage grows: a usual desktop, no source.
    assert found.power_w == pytest.approx((15.0 + 85.0 * share) * (1 + 0.0055 * (seen - 50.0)))
    assert [why.code for why in found.why] == ["power-unknown"] and found.spread == 1.35
    assert (found.prior.middle[P.STEP_GAIN], found.prior.spread[P.STEP_GAIN]) == (1.0, 0.45)
    for at in (P.DIE_TO_PLATE, P.PLATE_TO_SINK, P.SINK_TO_AIR, P.CASE_TO_AMBIENT):
        assert found.prior.middle[at] == PLAUSIBLE.middle[at]
        assert found.prior.spread[at] == pytest.approx(math.hypot(PLAUSIBLE.spread[at], 0.4))


@pytest.mark.parametrize("ambient", [None, np.full(N, math.nan), math.nan])
def test_without_a_room_one_of_23_degrees_is_assumed_give_or_take_five(ambient: float | FloatArray | None) -> None:
    found = ready(ambient_c=ambient)
    assert set(found.ambient_c) == {23.0} and [why.code for why in found.why] == ["room-unknown"]
    assert (found.prior.middle[P.OFFSET], found.prior.spread[P.OFFSET]) == (0.0, 5.0)


@pytest.mark.parametrize("fan", [None, np.full(N, math.nan)])
def test_without_a_fan_none_is_assumed(fan: FloatArray | None) -> None:
    found = ready(fan_rpm=fan)
    assert found.fan_rpm is None and [why.code for why in found.why] == ["fan-speed-unknown"]


def test_gaps_are_bridged_in_a_straight_line() -> None:
    power, ambient, fan = np.arange(float(N)), np.arange(float(N)), np.arange(float(N))
    for values in (power, ambient, fan):
        values[10:20] = math.nan
    found = ready(power_w=power, ambient_c=ambient, fan_rpm=fan)
    for bridged in (found.power_w, found.ambient_c, found.fan_rpm):
        assert bridged == pytest.approx(np.arange(float(N)))


def test_the_load_began_where_it_was_commanded() -> None:
    found = ready(load_on_s=40.0)
    assert found.start == 40 and list(np.flatnonzero(np.diff(found.share))) == [39]
    assert set(found.share) == {0.0, 1.0} and found.share[40] == 1.0
    assert ready(load_on_s=39.5).start == 40


@pytest.mark.parametrize("load_on_s", [None, 0.0, -5.0])
def test_without_a_beginning_all_of_it_is_load(load_on_s: float | None) -> None:
    found = ready(load_on_s=load_on_s)
    assert found.start == 0 and set(found.share) == {1.0}


def test_the_load_began_with_the_last_change_of_its_share() -> None:
    share = np.where(np.arange(N) < 30, 0.0, np.where(np.arange(N) < 60, 0.5, 1.0))
    share[70:] = 0.96  # a share that is steered wavers; by less than a twentieth it is the same
    found = ready(load_share=share)
    assert found.start == 60
    assert ready(load_share=np.where(np.arange(N) < 60, 0.0, 0.08)).start == 60
    assert ready(load_share=np.where(np.arange(N) < 60, 1.0, 0.0)).start == 60
    assert ready(load_share=np.full(N, 0.7)).start == 0
    share[5] = math.nan
    assert ready(load_share=share).share[5] == 0.0
    assert ready(load_share=share, load_on_s=10.0).start == 10


# ---- the whole way from readings to a forecast


def test_without_a_rule_one_kelvin_and_400_seconds_are_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    assert Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=400.0) == DEFAULT_SETTLE
    Model(monkeypatch, DRAWS, slowest_s=500.0)
    t, temp = np.arange(float(N)), np.full(N, 60.0)
    usual = forecast(t, temp)
    assert usual is not None and usual.settles_at_c == pytest.approx(60.0) and usual.slow and not usual.known
    own = forecast(t, temp, settle=Settle(channel="die_temp_c", within_k=9.0, slowest_time_constant_s=600.0))
    assert own is not None and own.known and not own.slow


def test_too_few_samples_and_no_machines_are_no_forecast(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(MODULE, "explain", lambda *_, **_how: None)
    monkeypatch.setattr(MODULE, "own_end", lambda *_: None)
    assert forecast(np.arange(7.0), np.full(7, 60.0)) is None
    assert forecast(np.arange(float(N)), np.full(N, 60.0)) is None


def test_samples_that_cannot_be_put_together_are_explained_by_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(MODULE, "compress", lambda *_: None)
    assert explain(cleaned(), None, None, None) is None


# ---- plausible machines and the temperature's own answers

PLAUSIBLE_END = [59.0, 60.0, 61.0]  # plausible machines end at 60 °C, and u95 is some 2 K


@pytest.mark.parametrize(
    ("own", "heard"),
    [
        (OwnEnd(60.5, 3.0, slow=False, too_slow=False), False),  # they agree, and the plausible ones are surer
        (OwnEnd(60.5, 0.3, slow=False, too_slow=False), True),  # what stands still outweighs what is plausible
        (OwnEnd(60.5, 0.3, slow=True, too_slow=False), False),  # slow, and little of it was seen yet
        (OwnEnd(70.0, 2.0, slow=False, too_slow=False), False),  # they disagree: it has not shown its slow part
        (OwnEnd(60.5, 9.0, slow=True, too_slow=True), True),  # no plausible machine is as slow
    ],
)
def test_own_answers_are_heard_where_they_are_surer_of_the_same_or_nothing_is_as_slow(
    monkeypatch: pytest.MonkeyPatch, own: OwnEnd, heard: bool
) -> None:
    Model(monkeypatch, PLAUSIBLE_END)
    alone = told(cleaned())
    Model(monkeypatch, PLAUSIBLE_END, own=own)
    assert (told(cleaned()) != alone) is heard


def test_without_power_the_own_answers_count_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    Model(monkeypatch, PLAUSIBLE_END, own=OwnEnd(50.0, 1.0, slow=True, too_slow=False))
    found = told(cleaned(powered=False, well_known=False))
    assert (found.settles_at_c, found.slow) == (50.0, True) and found.u95_k == pytest.approx(1.96)


def test_without_an_ambient_and_for_a_card_both_are_weighed(monkeypatch: pytest.MonkeyPatch) -> None:
    Model(monkeypatch, PLAUSIBLE_END)
    u_k = told(cleaned(well_known=False)).u95_k / 1.96
    Model(monkeypatch, PLAUSIBLE_END, own=OwnEnd(62.0, u_k, slow=False, too_slow=False))
    found = told(cleaned(well_known=False))
    # Equally sure: the middle, and the distance to it is uncertainty (variance of a mixture).
    assert found.settles_at_c == pytest.approx(61.0)
    assert found.u95_k == pytest.approx(1.96 * math.hypot(u_k, 1.0))
    assert ready(part=CARD).well_known is False and ready().well_known is True
    assert ready(ambient_c=None).well_known is False and ready(power_w=None).powered is False
    assert ready(part=CARD).slowest_s < ready().slowest_s


# ---- the answers of the temperature itself


class OwnAnswers:
    """What the temperature's own answers were asked with, and one answer by hand."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, answer: OwnEnd | None = None) -> None:
        self.asked: tuple[Any, ...] = ()
        self.answer = answer
        monkeypatch.setattr(MODULE, "own_end", self.own_end)

    def own_end(self, *asked: Any) -> OwnEnd | None:
        self.asked = asked
        return self.answer


def coolant(n_load: int, *, read: int | None = None, silent: int = 0) -> tuple[FloatArray, FloatArray, FloatArray]:
    """50 s idle and a load of n samples a second apart: of it only the first `read` are read, and not the last."""
    t = np.arange(50.0 + n_load)
    temp = np.full(len(t), 30.0)
    temp[50 + (n_load if read is None else read) :] = math.nan
    temp[len(t) - silent :] = math.nan
    return t, temp, np.where(t < 50, 0.0, 1.0)


def of_coolant(monkeypatch: pytest.MonkeyPatch, *samples: FloatArray, ambient_c: float | None = 22.0) -> OwnAnswers:
    own = OwnAnswers(monkeypatch, OwnEnd(40.0, 1.0, True, False))
    found = MODULE.forecast_from_own_answers(*samples, ambient_c, RULE, 0.5, 2.0)
    own.answer = None if found is None else own.answer
    if found is not None:
        assert (found.settles_at_c, found.u95_k, found.slow, found.known, found.why) == (40.0, 1.96, True, False, ())
        assert found.remaining_s == pytest.approx(400.0 * math.log(1.96))
    return own


def test_a_temperature_beside_the_load_is_told_by_its_own_answers_from_twenty_seconds_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    own = of_coolant(monkeypatch, *coolant(21))
    assert own.answer is not None
    assert own.asked[4:] == (MODULE.expected_level(22.0, MODULE.Driven.BESIDE), 400.0, 0.5, 2.0)
    assert list(own.asked[2]) == list(own.asked[3]) == [0.0] * 50 + [1.0] * 21
    assert of_coolant(monkeypatch, *coolant(20)).answer is None  # nineteen seconds from its first sample to its last


@pytest.mark.parametrize(("read", "n_load", "told"), [(5, 31, True), (4, 31, False), (5, 35, True), (5, 36, False)])
def test_beside_the_load_five_readings_are_the_least_and_one_in_the_last_half_minute(
    monkeypatch: pytest.MonkeyPatch, read: int, n_load: int, told: bool
) -> None:
    assert (of_coolant(monkeypatch, *coolant(n_load, read=read)).answer is not None) is told


def test_readings_of_before_the_load_are_none_of_its_last_half_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    t, temp, share = coolant(25, read=0)
    temp[60:65] = 30.0
    assert of_coolant(monkeypatch, t, temp, share).answer is not None
    temp[60:65], temp[:50] = math.nan, 30.0
    assert of_coolant(monkeypatch, t, temp, share).answer is None


def test_where_its_own_answers_tell_nothing_nothing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    OwnAnswers(monkeypatch, None)
    assert MODULE.forecast_from_own_answers(*coolant(60), 22.0, RULE) is None


@pytest.mark.parametrize(("powered", "driving"), [(True, 100.0), (False, 1.0)])
def test_its_own_answers_are_to_the_power_that_was_read_else_to_the_share(
    monkeypatch: pytest.MonkeyPatch, powered: bool, driving: float
) -> None:
    Model(monkeypatch, DRAWS)
    own = OwnAnswers(monkeypatch)
    told(cleaned(powered=powered, slowest_s=150.0))
    assert set(own.asked[2]) == {driving} and set(own.asked[3]) == {1.0} and own.asked[5] == 150.0


@pytest.mark.parametrize(
    ("own", "samples", "taken"),
    [
        # Where machines and the temperature agree, the surer one is told: here u95 of the machines is 3.92, u is 2.
        (OwnEnd(60.0, 2.0, False, False), {}, True),
        (OwnEnd(60.0, 1.9, False, False), {}, False),
        (OwnEnd(60.0, 1.9, True, False), {}, True),  # a slow one has shown little of itself
        (OwnEnd(60.0, 1.9, True, True), {}, False),  # until it is too slow to be any of them
        (OwnEnd(60.0, 2.0, False, False), {"well_known": False}, False),
        # They agree within 1.96 of both uncertainties together: sqrt(2^2 + 1.8^2) = 2.69 K.
        # Where they do not, a slow machine has not shown its slow part yet.
        (OwnEnd(60.0 + 1.95 * 2.69, 1.8, False, False), {}, False),
        (OwnEnd(60.0 + 1.97 * 2.7, 1.8, False, False), {}, True),
        (OwnEnd(60.0 - 1.97 * 2.7, 1.8, False, False), {}, True),
        (OwnEnd(60.0 + 1.97 * 2.7, 1.8, False, False), {"well_known": False}, False),
    ],
)
def test_machines_that_explain_the_run_are_weighed_against_its_own_answers(
    own: OwnEnd, samples: dict[str, Any], taken: bool
) -> None:
    ahead = Forecast(settles_at_c=60.0, u95_k=3.92, known=False, remaining_s=1.0, slow=False, why=())
    found = MODULE._weighed(ahead, own, cleaned(**samples), RULE)
    assert (found is ahead) is taken
    if not taken:
        value, u_k = MODULE.weighed((60.0, 2.0), (own.settles_at_c, own.u_k))
        assert (found.settles_at_c, found.u95_k) == pytest.approx((value, 1.96 * u_k)) and found.slow is own.slow
    assert MODULE._weighed(replace(ahead, slow=True), own, cleaned(**samples), RULE).slow is True
    # What no such machine explains is left to its own answers as well.
    assert MODULE._weighed(ahead, own, cleaned(**samples), RULE, explained=False) is not ahead


def test_exactly_as_far_apart_as_both_uncertainties_allow_is_still_agreement() -> None:
    own = OwnEnd(0.0, 4.0, False, False)
    apart_k = 1.96 * math.hypot(9.8 / 1.96, 4.0)
    ahead = Forecast(settles_at_c=apart_k, u95_k=9.8, known=False, remaining_s=1.0, slow=False, why=())
    assert MODULE._weighed(ahead, own, cleaned(), RULE) is not ahead


@pytest.mark.parametrize(
    ("u_k", "known", "waits_s"),
    [
        (1.0 / 1.96, True, 0.0),
        (1.01 / 1.96, False, 400.0 * math.log(1.05)),  # close to known it is still a moment
        (3.0 / 1.96, False, 400.0 * math.log(3.0)),  # exp(-t / tau) = within / u95
    ],
)
def test_what_is_stated_is_known_within_what_the_rule_asks(u_k: float, known: bool, waits_s: float) -> None:
    found = MODULE._stated(60.0, u_k, False, RULE, ())
    assert (found.known, found.remaining_s) == (known, pytest.approx(waits_s))
    assert found.u95_k == pytest.approx(1.96 * u_k)
    wide = replace(RULE, within_k=2.0)
    assert MODULE._stated(60.0, 6.0 / 1.96, False, wide, ()).remaining_s == pytest.approx(400.0 * math.log(3.0))


def test_the_level_it_stood_at_is_the_newest_room_and_what_drives_it(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[float | None, Any]] = []
    monkeypatch.setattr("verifyrig.analysis.samples.expected_level", lambda *of: asked.append(of))
    room = np.linspace(20.0, 25.0, N)
    ready(ambient_c=room)
    ready(ambient_c=room, power_w=None)
    ready(ambient_c=None)
    assert asked == [(25.0, Driven.POWER), (25.0, Driven.LOAD), (None, Driven.POWER)]


def test_a_card_has_answered_within_minutes_and_a_processor_may_be_as_slow_as_any() -> None:
    # Common practice, no source; nine cards of 700 W had answered within two minutes.
    assert ready(part=CARD).slowest_s == 150.0 and ready().slowest_s == math.inf
    assert not ready(part=CARD).well_known and ready().well_known


LOAD_THEN_IDLE = np.repeat([0.0, 1.0, 0.0], [20, 40, 40])


@pytest.mark.parametrize(
    ("part", "fan_rpm", "share", "moves"),
    [
        (CARD, None, LOAD_THEN_IDLE, True),
        (CARD, np.full(N, math.nan), LOAD_THEN_IDLE, True),
        (CARD, np.full(N, 900.0), LOAD_THEN_IDLE, False),  # what its fan does is seen
        (CARD, None, np.repeat([0.0, 1.0], 50), False),  # under load
        (CARD, None, np.zeros(N), False),  # before any load
        (DIE, None, LOAD_THEN_IDLE, False),
    ],
)
def test_fans_on_no_record_may_move_a_card_that_idles_after_a_load(
    monkeypatch: pytest.MonkeyPatch, part: HeatSource, fan_rpm: FloatArray | None, share: FloatArray, moves: bool
) -> None:
    # 33 climbs of real cards behind their machine's fans (docs/climb.md): after the load they idled elsewhere than
    # before it by 0.8 K rms, of which 0.6 K are how well either is known.
    moves_k = ready(part=part, fan_rpm=fan_rpm, load_share=share).after_load_k
    assert moves_k == (pytest.approx(math.sqrt(0.8**2 - 0.6**2), abs=0.15) if moves else 0.0)


@pytest.mark.parametrize("powered", [True, False])
def test_what_fans_may_yet_move_is_part_of_u95(monkeypatch: pytest.MonkeyPatch, powered: bool) -> None:
    own = OwnEnd(60.0, 0.3, slow=False, too_slow=False)
    Model(monkeypatch, PLAUSIBLE_END, own=own)
    still = told(cleaned(powered=powered, well_known=False))
    moved = told(cleaned(powered=powered, well_known=False, after_load_k=0.5))
    assert moved.u95_k == pytest.approx(math.hypot(still.u95_k, 1.96 * 0.5))
    assert moved == replace(still, u95_k=moved.u95_k, known=moved.u95_k <= RULE.within_k, remaining_s=moved.remaining_s)


@pytest.mark.parametrize(
    ("part", "power", "at_most_w"), [(CARD, True, TYPICAL_PROCESSOR_W), (CARD, False, None), (DIE, True, None)]
)
def test_only_a_card_whose_power_is_read_has_a_limit_of_its_own_on_what_it_draws(
    part: HeatSource, power: bool, at_most_w: float | None
) -> None:
    assert ready(part=part, power_w=np.full(N, 100.0) if power else None).at_most_w == at_most_w


def test_a_load_of_the_second_sample_was_not_on_in_the_first() -> None:
    assert list(ready(load_on_s=1.0).share[:3]) == [0.0, 1.0, 1.0]


@pytest.mark.parametrize(("step", "start"), [(0.05, 0), (0.06, 40)])
def test_a_twentieth_more_of_the_load_is_no_step(step: float, start: int) -> None:
    assert ready(load_share=np.where(np.arange(N) < 40, 0.0, step)).start == start


def test_exactly_at_the_edges_a_machine_is_held_at_its_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    limit_c = 64.0 + 1.3
    assert at_limit(monkeypatch, np.full(N, 64.0), limit_c).settles_at_c == 64.0
    temp = np.full(N, 66.0)
    temp[N - 41 : N - 31] = limit_c - 1.3 - 0.7  # of 41 readings the tenth part are four: the fifth smallest is this
    assert at_limit(monkeypatch, temp, limit_c) is not None
    temp = np.full(N, 95.0)
    temp[N - 41] = 94.0  # the reading of 40 s ago is one of the 41
    assert at_limit(monkeypatch, temp).settles_at_c == pytest.approx((40 * 95.0 + 94.0) / 41, abs=1e-9)


def test_machines_that_explain_the_samples_are_returned(monkeypatch: pytest.MonkeyPatch) -> None:
    Fits(monkeypatch, 1.25)
    found = explain(cleaned(), None, 1.0, None)
    assert found is not None and found.misfit == 1.25


def test_whether_a_load_is_on_is_asked_of_the_newest_sample_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    model = Model(monkeypatch, DRAWS)
    share = np.ones(N)
    share[-1] = 0.0
    told(cleaned(share=share))
    assert model.asked["loaded"] is False


def test_the_reading_of_half_a_minute_ago_is_one_of_the_newest(monkeypatch: pytest.MonkeyPatch) -> None:
    model = Model(monkeypatch, DRAWS)
    power = np.full(N, 100.0)
    power[N - 31] = 131.0
    told(cleaned(power_w=power))
    assert model.asked["power_w"] == pytest.approx(101.0)


def test_a_machine_is_slow_only_beyond_the_share_of_slow_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    Model(monkeypatch, [60.0] * 20, slowest_s=[401.0] * 7 + [400.0] * 13)  # 7 of 20 are exactly 0.35
    assert told(cleaned()).slow is False


def steps(idle_c: FloatArray, share: FloatArray) -> BoolArray:
    n = len(share)
    t_s, temp_c = np.arange(1.0, n + 1), np.concatenate((idle_c, np.full(n - len(idle_c), 60.0)))
    found = compress(t_s, temp_c, 10.0 + 90.0 * share, np.full(n, 22.0), None, share)
    assert found is not None
    return idle_that_stood(found)[[0, -1]]


@pytest.mark.parametrize(
    ("idle_c", "before", "stood"),
    [
        (np.full(120, 30.0), 0.0, True),
        (np.linspace(30.0, 31.8, 120), 0.0, True),  # halves 0.9 K apart
        (np.linspace(34.0, 30.0, 120), 0.0, False),  # still cooling from what was before
        (np.full(120, 30.0), 0.25, False),  # a lesser load is no idle time
    ],
)
def test_an_idle_time_stood_where_it_was_before_all_load_and_its_reading_moved_by_less_than_a_kelvin(
    idle_c: FloatArray, before: float, stood: bool
) -> None:
    share = np.concatenate((np.full(120, before), np.ones(120)))
    assert steps(idle_c, share).tolist() == [stood, False]
