"""What the permit asks the forecast with, on processors and on graphics cards, and what it makes of the answer.

The forecast is given by hand here; its truth is tested elsewhere.
"""

from __future__ import annotations

import ast
import importlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.fakes import FakeBank
from tests.test_runner import Stand
from verifyrig.analysis.results import LoadStart
from verifyrig.core.heat_sources import CARD as CARD_PART
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading
from verifyrig.core.profile import Hold, LoadPlan, Stage, StageKind, WorkName
from verifyrig.core.reason import Reason, reason
from verifyrig.rig.load_permit import LoadPermit
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.runner import Ambient, Runner

MODULE = importlib.import_module("verifyrig.rig.load_permit")
DIE, CARD, OTHER = "die_temp_c", "gpu_temp_c", "gpu_2_temp_c"
COOL = LoadStart(peak_c=60.0, u95_k=2.0)


def info(channel: str, device: str, limit: float | None = None) -> ChannelInfo:
    return ChannelInfo(
        channel=channel, label="", device=device, source=channel, quantity="temperature", unit="°C", limit=limit
    )  # fmt: skip


def infos(*channels: str, limit_w: float | None = 300.0) -> dict[str, ChannelInfo]:
    """Channels of a machine; those with a 2 in their name are of a second card."""
    return {
        name: info(name, f"card-{'_2_' in name:d}:{name}", limit_w if "power" in name else None)
        for name in channels
    }  # fmt: skip


def stage(work: str = "linear-algebra", **plan: Any) -> Stage:
    return Stage(name="load", kind=StageKind.LOAD, load=LoadPlan(work=WorkName(work), **plan))


class Given:
    """The forecast, given by hand, and what it was asked with."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, answer: LoadStart = COOL) -> None:
        self.answer = answer
        self.asked: list[tuple[tuple[Any, ...], dict[str, Any]]] = []
        monkeypatch.setattr(MODULE, "load_start_forecast", self._ask)

    def _ask(self, *arguments: Any, **named: Any) -> LoadStart:
        self.asked.append((arguments, named))
        return self.answer


def buffer_of(*rows: tuple[float, Mapping[str, float | None]], ambient_c: float | None = None) -> RunBuffer:
    """Rows of the share of a part's full load, and values; None is no reading."""
    buffer = RunBuffer()
    for t_s, (share, values) in enumerate(rows):
        readings = {name: Reading(value=value) for name, value in values.items()}
        buffer.add(float(t_s), readings, share=share, heating={DIE: share, CARD: share}, ambient_c=ambient_c)
    return buffer


def asked(
    permit: LoadPermit, buffer: RunBuffer, work: str = "linear-algebra", blind: bool = False, **plan: Any
) -> Reason | None:
    return permit.why_not(stage(work, **plan), blind, buffer)


IDLE: tuple[float, Mapping[str, float | None]] = (0.0, {DIE: 30.0, "package_power_w": 20.0})
PULSE: tuple[float, Mapping[str, float | None]] = (0.25, {DIE: 40.0, "package_power_w": 45.0})


# ---- what is made of the answer


@pytest.mark.parametrize(
    ("peak_c", "u95_k", "code"),
    [
        (60.0, 2.0, None),
        (87.0, 2.0, None),
        (89.0, 2.0, "foreseen-too-hot"),
        (None, None, "cannot-be-foreseen"),
        (60.0, None, "cannot-be-foreseen"),
    ],
)
def test_a_load_starts_where_the_forecast_and_its_u95_lie_below_the_limit(
    monkeypatch: pytest.MonkeyPatch, peak_c: float | None, u95_k: float | None, code: str | None
) -> None:
    because = (reason("few-readings-in-pulses"),)
    Given(monkeypatch, LoadStart(peak_c=peak_c, u95_k=u95_k, why=because))
    why = asked(LoadPermit(limits_c={DIE: 90.0}), buffer_of(IDLE, PULSE))
    assert (why.code if why else None) == code
    if code == "cannot-be-foreseen":
        assert why == reason(code, why=because)
    if code == "foreseen-too-hot":
        assert why == reason(code, peak_c=89.0, u95_k=2.0, limit_c=90.0)


