"""May a load start: answers of people, a held temperature's distance to the limit, and the forecast from the pulses.

The forecast is asked of simulated hardware, whose true end under full load `steady_state` solves from its own network:
nothing of the analysis is in that figure.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import NamedTuple

import pytest

from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.network import steady_state
from mock_hw.physics.parameters import draw
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading
from verifyrig.core.profile import Hold, LoadPattern, LoadPlan, Stage, StageKind, WorkName
from verifyrig.core.reason import Reason, reason
from verifyrig.rig.load_driver import heating_of
from verifyrig.rig.load_permit import HOLD_HEADROOM_K, LoadPermit
from verifyrig.rig.run_buffer import RunBuffer

IDLE_S, ON_S, OFF_S, PULSES = 120, 5, 55, 4
SHOWN = ("die_temp_c", "cpu_fan_speed_rpm", "ambient_temp_c")


class Row(NamedTuple):
    """One sample of a simulated machine: time, what its sensors show, and whether the pulse was on."""

    t_s: float
    values: Mapping[str, float]
    on: bool


@cache
def pulsed(case: str, pulse_share: float = 0.25, ambient_c: float | None = None) -> tuple[Row, ...]:
    """Idle and pulses of a typical machine; power is what its counter of energy gained."""
    machine = SimulatedMachine(draw(case, 0), seed=0)
    rows, before_uj = [], machine.counters.energy_uj
    ends_s = IDLE_S + PULSES * (ON_S + OFF_S)
    for t_s in range(ends_s):
        in_pulse = t_s >= IDLE_S and (t_s - IDLE_S) % (ON_S + OFF_S) < ON_S
        machine.advance(1.0, pulse_share if in_pulse else 0.0)
        values = {name: machine.sensor_reading(name) for name in SHOWN}
        values["package_power_w"] = max(0.0, (machine.counters.energy_uj - before_uj) * 1e-6)
        before_uj = machine.counters.energy_uj
        rows.append(Row(float(t_s), values, in_pulse))
    return tuple(rows)


def load_stage(
    *, work: str = "linear-algebra", share: float = 1.0, workers: str = "all", hold: Hold | None = None
) -> Stage:
    plan = LoadPlan(work=WorkName(work), share=share, workers=workers, hold=hold)
    return Stage(name="load", kind=StageKind.LOAD, load=plan)


PULSES_STAGE = Stage(
    name="pulses", kind=StageKind.LOAD,
    load=LoadPlan(
        work=WorkName.LINEAR_ALGEBRA, pattern=LoadPattern.PULSES, workers="quarter",
        on_s=ON_S, off_s=OFF_S, count=PULSES,
    ),
)  # fmt: skip


class Asked(NamedTuple):
    """A permit and the samples that it reads."""

    permit: LoadPermit
    buffer: RunBuffer

    def why_not(self, stage: Stage, *, blind: bool = False) -> Reason | None:
        return self.permit.why_not(stage, blind, self.buffer)


def ambient_c(readings: Mapping[str, Reading], typed_c: float | None) -> float | None:
    """Return the ambient temperature of a row as the simulated room's probe shows it, else as typed."""
    return readings["ambient_temp_c"].value if "ambient_temp_c" in readings else typed_c


def permit(
    limit_c: float,
    rows: tuple[Row, ...],
    *,
    workers: Stage = PULSES_STAGE,
    without: tuple[str, ...] = (),
    typed_c: float | None = None,
) -> Asked:
    asked = Asked(LoadPermit(limits_c={"die_temp_c": limit_c}), RunBuffer())
    for row in rows:
        readings = {name: Reading(value=value) for name, value in row.values.items() if name not in without}
        take(asked.buffer, row, readings, workers, ambient_c(readings, typed_c))
    return asked


def take(
    buffer: RunBuffer, row: Row, readings: Mapping[str, Reading], workers: Stage, ambient_c: float | None = None
) -> None:
    assert workers.load is not None
    share = 1.0 if row.on else 0.0
    buffer.add(row.t_s, readings, share=share, heating=heating_of(workers.load, share), ambient_c=ambient_c)


def full_c(case: str) -> float:
    return steady_state(draw(case, 0), 1.0).die_c


def highest_allowed_c(rows: tuple[Row, ...], stage: Stage, **how: object) -> float:
    """Return the lowest trip limit under which the load would be started, °C."""
    low, high = 20.0, 250.0
    for _ in range(9):
        middle = (low + high) / 2
        allowed = permit(middle, rows, **how).why_not(stage, blind=False) is None  # type: ignore[arg-type]
        low, high = (low, middle) if allowed else (middle, high)
    return high


# ---- answers, and loads that need none


def test_an_unanswered_question_forbids_any_load_above_the_gentle_pulses() -> None:
    unanswered = (reason("not-answered", question="leak?"), reason("not-answered", question="smell?"))
    asked = Asked(LoadPermit(refusals=unanswered, limits_c={}), RunBuffer())
    why = reason("answers-forbid", answers=unanswered)
    assert str(why) == "not answered: leak?; not answered: smell?"
    assert asked.why_not(load_stage(), blind=False) == why
    assert asked.why_not(load_stage(), blind=True) == why
    assert asked.why_not(load_stage(work="external"), blind=False) == why


def test_a_blind_load_a_persons_own_load_and_an_idle_stage_get_no_forecast() -> None:
    nothing_known = permit(40.0, ())
    assert nothing_known.why_not(load_stage(), blind=True) is None
    assert nothing_known.why_not(load_stage(work="external"), blind=False) is None
    assert nothing_known.why_not(Stage(name="idle", kind=StageKind.IDLE), blind=False) is None


