"""The simulated machine as a whole: throttling, switching off, faults, sensors, and the sign of every case."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from mock_hw.physics.counters import ENERGY_RANGE_UJ, Counters
from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.mistakes import Countdown
from mock_hw.physics.network import steady_state
from mock_hw.physics.parameters import draw
from mock_hw.physics.parts import Cooler, MachineParameters, Mistakes

RESISTANT = {"gives_up_after_s": math.inf}
CORES = ("core_temp_c", *(f"core_{n}_temp_c" for n in range(2, 7)))


def run(machine: SimulatedMachine, seconds: int, share: float = 1.0) -> list[float]:
    """Advance in steps of a second; return the die's temperature after each."""
    temps_c = []
    for _ in range(seconds):
        machine.advance(1.0, share)
        temps_c.append(machine.die_c)
    return temps_c


def with_processor(parameters: MachineParameters, **changes: float) -> MachineParameters:
    return replace(parameters, processor=replace(parameters.processor, **changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("cooler", ["air", "liquid"])
def test_a_healthy_machine_starts_settled_and_neither_throttles_nor_errs_under_load(cooler: Cooler) -> None:
    machine = SimulatedMachine(draw(f"healthy-{cooler}", 3), seed=3)
    idle_c = machine.die_c
    assert run(machine, 60, 0.0)[-1] == pytest.approx(idle_c, abs=0.3)
    run(machine, 300)
    assert machine.counters.throttle_events == 0
    assert machine.mistakes.errors == 0
    assert machine.clock_share == 1.0


def test_the_same_seed_gives_the_same_course_and_another_seed_another() -> None:
    courses = []
    for seed in (4, 4, 5):
        machine = SimulatedMachine(draw("memory-faulty", 4), seed=seed)
        course = []
        for _ in range(120):
            machine.advance(1.0, 1.0)
            course.append((machine.sensor_reading("die_temp_c"), machine.mistakes.errors))
        courses.append((machine.boot_id, course))
    assert courses[0] == courses[1]
    assert courses[0] != courses[2]


def test_throttling_holds_the_limit_lowers_power_and_counts() -> None:
    parameters = with_processor(draw("film-left-on", 0), **RESISTANT)
    machine = SimulatedMachine(parameters, seed=0)
    temps_c = run(machine, 300)
    limit_c = parameters.processor.limit_c
    assert max(temps_c) <= limit_c + 0.5
    assert machine.die_c == pytest.approx(limit_c, abs=0.1)
    assert 0.1 < machine.clock_share < 1.0
    assert machine.counters.throttle_events > 100
    assert machine.counters.throttled_s == pytest.approx(300, abs=60)
    assert machine.power_w < steady_state(draw("healthy-air", 0)).power_w


def test_a_machine_that_gives_up_at_its_limit_switches_off_and_comes_back_with_a_new_boot_id() -> None:
    machine = SimulatedMachine(with_processor(draw("film-left-on", 0), gives_up_after_s=20.0), seed=0)
    boot_id = machine.boot_id
    while machine.is_on:
        hot_c = machine.die_c
        machine.advance(0.25, 1.0)
        assert machine.elapsed_s < 300
    assert machine.last_stop == "thermal-cut"
    assert machine.power_w == 0.0
    assert machine.restart_wait_s >= 60
    assert hot_c == pytest.approx(machine.parameters.processor.limit_c, abs=0.1)
    # Common practice, no source: with bad contact the die falls by 20 to 30 K in the first 5 s of cooling.
    run(machine, 5)
    assert machine.die_c < hot_c - 20
    machine.restart()
    assert machine.is_on
    assert machine.boot_id != boot_id
    assert machine.counters.uptime_s == 0.0
    run(machine, 5, 0.2)
    assert machine.power_w > 0


def test_a_die_that_throttling_cannot_hold_is_cut_above_its_limit() -> None:
    # A floor clock near the full clock is a throttle that does nothing.
    parameters = with_processor(draw("film-left-on", 0), floor_clock_share=0.98, cut_above_limit_k=6.0, **RESISTANT)
    machine = SimulatedMachine(parameters, seed=0)
    temps_c = run(machine, 300)
    assert machine.last_stop == "thermal-cut"
    assert max(temps_c) < parameters.processor.limit_c + 6.0 + 4.0


def test_a_dead_pump_is_hot_and_climbing_at_idle_while_radiator_and_coolant_stay_cool() -> None:
    # Common practice, no source: 45 °C and climbing at idle is suspect, 50 °C within minutes is a fault; the tachometer
    # proves nothing; a radiator that stays cold beside a hot processor means that the heat does not reach it.
    for seed in range(4):
        parameters = draw("coolant-stopped", seed)
        healthy = draw("healthy-liquid", seed)
        machine = SimulatedMachine(parameters, seed=seed)
        start_c, ambient_c = machine.die_c, parameters.ambient.temp_c
        temps_c = run(machine, 900, 0.0)
        assert start_c >= 42
        assert temps_c[59] > start_c + 0.5
        assert max(temps_c) > 50
        assert machine.coolant_c < ambient_c + 8
        assert machine.temp_c("radiator") < ambient_c + 8
        assert machine.plate_c > machine.coolant_c + 25
        assert machine.thermal.hose_out_c > machine.coolant_c + 5
        assert machine.sensor_reading("coolant_temp_c") < ambient_c + 9
        assert machine.sensor_reading("pump_speed_rpm") == pytest.approx(healthy.fans.pump_rpm, abs=50)


def test_a_slow_coolant_shows_between_the_hoses() -> None:
    # Heat balance of water (IAPWS-95, computed): 69.5 W/K at 1 L/min; a healthy loop has 1 to 3 K between its hoses.
    gaps_k = {}
    for case in ("healthy-liquid", "coolant-slow"):
        machine = SimulatedMachine(draw(case, 0), seed=0)
        run(machine, 1500, 0.6)
        gaps_k[case] = machine.thermal.hose_out_c - machine.coolant_c
        flow = machine.parameters.thermal.flow_l_per_min
        assert gaps_k[case] == pytest.approx(machine.power_w / (69.5 * flow), rel=0.03)
    assert 0.5 < gaps_k["healthy-liquid"] < 3
    assert gaps_k["coolant-slow"] > 5


def test_a_standing_fan_reads_zero_at_high_duty_and_the_first_minute_looks_normal() -> None:
    stopped, healthy = (
        SimulatedMachine(draw(case, 0, cooler="air"), seed=0) for case in ("fan-stopped", "healthy-air")
    )
    rises_k = [run(machine, 60)[-1] - steady_state(machine.parameters, 0.0).die_c for machine in (stopped, healthy)]
    assert rises_k[0] == pytest.approx(rises_k[1], rel=0.15)
    for machine in (stopped, healthy):
        run(machine, 540)
    assert stopped.sensor_reading("cpu_fan_speed_rpm") == 0
    assert stopped.fans.duty_share > 0.9
    assert stopped.sensor_reading("case_fan_speed_rpm") > 500
    assert stopped.die_c > healthy.die_c + 20


def test_a_loose_mount_heats_one_half_of_the_cores_and_shows_at_once_when_the_load_begins_and_ends() -> None:
    # Common practice, no source: bad contact shows within seconds, both ways, and where a mount is loose on one side
    # the cores on that side run hotter; the cooler itself stays as cool as ever for the watts that reach it.
    loose, sound = (SimulatedMachine(draw(case, 0, cooler="air"), seed=0) for case in ("mount-loose", "healthy-air"))
    idle_k = {machine: machine.die_c - machine.plate_c for machine in (loose, sound)}
    for machine in (loose, sound):
        run(machine, 600, 0.6)
    spread = [
        max(readings := [machine.sensor_reading(core) for core in CORES]) - min(readings) for machine in (loose, sound)
    ]
    assert spread[0] > spread[1] + 2
    over_plate_k = [(machine.die_c - machine.plate_c - idle_k[machine]) / machine.power_w for machine in (loose, sound)]
    assert over_plate_k[0] > 1.8 * over_plate_k[1]
    plate_k_per_w = [(machine.plate_c - machine.ambient_c) / machine.power_w for machine in (loose, sound)]
    assert plate_k_per_w[0] < plate_k_per_w[1] * 1.02  # less, since the hotter die asks for more fan
    falls_k = []
    for machine in (loose, sound):
        hot_c = machine.die_c
        run(machine, 5, 0.0)
        falls_k.append(hot_c - machine.die_c)
    assert falls_k[0] > 1.15 * falls_k[1]


def test_a_choked_case_warms_the_air_at_the_coolers_inlet() -> None:
    # Common practice, no source: 8 to 10 K between room and cooler inlet speaks for the case.
    machine = SimulatedMachine(draw("case-choked", 0), seed=0)
    run(machine, 1200)
    assert machine.sensor_reading("inlet_temp_c") - machine.ambient_c > 8
    healthy = SimulatedMachine(draw("healthy-air", 0), seed=0)
    run(healthy, 1200)
    assert healthy.sensor_reading("inlet_temp_c") - healthy.ambient_c < 6


def test_a_warm_room_lifts_idle_and_load_alike() -> None:
    # Leakage, which grows with temperature, adds a little more; it is left out here.
    warm, normal = (with_processor(draw(case, 0), leakage_per_k=0.0) for case in ("warm-room", "healthy-air"))
    over_k = warm.ambient.temp_c - normal.ambient.temp_c
    for share in (0.0, 0.4):
        lift_k = steady_state(warm, share, fan_share=0.5).die_c - steady_state(normal, share, fan_share=0.5).die_c
        assert lift_k == pytest.approx(over_k, rel=1e-9)


def test_without_a_power_limit_the_watts_are_high_and_the_resistance_is_not() -> None:
    unlimited = steady_state(draw("power-limit-off", 0), 0.5, fan_share=1.0)
    healthy = steady_state(draw("healthy-air", 0), 0.5, fan_share=1.0)
    assert unlimited.power_w > 1.5 * healthy.power_w
    per_watt = [(state.die_c - state.temps_c["case"]) / state.power_w for state in (unlimited, healthy)]
    assert per_watt[0] == pytest.approx(per_watt[1], rel=1e-9)


def test_a_sagging_supply_droops_with_load_and_may_switch_off_at_a_step_with_a_cool_die() -> None:
    healthy = SimulatedMachine(draw("healthy-air", 0), seed=0)
    stops, lowest_v = 0, 12.0
    for seed in range(12):
        machine = SimulatedMachine(draw("supply-sags", seed), seed=seed)
        idle_v = machine.supply.rail_12v_v
        for _ in range(20):
            machine.advance(0.25, 1.0)
            if machine.is_on:
                lowest_v = min(lowest_v, machine.supply.rail_12v_v)
                assert machine.supply.rail_12v_v < idle_v - 0.3
        if not machine.is_on:
            stops += 1
            assert machine.last_stop == "supply-latch"
            assert machine.die_c < machine.parameters.processor.limit_c - 10
            assert machine.sensor_reading("rail_12v_v") < 13
    run(healthy, 5)
    assert 1 <= stops <= 11
    # ATX12V design guides: +12 V within 5 %, so 11.40 V is the least.
    assert lowest_v < 11.40 < healthy.supply.rail_12v_v


def test_a_slow_rise_of_load_never_trips_the_supply() -> None:
    parameters = draw("supply-sags", 0)
    sure = replace(parameters, supply=replace(parameters.supply, trip_probability=1.0))
    machine = SimulatedMachine(sure, seed=0)
    for tenth in range(600):
        machine.advance(1.0, tenth / 600)
    assert machine.is_on
    stepped = SimulatedMachine(sure, seed=0)
    run(stepped, 5)
    assert stepped.last_stop == "supply-latch"


def test_a_hot_regulator_pins_the_clock_after_minutes_while_the_die_is_cool() -> None:
    machine = SimulatedMachine(draw("vrm-hot", 0), seed=0)
    early = run(machine, 60)
    assert machine.clock_share == 1.0
    pinned_s = 0
    for _ in range(1200):
        machine.advance(1.0, 1.0)
        pinned_s += machine.regulator.asks_floor
    assert pinned_s > 60
    assert machine.counters.throttle_events == 0
    assert max(early) < machine.parameters.processor.limit_c - 20
    # One controller's defaults: warning at 100 °C, fault at 125 °C.
    assert 90 < machine.sensor_reading("vrm_temp_c") < 125


def test_a_pinned_clock_halves_power_and_work() -> None:
    machine = SimulatedMachine(draw("vrm-hot", 0), seed=0)
    while not machine.regulator.asks_floor:
        machine.advance(1.0, 1.0)
    before = machine.counters.work_done
    machine.advance(1.0, 1.0)
    slow_per_s = machine.counters.work_done - before
    cpu = machine.parameters.processor
    assert slow_per_s == pytest.approx(10 * cpu.cores * cpu.full_clock_mhz / 1000 * cpu.floor_clock_share, rel=0.01)
    assert machine.power_w < 0.3 * cpu.load_w
    assert machine.clock_mhz == pytest.approx(cpu.idle_clock_mhz)


def test_a_regulator_that_is_not_heeded_cuts_the_power() -> None:
    parameters = draw("vrm-hot", 0)
    part = replace(parameters.board_power, cut_after_hot_s=30.0)
    machine = SimulatedMachine(replace(parameters, board_power=part), seed=0)
    run(machine, 1200)
    assert machine.last_stop == "regulator-cut"


def test_faulty_memory_errs_anywhere_and_a_faulty_core_only_where_it_works() -> None:
    memory = SimulatedMachine(draw("memory-faulty", 0), seed=1)
    cores = set()
    for _ in range(900):
        memory.advance(1.0, 1.0)
        cores.add(memory.mistakes.last_core)
    assert memory.mistakes.errors > 5
    assert len(cores - {-1}) > 2

    parameters = draw("core-faulty", 0)
    faulty = parameters.mistakes.faulty_core
    assert faulty is not None
    machine = SimulatedMachine(parameters, seed=1)
    others = [core for core in range(parameters.processor.cores) if core != faulty]
    for _ in range(600):
        machine.advance(1.0, len(others) / parameters.processor.cores, others)
    assert machine.mistakes.errors == 0
    for _ in range(600):
        machine.advance(1.0, 1 / parameters.processor.cores, [faulty])
    assert machine.mistakes.errors > 5
    assert machine.mistakes.last_core == faulty


def test_nothing_errs_at_idle() -> None:
    machine = SimulatedMachine(draw("memory-faulty", 0), seed=1)
    run(machine, 2000, 0.0)
    assert machine.mistakes.errors == 0


def test_errors_come_at_their_rate_however_time_is_cut() -> None:
    import random

    # Poisson process: the mean of n events is rate times time, its standard deviation the square root.
    counts = []
    for dt_s in (0.25, 1.0, 100.0):
        countdown = Countdown(0.1, random.Random(3))
        counts.append(sum(countdown.spend(dt_s) for _ in range(round(20000 / dt_s))))
    assert counts[0] == counts[1] == counts[2]
    assert abs(counts[0] - 2000) < 4 * math.sqrt(2000)


def test_a_frozen_machine_is_on_but_dead_and_a_reset_comes_back_by_itself() -> None:
    parameters = draw("memory-faulty", 0)
    frozen = SimulatedMachine(replace(parameters, mistakes=Mistakes(freeze_per_s=1.0)), seed=0)
    run(frozen, 30)
    assert frozen.is_on
    assert frozen.is_hung
    done = frozen.counters.work_done
    run(frozen, 30)
    assert frozen.counters.work_done == done
    frozen.restart()
    assert not frozen.is_hung

    machine = SimulatedMachine(replace(parameters, mistakes=Mistakes(reset_per_s=1.0)), seed=0)
    boot_id = machine.boot_id
    while machine.is_on:
        machine.advance(1.0, 1.0)
    assert machine.last_stop == "reset"
    run(machine, 30, 0.0)
    assert machine.is_on
    assert machine.boot_id != boot_id


def test_readings_are_held_and_rounded_as_the_driver_does() -> None:
    parameters = draw("healthy-air", 0)
    model = replace(parameters.sensors["die_temp_c"], refresh_s=2.0, noise=0.5, offset=0.0)
    machine = SimulatedMachine(replace(parameters, sensors={**parameters.sensors, "die_temp_c": model}), seed=0)
    readings = []
    for _ in range(400):
        machine.advance(0.5, 1.0)
        readings.append(machine.sensor_reading("die_temp_c"))
    assert all(reading == round(reading) for reading in readings)
    changes = [index for index in range(1, len(readings)) if readings[index] != readings[index - 1]]
    assert changes
    # Every 2 s is every fourth of these half seconds, so all changes fall on one phase.
    assert len({index % 4 for index in changes}) == 1


def test_coretemp_shows_nothing_above_its_limit() -> None:
    # 12th generation processor datasheet: the digital sensor does not report above TjMax.
    parameters = with_processor(draw("film-left-on", 0), floor_clock_share=0.9, cut_above_limit_k=60.0, **RESISTANT)
    machine = SimulatedMachine(parameters, seed=0)
    run(machine, 200)
    assert machine.die_c > parameters.processor.limit_c + 3
    assert machine.sensor_reading("die_temp_c") == parameters.processor.limit_c


def test_a_stuck_sensor_stands_still_and_a_wrong_one_is_off_by_its_offset() -> None:
    stuck = SimulatedMachine(draw("sensor-stuck", 0), seed=0)
    before = stuck.sensor_reading("die_temp_c")
    run(stuck, 60)
    assert stuck.sensor_reading("die_temp_c") == stuck.sensor_reading("core_temp_c") == before
    assert stuck.sensor_reading("vrm_temp_c") > 30

    wrong = SimulatedMachine(draw("sensor-offset", 0), seed=0)
    error_k = wrong.sensor_reading("die_temp_c") - wrong.die_c
    assert error_k == pytest.approx(wrong.parameters.sensors["die_temp_c"].offset, abs=2.5)
    assert abs(error_k) > 5


def test_the_energy_counter_grows_by_the_gain_and_wraps() -> None:
    counters = Counters(cores=4, power_gain=1.05)
    counters.restart(energy_uj=ENERGY_RANGE_UJ - 1_000_000)
    counters.add(1.0, 100.0, 1.0, 4.0, None, throttling=False)
    assert counters.energy_uj == pytest.approx(104_000_000, abs=2)


def test_a_cold_start_is_at_room_temperature() -> None:
    parameters = draw("healthy-liquid", 2)
    machine = SimulatedMachine(parameters, seed=2, start="cold")
    assert machine.die_c == pytest.approx(parameters.ambient.temp_at_c(0.0))
    assert machine.counters.uptime_s == 0.0
    # Common practice, no source: after a night all sensors of a sound machine agree within 3 K.
    for channel in ("die_temp_c", "coolant_temp_c", "ambient_temp_c"):
        assert machine.sensor_reading(channel) == pytest.approx(parameters.ambient.temp_c, abs=3.0)


def test_the_limit_of_uneven_contact_shows_between_the_cores() -> None:
    # Common practice, no source: film or tilt makes one group of cores hotter than the others by more than 10 K.
    spreads_k = {}
    for case in ("healthy-air", "film-left-on"):
        machine = SimulatedMachine(draw(case, 0, cooler="air"), seed=0)
        run(machine, 30)
        cores = [value for channel, value in machine.readings.items() if channel.startswith("core_")]
        spreads_k[case] = max(cores) - min(cores)
    assert spreads_k["film-left-on"] > 10
    assert spreads_k["healthy-air"] < 8