def test_each_guarded_die_gets_a_forecast_and_the_one_that_forbids_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    given = Given(monkeypatch, LoadStart(peak_c=89.0, u95_k=2.0))
    permit = LoadPermit(limits_c={DIE: 95.0, "die_2_temp_c": 90.0, "board_temp_c": 20.0})
    why = asked(permit, buffer_of(IDLE, PULSE))
    hot = reason("foreseen-too-hot", peak_c=89.0, u95_k=2.0, limit_c=90.0)
    assert why == reason("of-channel", channel="die_2_temp_c", why=(hot,)) and len(given.asked) == 2
    assert asked(LoadPermit(limits_c={}), buffer_of(IDLE, PULSE)) is None


# ---- what is asked for a processor


def test_the_forecast_is_given_what_was_read_and_nothing_that_was_not(monkeypatch: pytest.MonkeyPatch) -> None:
    given = Given(monkeypatch)
    fans = [(share, {**values, "cpu_fan_speed_rpm": 900.0}) for share, values in (IDLE, PULSE)]
    asked(LoadPermit(limits_c={DIE: 90.0}), buffer_of(*fans, ambient_c=22.0))
    (t_s, temp_c), named = given.asked[0]
    assert t_s.tolist() == [0.0, 1.0] and temp_c.tolist() == [30.0, 40.0]
    assert named["load_share"].tolist() == [0.0, 0.25] and named["share"] == 1.0
    assert named["power_w"].tolist() == [20.0, 45.0] and named["fan_rpm"].tolist() == [900.0, 900.0]
    assert named["ambient_c"].tolist() == [22.0, 22.0]
    asked(LoadPermit(limits_c={DIE: 90.0}), buffer_of((0.0, {DIE: 30.0}), (0.25, {DIE: 40.0})))
    named = given.asked[1][1]
    assert (named["power_w"], named["fan_rpm"], named["ambient_c"]) == (None, None, None)


def test_the_forecast_leaves_out_samples_of_a_dip(monkeypatch: pytest.MonkeyPatch) -> None:
    given = Given(monkeypatch)
    buffer = buffer_of(IDLE, PULSE)
    buffer.add(2.0, {DIE: Reading(value=20.0)}, left_out=True)
    asked(LoadPermit(limits_c={DIE: 90.0}), buffer)
    assert given.asked[0][0][0].tolist() == [0.0, 1.0]


@pytest.mark.parametrize(
    ("held_w", "share"),
    # Rest 20 W and a quarter of the load 45 W: the whole load is 120 W.
    [(70.0, 0.5), (120.0, 1.0), (200.0, 1.0), (20.0, 0.0), (10.0, 0.0)],
)
def test_a_held_power_is_a_share_of_what_the_whole_load_would_draw(
    monkeypatch: pytest.MonkeyPatch, held_w: float, share: float
) -> None:
    given = Given(monkeypatch)
    asked(LoadPermit(limits_c={DIE: 90.0}), buffer_of(IDLE, IDLE, PULSE), hold=Hold(power_w=held_w))
    assert given.asked[0][1]["share"] == pytest.approx(share)


@pytest.mark.parametrize(
    "rows",
    [
        (IDLE,),  # no pulse
        (PULSE,),  # no rest
        ((0.0, {DIE: 30.0}), PULSE),  # no power while idle
        (IDLE, (0.25, {DIE: 40.0})),  # none in the pulse
        (IDLE, (0.25, {DIE: 40.0, "package_power_w": 20.0})),  # none that grew
        (IDLE, (0.25, {DIE: 40.0, "package_power_w": 15.0})),
    ],
)
def test_where_the_whole_power_cannot_be_seen_a_held_load_counts_as_a_whole_one(
    monkeypatch: pytest.MonkeyPatch, rows: Sequence[tuple[float, Mapping[str, float | None]]]
) -> None:
    given = Given(monkeypatch)
    asked(LoadPermit(limits_c={DIE: 90.0}), buffer_of(*rows), hold=Hold(power_w=25.0))
    assert given.asked[0][1]["share"] == 1.0


