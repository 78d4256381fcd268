"""Names of channels: `role[_n]_quantity_unit`, as the contract of the project fixes them."""

from __future__ import annotations

import pytest

from verifyrig.core.channels import (
    BASE_CHANNELS,
    OWN_CHANNELS,
    THERMAL_PATH,
    base_name,
    is_channel,
    is_temperature,
    number_of,
    numbered,
    quantity_of,
    unit_of,
)


@pytest.mark.parametrize(
    ("channel", "base", "n"),
    [
        ("die_temp_c", "die_temp_c", 1),
        ("core_12_temp_c", "core_temp_c", 12),
        ("case_fan_2_speed_rpm", "case_fan_speed_rpm", 2),
        ("case_fan_2_duty_share", "case_fan_duty_share", 2),
        ("rail_12v_v", "rail_12v_v", 1),
        ("rail_12v_2_v", "rail_12v_v", 2),
        ("rail_3v3_v", "rail_3v3_v", 1),
        ("drive_2_temp_c", "drive_temp_c", 2),
        ("gpu_hotspot_temp_c", "gpu_hotspot_temp_c", 1),
        ("gpu_busy_2_share", "gpu_busy_share", 2),
    ],
)
def test_a_number_is_taken_off_and_put_on_again(channel: str, base: str, n: int) -> None:
    assert (base_name(channel), number_of(channel)) == (base, n)
    assert numbered(base, n) == channel
    assert is_channel(channel)


@pytest.mark.parametrize("n", [1, 2, 10])
def test_every_channel_can_be_numbered_and_read_back(n: int) -> None:
    bases = [base for base in BASE_CHANNELS if base not in OWN_CHANNELS]
    channels = [numbered(base, n) for base in bases]
    assert [(base_name(channel), number_of(channel)) for channel in channels] == [(base, n) for base in bases]
    assert [unit_of(channel) for channel in channels] == [unit_of(base) for base in bases]


@pytest.mark.parametrize(
    "name", ["", "die", "die_temp", "die_1_temp_c", "core_0_temp_c", "fan_speed_rpm", "DIE_TEMP_C"]
)
def test_other_names_are_no_channels(name: str) -> None:
    assert not is_channel(name)


# The contract's units: °C W rpm MHz V 1/s 1.
@pytest.mark.parametrize(
    ("channel", "unit", "quantity"),
    [
        ("plate_temp_c", "°C", "temperature"),
        ("wall_power_w", "W", "power"),
        ("power_limit_w", "W", "power"),
        ("pump_speed_rpm", "rpm", "speed"),
        ("pump_duty_share", "1", "share"),
        ("rail_5v_v", "V", "voltage"),
        ("core_clock_mhz", "MHz", "clock"),
        ("throttle_count", "1", "count"),
        ("work_rate_per_s", "1/s", "count"),
        ("compute_errors", "1", "count"),
    ],
)
def test_units_and_quantities_are_those_of_the_contract(channel: str, unit: str, quantity: str) -> None:
    assert (unit_of(channel), quantity_of(channel)) == (unit, quantity)


def test_a_name_without_a_unit_of_the_contract_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="does not end in a unit"):
        unit_of("colour")
    with pytest.raises(ValueError, match="not a channel of the contract"):
        numbered("colour_temp_c", 2)


def test_the_path_of_the_heat_runs_from_the_room_to_the_die_over_temperatures() -> None:
    assert [place for place, _ in THERMAL_PATH] == ["room", "inlet", "fins or radiator", "coolant", "plate", "die"]
    assert all(is_temperature(channel) and is_channel(channel) for _, channels in THERMAL_PATH for channel in channels)


def test_the_runner_s_own_channels_are_of_the_contract() -> None:
    assert all(is_channel(channel) for channel in OWN_CHANNELS)
