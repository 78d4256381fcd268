"""The gate of a stage: what closes it, by a reading, by silence, and by what is forecast. Facts in numbers only."""

from __future__ import annotations

import math

import pytest

from verifyrig.analysis import Forecast
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.core.profile import Gate
from verifyrig.core.reason import reason
from verifyrig.rig.gate import GateClosed, StageGate, check_gate

DIE = "die_temp_c"
AMBIENT_C = 22.0
MISSING = Reading(value=None, quality=Quality.MISSING, note="gone")


def ok(value: float) -> Reading:
    return Reading(value=value)


def ahead(settles_at_c: float, u95_k: float) -> Forecast:
    return Forecast(settles_at_c=settles_at_c, u95_k=u95_k, known=u95_k <= 1.0, remaining_s=0.0, slow=False)


def stage_gate(*channels: str, blind: bool = False, max_rise_k: float | None = None, stale_s: float = 3.0) -> StageGate:
    return StageGate(Gate(channel=DIE, max_c=50.0, max_rise_k=max_rise_k), channels or (DIE,), stale_s, blind=blind)


def closed(
    gate: StageGate,
    reading: Reading | None = None,
    forecast: Forecast | None = None,
    *,
    t_s: float = 10.0,
    final: bool = False,
    ambient_c: float | None = AMBIENT_C,
) -> GateClosed | None:
    readings = {} if reading is None else {DIE: reading}
    forecasts = {} if forecast is None else {DIE: forecast}
    return gate.closed_by(t_s, readings, forecasts, ambient_c, final=final)


def test_a_reading_above_closes_it_and_one_at_the_limit_does_not() -> None:
    assert closed(stage_gate(), ok(50.0)) is None
    found = closed(stage_gate(), ok(50.1))
    assert found is not None and (found.channel, found.value, found.limit) == (DIE, 50.1, 50.0)


def test_a_rise_over_the_room_closes_it_where_the_room_is_known() -> None:
    gate = stage_gate(max_rise_k=25.0)
    assert closed(gate, ok(AMBIENT_C + 25.0)) is None
    found = closed(gate, ok(AMBIENT_C + 25.5))
    assert found is not None and (found.value, found.limit) == (47.5, 47.0)
    assert closed(gate, ok(AMBIENT_C + 25.5), ambient_c=None) is None


def test_it_says_what_was_too_hot_in_numbers() -> None:
    hot, risen = closed(stage_gate(), ok(50.1)), closed(stage_gate(max_rise_k=25.0), ok(AMBIENT_C + 25.5))
    assert hot is not None and hot.why == reason("is-too-hot", value_c=50.1, limit_c=50.0)
    assert risen is not None and risen.why == reason("is-too-far-above-room", rise_k=25.5, limit_k=25.0)


@pytest.mark.parametrize("silent", [None, MISSING, Reading(value=90.0, quality=Quality.STALE), Reading(value=None)])
def test_a_reading_that_is_not_there_is_left_to_whoever_counts_them(silent: Reading | None) -> None:
    assert check_gate(Gate(channel=DIE, max_c=50.0), DIE, silent, AMBIENT_C) is None


def test_a_forecast_closes_it_at_once_only_where_it_is_sure() -> None:
    # 53 ± 4 °C may still end below 50; 53 ± 2 °C may not.
    assert closed(stage_gate(), ok(30.0), ahead(53.0, 4.0)) is None
    found = closed(stage_gate(), ok(30.0), ahead(53.0, 2.0))
    assert found is not None and (found.channel, found.limit) == (DIE, 50.0)


def test_the_edge_of_what_is_sure_is_the_forecast_less_its_u95() -> None:
    assert closed(stage_gate(), ok(30.0), ahead(53.0, 3.0)) is None
    assert closed(stage_gate(), ok(30.0), ahead(53.0, 2.99)) is not None


def test_at_the_stages_end_the_forecast_itself_decides() -> None:
    unsure = ahead(53.0, 30.0)
    assert closed(stage_gate(), ok(30.0), unsure) is None
    found = closed(stage_gate(), ok(30.0), unsure, final=True)
    assert found is not None and found.value == 53.0
    assert closed(stage_gate(), ok(30.0), ahead(50.0, 30.0), final=True) is None


def test_a_forecast_closes_it_by_the_rise_too() -> None:
    gate = stage_gate(max_rise_k=20.0)
    assert closed(gate, ok(30.0), ahead(45.0, 2.9)) is not None
    assert closed(gate, ok(30.0), ahead(45.0, 3.1)) is None
    assert closed(gate, ok(30.0), ahead(45.0, 1.0), ambient_c=None) is None


@pytest.mark.parametrize("forecast", [ahead(math.nan, 1.0), ahead(99.0, math.inf), ahead(math.inf, 1.0), None])
@pytest.mark.parametrize("final", [False, True])
def test_a_forecast_that_tells_nothing_closes_nothing(forecast: Forecast | None, final: bool) -> None:
    assert closed(stage_gate(), ok(30.0), forecast, final=final) is None


def test_silence_closes_it_after_the_time_that_is_allowed_and_a_reading_starts_it_anew() -> None:
    gate = stage_gate()
    assert [closed(gate, MISSING, t_s=t) for t in (10.0, 12.0, 13.0)] == [None] * 3
    found = closed(gate, MISSING, t_s=13.5)
    assert found is not None and (found.value, found.limit) == (None, None)
    assert closed(gate, ok(30.0), t_s=14.0) is None
    assert closed(gate, MISSING, t_s=15.0) is None
    assert closed(gate, MISSING, t_s=17.9) is None
    assert closed(gate, MISSING, t_s=18.1) is not None


@pytest.mark.parametrize("silent", [MISSING, None, Reading(value=30.0, quality=Quality.STALE)])
def test_what_is_not_to_be_believed_is_silence(silent: Reading | None) -> None:
    gate = stage_gate()
    closed(gate, silent, t_s=0.0)
    assert closed(gate, silent, t_s=4.0) is not None


def test_a_blind_run_is_not_closed_by_silence_and_still_by_heat() -> None:
    gate = stage_gate(blind=True)
    assert [closed(gate, MISSING, t_s=float(t)) for t in range(60)] == [None] * 60
    assert closed(gate, ok(51.0), t_s=60.0) is not None


def test_each_channel_of_its_kind_closes_it_alone() -> None:
    second = "die_2_temp_c"
    gate = stage_gate(DIE, second)
    cool, hot = {DIE: ok(30.0), second: ok(30.0)}, {DIE: ok(30.0), second: ok(60.0)}
    assert gate.closed_by(0.0, cool, {}, AMBIENT_C, final=False) is None
    found = gate.closed_by(1.0, hot, {}, AMBIENT_C, final=False)
    assert found is not None and found.channel == second
    found = gate.closed_by(2.0, cool, {second: ahead(60.0, 1.0)}, AMBIENT_C, final=False)
    assert found is not None and found.channel == second
    gate = stage_gate(DIE, second)
    assert gate.closed_by(0.0, {DIE: ok(30.0)}, {}, AMBIENT_C, final=False) is None
    found = gate.closed_by(4.0, {DIE: ok(30.0)}, {}, AMBIENT_C, final=False)
    assert found is not None and found.channel == second


def test_without_a_channel_on_this_machine_the_gates_own_name_is_silent() -> None:
    gate = StageGate(Gate(channel=DIE, max_c=50.0), (), 3.0, blind=False)
    gate.closed_by(0.0, {}, {}, None, final=False)
    found = gate.closed_by(4.0, {}, {}, None, final=False)
    assert found is not None and found.channel == DIE