def test_a_share_without_a_hold_is_the_plans(monkeypatch: pytest.MonkeyPatch) -> None:
    given = Given(monkeypatch)
    asked(LoadPermit(limits_c={DIE: 90.0}), buffer_of(IDLE, PULSE), share=0.6)
    assert given.asked[0][1]["share"] == 0.6


# ---- a card

ONE_CARD = infos(CARD, "gpu_power_w", "gpu_fan_speed_rpm")


def card_row(share: float, temp_c: float | None, power_w: float | None = None) -> tuple[float, dict[str, float | None]]:
    return share, {CARD: temp_c, "gpu_power_w": power_w, "gpu_fan_speed_rpm": 1500.0}


def test_the_forecast_of_a_card_is_given_its_power_and_its_own_limit(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    given = Given(monkeypatch)
    rows = [card_row(0.0, 30.0, 50.0), card_row(0.0, 30.0, 52.0), card_row(0.0, 30.0, 48.0)]
    rows += [card_row(0.25, 35.0, 75.0), card_row(0.25, 36.0, None), card_row(0.25, 37.0, 400.0)]
    asked(LoadPermit(limits_c={CARD: 90.0}, infos=ONE_CARD), buffer_of(*rows), "gpu-linear-algebra")
    (t_s, temp_c), named = given.asked[0]
    # A card lets its clocks fall between short blocks: what it draws tells of a load, and not the time it was given.
    assert named["power_w"].tolist() == pytest.approx([50.0, 52.0, 48.0, 75.0, math.nan, 400.0], nan_ok=True)
    assert named["part"] is CARD_PART and named["power_limit_w"] == 300.0 and named["share"] == 1.0
    assert len(t_s) == 6 and temp_c.tolist()[-1] == 37.0


@pytest.mark.parametrize(("held_w", "share"), [(175.0, 0.5), (300.0, 1.0), (500.0, 1.0), (50.0, 0.0), (10.0, 0.0)])
def test_a_cards_held_power_is_a_share_of_its_limit(
    monkeypatch: pytest.MonkeyPatch, held_w: float, share: float
) -> None:
    given = Given(monkeypatch)
    buffer = buffer_of(card_row(0.0, 30.0, 50.0), card_row(0.25, 35.0, 75.0))
    permit = LoadPermit(limits_c={CARD: 90.0}, infos=ONE_CARD)
    asked(permit, buffer, "gpu-linear-algebra", hold=Hold(gpu_power_w=held_w))
    assert given.asked[0][1]["share"] == pytest.approx(share)


def test_without_an_idle_card_its_load_is_the_whole(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    given = Given(monkeypatch)
    buffer = buffer_of(card_row(0.0, 30.0, None), card_row(0.25, 35.0, 75.0))
    permit = LoadPermit(limits_c={CARD: 90.0}, infos=ONE_CARD)
    asked(permit, buffer, "gpu-linear-algebra", hold=Hold(gpu_power_w=100.0))
    assert given.asked[0][1]["load_share"].tolist() == [0.0, 0.25] and given.asked[0][1]["share"] == 1.0


def test_the_forecast_of_a_card_without_a_limit_is_that_of_a_die_with_its_own_power_and_fan(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    given = Given(monkeypatch)
    known = infos(CARD, "gpu_power_w", "gpu_fan_speed_rpm", limit_w=None)
    buffer = buffer_of(card_row(0.0, 30.0, 50.0), card_row(0.25, 35.0, 75.0))
    asked(LoadPermit(limits_c={CARD: 90.0}, infos=known), buffer, "gpu-linear-algebra")
    _, named = given.asked[0]
    assert named["part"] is CARD_PART and named["power_limit_w"] is None and named["power_w"].tolist() == [50.0, 75.0]
    assert named["fan_rpm"].tolist() == [1500.0, 1500.0] and named["load_share"].tolist() == [0.0, 0.25]


def test_a_die_has_the_fan_of_the_processor_whatever_the_machine_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    given = Given(monkeypatch)
    known = {DIE: info(DIE, "cpu:0"), "cpu_fan_speed_rpm": info("cpu_fan_speed_rpm", "board:1")}
    rows = [(share, {**values, "cpu_fan_speed_rpm": 900.0}) for share, values in (IDLE, PULSE)]
    asked(LoadPermit(limits_c={DIE: 90.0}, infos=known), buffer_of(*rows))
    assert given.asked[0][1]["fan_rpm"].tolist() == [900.0, 900.0]
    assert given.asked[0][1]["power_w"] is None  # no power belongs to this die


@pytest.mark.parametrize(("target_c", "allowed"), [(85.0, True), (85.1, False)])
def test_a_held_card_keeps_five_kelvin_to_its_limit(target_c: float, allowed: bool) -> None:
    permit = LoadPermit(limits_c={CARD: 90.0}, infos=ONE_CARD)
    why = asked(permit, buffer_of(card_row(0.0, 30.0, 50.0)), "gpu-linear-algebra", hold=Hold(gpu_temp_c=target_c))
    assert why == (None if allowed else reason("held-too-near-limit", target_c=target_c, room_k=5.0))


def test_a_cards_held_temperature_is_none_of_the_die(monkeypatch: pytest.MonkeyPatch) -> None:
    given = Given(monkeypatch)
    asked(LoadPermit(limits_c={DIE: 90.0}), buffer_of(IDLE, PULSE), hold=Hold(gpu_temp_c=80.0))
    assert len(given.asked) == 1


# ---- several cards: those that the pulses reached are forecast

TWO_CARDS = infos(CARD, OTHER, "gpu_power_w", "gpu_2_power_w")


def forecast(
    monkeypatch: pytest.MonkeyPatch,
    known: Mapping[str, ChannelInfo],
    *rows: tuple[float, Mapping[str, float | None]],
) -> list[str]:
    """Return the cards for which a forecast was asked, told apart by their temperatures."""
    given = Given(monkeypatch)
    asked(LoadPermit(limits_c={CARD: 90.0, OTHER: 90.0}, infos=known), buffer_of(*rows), "gpu-linear-algebra")
    return [CARD if arguments[1][0] == 30.0 else OTHER for arguments, _ in given.asked]


def two(share: float, watts: tuple[float | None, float | None], temps: tuple[float, float] = (30.0, 40.0)) -> Any:
    return share, {CARD: temps[0], OTHER: temps[1], "gpu_power_w": watts[0], "gpu_2_power_w": watts[1]}


@pytest.mark.parametrize(
    ("loaded_w", "cards"),
    [
        ((60.0, 50.0), [CARD]),  # ten watts more are a load (common practice, no source)
        ((59.9, 50.0), [CARD, OTHER]),  # none was reached: each could be
        ((59.9, 70.0), [OTHER]),
        ((200.0, 200.0), [CARD, OTHER]),
        ((None, 50.0), [CARD]),  # what shows nothing under load may have been reached
    ],
)
def test_of_several_cards_those_whose_power_answered_get_a_forecast(
    monkeypatch: pytest.MonkeyPatch, loaded_w: tuple[float | None, float | None], cards: list[str]
) -> None:
    rows = [two(0.0, (50.0, 50.0)), two(0.0, (50.0, 50.0)), two(0.0, (90.0, 45.0)), two(0.25, loaded_w)]
    assert forecast(monkeypatch, TWO_CARDS, *rows) == cards


def test_a_card_without_an_idle_reading_may_have_been_reached(monkeypatch: pytest.MonkeyPatch) -> None:
    assert forecast(monkeypatch, TWO_CARDS, two(0.0, (None, 50.0)), two(0.25, (60.0, 50.0))) == [CARD]


@pytest.mark.parametrize(("warmer_k", "cards"), [(2.0, [OTHER]), (1.9, [CARD, OTHER])])
def test_cards_that_show_no_power_are_told_by_two_kelvin(
    monkeypatch: pytest.MonkeyPatch, warmer_k: float, cards: list[str]
) -> None:
    rows = [two(0.0, (None, None)), two(0.25, (None, None), (30.0, 40.0 + warmer_k))]
    assert forecast(monkeypatch, infos(CARD, OTHER), *rows) == cards


def test_a_single_card_gets_a_forecast_whatever_it_answered(monkeypatch: pytest.MonkeyPatch) -> None:
    given = Given(monkeypatch)
    buffer = buffer_of(card_row(0.0, 30.0, 50.0), card_row(0.25, 30.0, 50.0))
    asked(LoadPermit(limits_c={CARD: 90.0, DIE: 90.0}, infos=ONE_CARD), buffer, "gpu-linear-algebra")
    assert len(given.asked) == 1
    assert math.isfinite(given.asked[0][1]["share"]) and np.all(given.asked[0][0][1] == 30.0)


def test_no_run_of_these_tests_and_benchmarks_has_its_permit_switched_off() -> None:
    """A permit without limits refuses nothing, so such a run would not show what a real one does."""
    off = []
    for path in sorted(Path(__file__).parent.rglob("*.py")):
        calls = [node for node in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(node, ast.Call)]
        for call in calls:
            permits = [word.value for word in call.keywords if word.arg == "permit"]
            limits = [
                word.value
                for permit in permits
                if isinstance(permit, ast.Call)
                for word in permit.keywords
                if word.arg == "limits_c"
            ]
            off += [f"{path.name}:{call.lineno}" for limit in limits if isinstance(limit, ast.Dict) and not limit.keys]
    assert off == []


class InletBank(FakeBank):
    """One die, and what else of the air is read."""

    def __init__(self, air: dict[str, Reading]) -> None:
        super().__init__(lambda _t_s, share: 30.0 + 10.0 * share)
        self.air = air

    def sample(self, now_s: float, *, load_share: float) -> dict[str, Reading]:
        return {**super().sample(now_s, load_share=load_share), **self.air}


STALE = Reading(value=31.0, quality=Quality.STALE)


@pytest.mark.parametrize(
    ("air", "typed_c", "ambient_c"),
    [
        ({"ambient_temp_c": Reading(value=24.0), "inlet_temp_c": Reading(value=31.0)}, 22.0, 24.0),
        ({"inlet_temp_c": Reading(value=31.0)}, 22.0, 31.0),
        ({"ambient_temp_c": STALE, "inlet_temp_c": Reading(value=29.0)}, None, 29.0),
        ({"inlet_temp_c": STALE}, 22.0, 22.0),
        ({}, 22.0, 22.0),
        ({}, None, math.nan),
    ],
)
def test_a_permit_forecasts_over_the_probe_in_the_room_else_the_inlet_else_what_was_typed(
    monkeypatch: pytest.MonkeyPatch, air: dict[str, Reading], typed_c: float | None, ambient_c: float
) -> None:
    stand = Stand(lambda _t_s, share: 30.0 + 10.0 * share)
    stand.bank = InletBank(air)
    asked: list[float] = []

    def forecast(*_args: Any, ambient_c: Any = None, **_more: Any) -> LoadStart:
        asked.append(math.nan if ambient_c is None else float(ambient_c[-1]))
        return LoadStart(peak_c=40.0, u95_k=1.0)

    monkeypatch.setattr("verifyrig.rig.load_permit.load_start_forecast", forecast)
    typed = None if typed_c is None else Ambient(value_c=typed_c, u95_k=0.5)
    assert Runner(replace(stand.rig, bank=stand.bank, ambient=typed)).run().outcome == "completed"
    assert asked == pytest.approx([ambient_c], nan_ok=True)
