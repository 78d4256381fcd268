"""Drawn machines: the table's ranges, and what a healthy machine is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mock_hw.physics.faults import wedge_factor
from mock_hw.physics.network import coolant_k_per_w, steady_state, true_impedance
from mock_hw.physics.parameters import CASES, draw
from mock_hw.physics.parts import Cooler

# The whole list of causes of the project's contract that a simulated case may have.
CAUSES = {"none", "contact", "coolant-flow", "airflow", "warm-room", "firmware-limit", "supply", "board-power"}
CAUSES |= {"memory", "processor", "sensor"}
SEEDS = range(12)


@pytest.mark.parametrize("cooler", ["air", "liquid"])
def test_two_hundred_healthy_machines_stay_below_their_limit_at_full_load(cooler: Cooler) -> None:
    for seed in range(200):
        machine = draw(f"healthy-{cooler}", seed)
        warmest_c = machine.ambient.temp_c + machine.ambient.drift_k
        full = steady_state(machine, 1.0, ambient_c=warmest_c)
        trip_c = min(95.0, machine.processor.limit_c - 3.0)
        assert full.clock_share == 1.0
        assert full.die_c <= trip_c - 8.0, f"seed {seed}"


@pytest.mark.parametrize("case", CASES)
def test_every_case_is_drawn_the_same_again_and_names_its_cause(case: str) -> None:
    for seed in (0, 1, 77):
        machine = draw(case, seed)
        assert machine == draw(case, seed)
        assert (machine.case, machine.seed, machine.cause) == (case, seed, CASES[case])
    assert CASES[case] in CAUSES
    assert draw(case, 1) != draw(case, 2)


def test_there_are_nineteen_cases_and_no_other_is_drawn() -> None:
    assert len(CASES) == 19
    with pytest.raises(ValueError, match="no simulated case 'healthy'"):
        draw("healthy", 0)
    with pytest.raises(ValueError, match="liquid cooler only"):
        draw("coolant-stopped", 0, cooler="air")


@pytest.mark.parametrize("seed", SEEDS)
def test_a_fault_breaks_one_part_of_the_healthy_machine_of_its_seed(seed: int) -> None:
    healthy = draw("healthy-liquid", seed)
    for case in ("coolant-stopped", "coolant-slow", "paste-dried", "warm-room", "radiator-blocked", "supply-sags"):
        faulty = draw(case, seed, cooler="liquid")
        assert faulty.processor.limit_c == healthy.processor.limit_c
        assert faulty.processor.load_w == healthy.processor.load_w
        assert faulty.thermal.die_to_lid_k_per_w == healthy.thermal.die_to_lid_k_per_w
        assert faulty.power_gain == healthy.power_gain
    for case in ("paste-dried", "mount-loose"):
        worse = draw(case, seed, cooler="liquid").thermal
        assert replace(worse, paste_k_per_w=healthy.thermal.paste_k_per_w) == healthy.thermal


@pytest.mark.parametrize("seed", SEEDS)
def test_healthy_parts_lie_in_the_ranges_of_the_table(seed: int) -> None:
    for case in ("healthy-air", "healthy-liquid"):
        machine = draw(case, seed)
        path, cpu = machine.thermal, machine.processor
        assert 0.07 <= path.die_to_lid_k_per_w <= 0.20
        assert 0.02 <= path.paste_k_per_w <= 0.05
        assert 2 <= path.die_j_per_k <= 10
        assert 12 <= path.lid_j_per_k <= 35
        assert 50 <= path.plate_j_per_k <= 150
        assert 200 <= path.sink_j_per_k <= 700
        assert 8 <= cpu.idle_w <= 30
        assert 60 <= cpu.load_w <= 180
        assert 0.003 <= cpu.leakage_per_k <= 0.008
        assert 85 <= cpu.limit_c <= 105
        assert 18 <= machine.ambient.temp_c <= 27
        assert abs(machine.ambient.drift_k) <= 0.5
        assert 0.30 <= machine.fans.low_share <= 0.50
        assert 45 <= machine.fans.low_c <= 55
        assert 75 <= machine.fans.high_c <= 85
        assert 0.95 <= machine.power_gain <= 1.05
        die = machine.sensors["die_temp_c"]
        assert 0.2 <= die.noise <= 0.5
        assert 1 <= die.refresh_s <= 2
        assert abs(die.offset) <= 1.0
        assert die.step == (1.0 if cpu.driver == "coretemp" else 0.125)


@pytest.mark.parametrize("seed", SEEDS)
def test_coolers_and_faults_lie_in_the_ranges_of_the_table(seed: int) -> None:
    liquid, air = draw("healthy-liquid", seed).thermal, draw("healthy-air", seed).thermal
    assert 0.7 <= liquid.flow_l_per_min <= 1.5
    assert 300 <= liquid.coolant_j_per_k <= 800
    assert 0.07 <= liquid.sink_to_air_k_per_w <= 0.13
    assert 0.10 <= air.plate_to_next_k_per_w + air.sink_to_air_k_per_w <= 0.19
    assert 0.12 <= draw("paste-dried", seed).thermal.paste_k_per_w <= 0.30
    assert 0.40 <= draw("film-left-on", seed).thermal.paste_k_per_w <= 0.80
    assert 0.35 <= draw("paste-absent", seed).thermal.paste_k_per_w <= 0.80
    assert 0.03 <= draw("coolant-slow", seed).thermal.flow_l_per_min <= 0.12
    stopped = draw("coolant-stopped", seed).thermal
    assert stopped.flow_l_per_min == 0.0
    assert 1.5 <= coolant_k_per_w(stopped) <= 5.0
    assert 2 <= draw("radiator-blocked", seed).thermal.sink_to_air_k_per_w / liquid.sink_to_air_k_per_w <= 4
    assert 4 <= draw("fan-stopped", seed).thermal.still_air_factor <= 8
    assert 33 <= draw("warm-room", seed).ambient.temp_c <= 38
    unlimited = draw("power-limit-off", seed, cooler="air").processor
    assert 1.7 <= unlimited.load_w / draw("healthy-air", seed).processor.load_w <= 2.4
    assert unlimited.long_limit_w == 4095.0


@pytest.mark.parametrize("lift", [0.01, 1.0, 20.0, 36.0])
def test_a_wedge_of_paste_resists_as_its_strips_in_parallel(lift: float) -> None:
    # Conductances of strips side by side add up (Fourier's law, plates of one temperature each): summed numerically.
    strips = 200_000
    conductance = sum(1 / (1 + lift * (n + 0.5) / strips) for n in range(strips)) / strips
    assert wedge_factor(lift) == pytest.approx(1 / conductance, rel=1e-6)


def test_a_mount_that_is_hardly_loose_is_as_good_as_tight() -> None:
    assert wedge_factor(1e-6) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_loose_mount_adds_contact_resistance_and_spares_the_cores_under_its_tight_side(seed: int) -> None:
    loose, sound = draw("mount-loose", seed, cooler="air"), draw("healthy-air", seed)
    # An edge that stands off 20 to 36 layers of paste: 20 / ln 21 and 36 / ln 37 times the even layer.
    assert 6.56 <= loose.thermal.paste_k_per_w / sound.thermal.paste_k_per_w <= 9.97
    added_k_per_w = loose.thermal.paste_k_per_w - sound.thermal.paste_k_per_w
    offsets = list(zip(loose.processor.core_offsets_k_per_w, sound.processor.core_offsets_k_per_w, strict=True))
    half = len(offsets) // 2
    assert all(now == before for now, before in offsets[:half])
    assert all(now - before == pytest.approx(0.3 * added_k_per_w) for now, before in offsets[half:])


@pytest.mark.parametrize("seed", SEEDS)
def test_a_wrong_sensor_is_wrong_as_the_table_says(seed: int) -> None:
    stuck, offset = draw("sensor-stuck", seed), draw("sensor-offset", seed)
    sound = draw("healthy-air", seed)
    assert stuck.sensors["die_temp_c"].stuck_at is not None
    assert stuck.sensors["vrm_temp_c"].stuck_at is None
    off_k = draw("sensor-offset", seed, cooler="air").sensors["die_temp_c"].offset - sound.sensors["die_temp_c"].offset
    assert 8 <= abs(off_k) <= 35
    assert offset.thermal.paste_k_per_w <= 0.05


def test_seed_zero_is_a_machine_to_show() -> None:
    # Common practice, no source: a healthy desktop rests at about 30 °C or less.
    for case in ("healthy-air", "healthy-liquid"):
        machine = draw(case, 0)
        assert steady_state(machine, 0.0).die_c <= 30.0
        assert 55 <= steady_state(machine, 1.0).die_c <= 70
        assert machine.processor.driver == "coretemp"
    stopped = draw("coolant-stopped", 0)
    assert stopped.idle_start_die_c is not None
    assert 44 <= stopped.idle_start_die_c <= 49
    assert steady_state(stopped, 0.0).die_c > 85


def test_the_three_windows_tell_the_faults_apart() -> None:
    """Rise per watt in 0-5 s, 5-60 s and 60-600 s, each over that of the healthy machine of the same seed.

    Source of the shape: common practice; interface first, flow second, air side third.
    """
    for seed in range(6):
        healthy = windows("healthy-liquid", seed)
        dried, slow = windows("paste-dried", seed), windows("coolant-slow", seed)
        loose = windows("mount-loose", seed)
        blocked, fan = windows("radiator-blocked", seed), windows("fan-stopped", seed)
        unlimited, warm = windows("power-limit-off", seed), windows("warm-room", seed)
        assert dried[0] > 1.15 * healthy[0]
        assert dried[2] == pytest.approx(healthy[2], rel=0.1)
        assert loose[0] > 1.15 * healthy[0]
        assert loose[2] == pytest.approx(healthy[2], rel=0.2)
        assert slow[0] == pytest.approx(healthy[0], rel=0.25)
        assert slow[1] > 1.8 * healthy[1]
        assert blocked[:2] == pytest.approx(healthy[:2], rel=0.2)
        assert blocked[2] > 1.2 * healthy[2]
        assert fan[0] == pytest.approx(healthy[0], rel=0.1)
        assert fan[2] > 1.3 * healthy[2]
        assert unlimited == pytest.approx(healthy, rel=1e-9)
        assert warm == pytest.approx(healthy, rel=1e-9)


def windows(case: str, seed: int) -> tuple[float, float, float]:
    machine = draw(case, seed, cooler="liquid")
    at_5, at_60, at_600 = (true_impedance(machine, t_s, fan_share=1.0) for t_s in (5.0, 60.0, 600.0))
    return at_5, at_60 - at_5, at_600 - at_60
