"""What a fan's duty tells of its full speed, beside what the specification of fans with four wires asks of them.

Specification "4-Wire Pulse Width Modulation (PWM) Controlled Fans", revision 1.3, 2005, from memory: the speed over the
full one matches the duty to within 10 % of full speed.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.fakes import die_info
from verifyrig.analysis import settled as settled_module
from verifyrig.analysis.fan_speed import FullSpeed, full_speed, joined
from verifyrig.analysis.prior import PLAUSIBLE, P
from verifyrig.analysis.samples import prepare
from verifyrig.core.heat_sources import CARD, DIE, HeatSource
from verifyrig.core.interfaces import Reading
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import Settle, Stage, StageKind
from verifyrig.core.trace import FloatArray, StageSpan, Trace
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.stage_forecasts import StageForecasts

FULL_RPM = 1800.0
RISING = np.linspace(0.4, 0.9, 101)


def test_a_fan_that_keeps_to_its_duty_has_its_speed_over_it() -> None:
    found = full_speed(FULL_RPM * RISING, RISING)
    assert found is not None
    assert found.rpm == pytest.approx(FULL_RPM)
    # Nine in ten duties lie below 0.85.
    assert found.spread == pytest.approx(0.07 / 0.85)


@pytest.mark.parametrize("off", [-0.1, 0.1])
@pytest.mark.parametrize("top", [0.5, 0.7, 1.0])
def test_fans_at_the_specification_s_edges_lie_within_two_standard_deviations(off: float, top: float) -> None:
    duty = np.linspace(0.45, top, 60)
    share = duty + off * (1.0 - duty) / 0.55  # all of it at the least duty, none at the full one
    found = full_speed(FULL_RPM * share, duty)
    assert found is not None
    assert abs(math.log(found.rpm / FULL_RPM)) <= 2 * found.spread


def test_it_is_taken_where_the_duty_is_highest() -> None:
    duty = np.concatenate((np.full(80, 0.4), np.full(20, 1.0)))
    rpm = np.concatenate((np.full(80, 840.0), np.full(20, FULL_RPM)))
    found = full_speed(rpm, duty)
    assert found is not None
    assert (found.rpm, found.spread) == pytest.approx((FULL_RPM, 0.07))


@pytest.mark.parametrize(
    ("rpm", "duty"),
    [
        (FULL_RPM * RISING, np.full(101, 0.6)),
        (np.full(101, 900.0), RISING),
        (np.full(101, 0.0), RISING),
        (FULL_RPM * RISING, np.full(101, math.nan)),
        (FULL_RPM * np.full(101, 0.19), np.full(101, 0.19)),
    ],
    ids=["the duty of another fan", "a duty that is not obeyed", "a fan that stands", "no duty read", "hardly driven"],
)
def test_a_duty_that_does_not_go_with_the_speed_tells_nothing(rpm: FloatArray, duty: FloatArray) -> None:
    assert full_speed(rpm, duty) is None


def test_a_quarter_more_or_less_is_still_the_same_fan() -> None:
    duty = np.full(100, 0.5)
    near, far = (full_speed(900.0 * np.exp(np.linspace(0, width, 100)), duty) for width in (0.27, 0.29))
    assert near is not None and far is None


@pytest.mark.parametrize(
    ("rpm", "duty", "told"), [(100.0, 0.2, True), (99.5, 0.2, False), (100.0, 0.199, False), (150.0, 0.3, True)]
)
def test_a_fan_counts_from_a_hundred_turns_a_minute_and_a_fifth_of_its_duty_on(
    rpm: float, duty: float, told: bool
) -> None:
    assert (full_speed(np.full(20, rpm), np.full(20, duty)) is not None) is told


def test_half_of_the_speeds_and_ten_must_have_their_duty() -> None:
    rpm, duty = np.full(100, 900.0), np.full(100, 0.5)
    assert full_speed(rpm, np.where(np.arange(100) < 50, duty, math.nan)) is not None
    assert full_speed(rpm, np.where(np.arange(100) < 49, duty, math.nan)) is None
    assert full_speed(rpm[:10], duty[:10]) is not None
    assert full_speed(rpm[:9], duty[:9]) is None


def test_what_is_usual_and_what_was_found_are_weighted_by_their_variances() -> None:
    # JCGM 100:2008, H.3 and any book on weighted means, on the logarithm: weights 1/0.2² and 1/0.1², 25 and 100.
    found = joined(FullSpeed(1000.0, 0.2), FullSpeed(2000.0, 0.1))
    assert found.rpm == pytest.approx(1000.0**0.2 * 2000.0**0.8)
    assert found.spread == pytest.approx(125.0**-0.5)


@pytest.mark.parametrize(("power_w", "part", "known"), [(60.0, DIE, True), (math.nan, DIE, False), (60.0, CARD, False)])
def test_where_power_and_room_are_read_the_duty_of_a_processors_fan_counts(
    power_w: float, part: HeatSource, known: bool
) -> None:
    n = len(RISING)
    t, rest = np.arange(float(n)), np.ones(n)
    given = (t, 50 * rest, power_w * rest, FULL_RPM * RISING, 22.0, rest, None, part)
    with_duty, without = prepare(*given, fan_duty=RISING), prepare(*given)
    assert with_duty is not None and without is not None
    changed = with_duty.prior.middle != without.prior.middle
    assert np.flatnonzero(changed).tolist() == ([P.FULL_SPEED] if known else [])
    if known:
        usual = float(PLAUSIBLE.middle[P.FULL_SPEED])
        assert sorted((usual, FULL_RPM))[0] < with_duty.prior.middle[P.FULL_SPEED] < sorted((usual, FULL_RPM))[1]
        assert with_duty.prior.spread[P.FULL_SPEED] < min(0.07 / 0.85, PLAUSIBLE.spread[P.FULL_SPEED])


def test_a_stage_s_forecast_reads_the_duty_of_its_fan(monkeypatch: pytest.MonkeyPatch) -> None:
    rule, buffer = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=400.0), RunBuffer()
    forecasts = StageForecasts(buffer, {"die_temp_c": die_info()}, {})
    forecasts.begin(Stage(name="idle", kind=StageKind.IDLE, settle=rule), 0.0)
    for t_s in range(12):
        buffer.add(float(t_s), {"die_temp_c": Reading(value=40.0), "cpu_fan_duty_share": Reading(value=0.5)})
    seen: list[FloatArray | None] = []

    def prepared(*given: object) -> None:
        seen.append(given[9])  # type: ignore[arg-type]

    monkeypatch.setattr("verifyrig.analysis.stage_forecaster.prepare", prepared)
    forecasts.update(11.0)
    assert seen[0] is not None and seen[0].tolist() == [0.5] * 12


@pytest.mark.parametrize("read", [True, False])
def test_a_settled_value_reads_the_duty_of_its_fan_where_there_is_one(
    monkeypatch: pytest.MonkeyPatch, read: bool
) -> None:
    t = np.arange(100.0)
    columns = {"die_temp_c": np.full(100, 50.0), "load_share": np.ones(100)}
    columns |= {"cpu_fan_duty_share": np.full(100, 0.5)} if read else {}
    stage = StageSpan(name="load", kind=StageKind.LOAD, start_s=0.0, end_s=99.0, ended=StageEnd.TIME)
    trace = Trace(
        run_id="20310101-000000-abcd",
        facts={},
        profile=None,
        stages=(stage,),
        t_s=t,
        utc_s=t,
        columns=columns,
        events=(),
    )
    seen: list[FloatArray | None] = []

    def told(*_given: object, fan_duty: FloatArray | None, **_other: object) -> None:
        seen.append(fan_duty)

    monkeypatch.setattr(settled_module, "forecast", told)
    settled_module.settled_value(trace, stage, "die_temp_c")
    assert [None if one is None else one.tolist() for one in seen] == [[0.5] * 100 if read else None]