@pytest.mark.parametrize(("share", "forecast"), [(0.25, False), (0.26, True)])
def test_up_to_a_quarter_of_the_machine_may_start_without_a_forecast(share: float, forecast: bool) -> None:
    assert (permit(90.0, ()).why_not(load_stage(share=share), blind=False) is not None) is forecast


def test_a_load_is_not_started_where_there_is_no_forecast() -> None:
    idle_only = tuple(row for row in pulsed("healthy-air") if row.t_s < IDLE_S)
    why = permit(92.0, idle_only).why_not(load_stage(), blind=False)
    assert why is not None and why.code == "cannot-be-foreseen"


# ---- a held temperature


@pytest.mark.parametrize(("target_c", "allowed"), [(85.0, True), (85.1, False), (89.9, False)])
def test_a_held_die_keeps_five_kelvin_to_its_limit(target_c: float, allowed: bool) -> None:
    assert HOLD_HEADROOM_K == 5.0
    why = permit(90.0, ()).why_not(load_stage(hold=Hold(die_temp_c=target_c)), blind=False)
    assert (why is None) is allowed


# ---- the forecast


def test_a_sound_machine_may_be_loaded_and_one_with_a_film_on_its_plate_may_not() -> None:
    sound, film = pulsed("healthy-air"), pulsed("film-left-on")
    assert permit(92.0, sound).why_not(load_stage(), blind=False) is None
    assert permit(92.0, film).why_not(load_stage(), blind=False) is not None


def test_the_true_end_lies_between_idle_and_the_lowest_limit_that_is_allowed() -> None:
    # What is forecast and its u95 together lie above the truth, and not absurdly far above it.
    needed_c = highest_allowed_c(pulsed("healthy-air"), load_stage())
    assert full_c("healthy-air") < needed_c < full_c("healthy-air") + 25.0


def test_pulses_on_a_quarter_of_the_workers_are_a_quarter_of_the_load() -> None:
    rows = pulsed("healthy-air")
    quarter_c = highest_allowed_c(rows, load_stage())
    as_if_full_c = highest_allowed_c(rows, load_stage(), workers=load_stage())
    # The same readings after pulses of all workers would tell of a machine that full load hardly warms.
    assert as_if_full_c < full_c("healthy-air") - 10.0
    assert quarter_c > full_c("healthy-air")


def test_pulses_on_all_workers_are_the_whole_load() -> None:
    rows = pulsed("healthy-air", pulse_share=1.0)
    whole_c = highest_allowed_c(rows, load_stage(), workers=load_stage())
    assert full_c("healthy-air") - 3.0 < whole_c < full_c("healthy-air") + 25.0


def test_half_a_load_needs_less_headroom_than_a_whole_one() -> None:
    rows = pulsed("healthy-air")
    half_c, whole_c = (highest_allowed_c(rows, load_stage(share=share)) for share in (0.5, 1.0))
    true_half_c = steady_state(draw("healthy-air", 0), 0.5).die_c
    assert true_half_c < half_c < whole_c - 5.0


def test_a_load_held_at_a_power_is_forecast_at_that_power() -> None:
    rows, machine = pulsed("healthy-air"), draw("healthy-air", 0)
    held_c = highest_allowed_c(rows, load_stage(hold=Hold(power_w=60.0)))
    whole_c = highest_allowed_c(rows, load_stage())
    half = steady_state(machine, 0.5)
    assert half.power_w == pytest.approx(60.0, abs=5.0)
    assert half.die_c - 3.0 < held_c < whole_c - 5.0


def test_an_ambient_that_was_typed_serves_as_well_as_one_that_was_measured() -> None:
    rows = pulsed("healthy-air")
    without = ("ambient_temp_c",)
    measured_c = highest_allowed_c(rows, load_stage())
    typed_c = highest_allowed_c(rows, load_stage(), without=without, typed_c=22.5)
    unknown_c = highest_allowed_c(rows, load_stage(), without=without)
    assert typed_c == pytest.approx(measured_c, abs=2.0)
    assert unknown_c > measured_c - 2.0


def test_the_forecast_uses_only_readings_to_be_believed() -> None:
    found = Asked(LoadPermit(limits_c={"die_temp_c": 92.0}), RunBuffer())
    for row in pulsed("healthy-air"):
        stale = {name: Reading(value=value, quality=Quality.STALE) for name, value in row.values.items()}
        take(found.buffer, row, stale, PULSES_STAGE)
    why = found.why_not(load_stage(), blind=False)
    assert why == reason("cannot-be-foreseen", why=(reason("no-reading-at-rest"),))


def test_every_die_gets_a_forecast_and_the_worst_decides() -> None:
    sound, film = pulsed("healthy-air"), pulsed("film-left-on")
    second = "die_2_temp_c"
    infos = {
        name: ChannelInfo(channel=name, label="", device=name, source="s", quantity="temperature", unit="°C")
        for name in ("die_temp_c", second)
    }
    found = Asked(LoadPermit(limits_c={"die_temp_c": 92.0, second: 92.0}, infos=infos), RunBuffer())
    for cool, hot in zip(sound, film, strict=True):
        readings = {name: Reading(value=value) for name, value in cool.values.items()}
        readings |= {second: Reading(value=hot.values["die_temp_c"])}
        take(found.buffer, cool, readings, PULSES_STAGE, cool.values["ambient_temp_c"])
    why = found.why_not(load_stage(), blind=False)
    assert why is not None and (why.code, why.values["channel"]) == ("of-channel", second)


def test_a_load_that_heats_another_part_is_not_held_against_the_die() -> None:
    assert permit(40.0, ()).why_not(load_stage(work="gpu-linear-algebra"), blind=False) is None
