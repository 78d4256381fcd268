"""Kernel files: units, faults, vanishing (kernel documents are named beside the checks)."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.sensor_tree import chip, lay, rewrite
from verifyrig.core.errors import SensorError
from verifyrig.sensors import cpufreq, hwmon, powercap, procstat, thermal_zone, throttle
from verifyrig.sensors.energy import power_w
from verifyrig.sensors.files import FileSensor, HeldFile
from verifyrig.sensors.find import find_sensors
from verifyrig.sensors.procstat import busy_share, parse_times


def one(sensors: list, stem: str):  # type: ignore[no-untyped-def,type-arg]
    return next(s for s in sensors if s.info.device.endswith(f":{stem}"))


# Kernel documents "hwmon/sysfs-interface" and "power/powercap": m°C, RPM, mV, µW, 0 to 255; Hz for freq.
@pytest.mark.parametrize(
    ("name", "text", "stem", "value", "unit"),
    [
        ("temp1_input", "45500", "temp1", 45.5, "°C"),
        ("temp2_input", "-5250", "temp2", -5.25, "°C"),
        ("fan2_input", "1180", "fan2", 1180.0, "rpm"),
        ("in0_input", "1248", "in0", 1.248, "V"),
        ("power1_average", "65000000", "power1", 65.0, "W"),
        ("pwm1", "255", "pwm1", 1.0, "1"),
        ("freq1_input", "1500000000", "freq1", 1500.0, "MHz"),
    ],
)
def test_each_kind_of_file_is_scaled_as_the_kernel_states(
    tmp_path: Path, name: str, text: str, stem: str, value: float, unit: str
) -> None:
    lay(tmp_path, chip(0, "testchip", "platform/testchip.0", **{name: text}))
    sensor = one(hwmon.find(tmp_path), stem)
    assert sensor.read().value == pytest.approx(value, rel=1e-12)
    assert sensor.info.unit == unit


def test_a_present_and_an_averaged_power_count_once(tmp_path: Path) -> None:
    lay(tmp_path, chip(0, "amdgpu", "pci/0", power1_average="30000000", power1_input="31000000"))
    assert [s.read().value for s in hwmon.find(tmp_path)] == [31.0]


def test_an_alarm_without_an_input_is_no_channel(tmp_path: Path) -> None:
    lay(tmp_path, chip(0, "nct6775", "platform/nct.0", fan4_alarm=0, fan4_min=600, fan1_input=900))
    assert [s.info.device for s in hwmon.find(tmp_path)] == ["nct6775:devices/platform/nct.0:fan1"]


def test_a_reading_marked_faulty_is_not_given(tmp_path: Path) -> None:
    lay(tmp_path, chip(0, "adt7475", "i2c/0", temp1_input=45000, temp1_fault=0))
    (sensor,) = hwmon.find(tmp_path)
    assert sensor.read().value == 45.0
    rewrite(tmp_path / "sys/class/hwmon/hwmon0/temp1_fault", "1\n")
    with pytest.raises(SensorError, match="faulty or not connected"):
        sensor.read()


def test_what_a_file_holds_in_place_of_a_number_is_shown_as_it_stands_there(tmp_path: Path) -> None:
    lay(tmp_path, chip(0, "coretemp", "platform/coretemp.0", temp1_input="12.1"))
    with pytest.raises(SensorError, match=r"it holds '12\.1', which is no whole number"):
        hwmon.find(tmp_path)[0].read()


def test_an_old_kernel_keeps_name_and_values_at_the_device(tmp_path: Path) -> None:
    lay(
        tmp_path,
        {
            "sys/class/hwmon/hwmon0/device": "-> ../../../devices/platform/coretemp.0",
            "sys/devices/platform/coretemp.0/name": "coretemp",
            "sys/devices/platform/coretemp.0/temp1_input": 51000,
        },
    )
    (sensor,) = hwmon.find(tmp_path)
    assert (sensor.info.driver, sensor.read().value) == ("coretemp", 51.0)


def test_a_reading_has_no_more_digits_than_its_file(tmp_path: Path) -> None:
    # hwmon/sysfs-interface: m°C. Multiplied by 0.001 it would be 22.400000000000002, and stand so in every table.
    lay(tmp_path, chip(0, "coretemp", "platform/coretemp.0", temp1_input=22400))
    assert repr(hwmon.find(tmp_path)[0].read().value) == "22.4"


@pytest.mark.parametrize("limit", [-273150, 65261850, 127000, 0, 999999])
def test_a_limit_that_was_never_set_is_not_taken_for_one(tmp_path: Path, limit: int) -> None:
    lay(tmp_path, chip(0, "nvme", "pci/0", temp1_input=40000, temp1_max=limit))
    assert hwmon.find(tmp_path)[0].info.limit is None


def test_the_critical_limit_goes_before_the_maximum(tmp_path: Path) -> None:
    lay(tmp_path, chip(0, "coretemp", "platform/coretemp.0", temp1_input=40000, temp1_max=80000, temp1_crit=100000))
    assert hwmon.find(tmp_path)[0].info.limit == 100.0


def test_the_constant_maximum_of_k10temp_is_no_limit(tmp_path: Path) -> None:
    # Kernel document "hwmon/k10temp": temp1_max is 70 °C for every part.
    lay(tmp_path, chip(0, "k10temp", "pci0000:00/0000:00:18.3", temp1_input=40000, temp1_max=70000))
    assert hwmon.find(tmp_path)[0].info.limit is None


def test_limits_of_a_board_chip_are_not_believed(tmp_path: Path) -> None:
    lay(tmp_path, chip(0, "nct6798", "platform/nct.656", temp1_input=40000, temp1_max=80000, temp1_crit=100000))
    assert hwmon.find(tmp_path)[0].info.limit is None


def test_the_device_name_does_not_hold_the_number_that_changes_at_every_boot(tmp_path: Path) -> None:
    for number, root in ((0, tmp_path / "a"), (5, tmp_path / "b")):
        lay(root, chip(number, "k10temp", "pci0000:00/0000:00:18.3", temp1_input=40000))
    first, second = (hwmon.find(tmp_path / name)[0].info.device for name in "ab")
    assert first == second == "k10temp:devices/pci0000:00/0000:00:18.3:temp1"


def test_two_chips_on_one_device_link_get_distinct_names(tmp_path: Path) -> None:
    shared = "platform/asus-nb-wmi"
    lay(tmp_path, chip(0, "asus", shared, fan1_input=900) | chip(1, "asus", shared, fan1_input=1200))
    devices = [s.info.device for s in find_sensors(tmp_path)]
    assert len(devices) == len(set(devices)) == 2


def test_a_root_without_any_interface_has_no_sensors(tmp_path: Path) -> None:
    assert find_sensors(tmp_path) == []


def held(path: Path) -> FileSensor:
    sensor = next(s for s in hwmon.find(path) if isinstance(s, FileSensor))
    sensor.read()
    return sensor


def test_a_file_that_vanishes_gives_no_reading_and_comes_back_under_its_name(tmp_path: Path) -> None:
    lay(tmp_path, chip(0, "coretemp", "platform/coretemp.0", temp1_input=40000))
    sensor = held(tmp_path)
    path = tmp_path / "sys/class/hwmon/hwmon0/temp1_input"
    path.unlink()
    for _ in range(2):
        with pytest.raises(SensorError, match="vanished"):
            sensor.read()
    path.write_text("41000\n")
    assert sensor.read().value == 41.0


def test_a_file_replaced_by_another_is_read_anew(tmp_path: Path) -> None:
    lay(tmp_path, chip(0, "coretemp", "platform/coretemp.0", temp1_input=40000))
    sensor = held(tmp_path)
    path = tmp_path / "sys/class/hwmon/hwmon0/temp1_input"
    path.unlink()
    path.write_text("99000\n")
    assert sensor.read().value == 99.0


@pytest.mark.parametrize("text", ["", "\n", "abc", "<unsupported>", "4.5.6", "9" * 300 + "x"])
def test_what_is_no_number_gives_no_reading(tmp_path: Path, text: str) -> None:
    lay(tmp_path, chip(0, "coretemp", "platform/coretemp.0", temp1_input=40000))
    sensor = held(tmp_path)
    rewrite(tmp_path / "sys/class/hwmon/hwmon0/temp1_input", text)
    with pytest.raises(SensorError):
        sensor.read()


@pytest.mark.skipif(not Path("/proc/self/mem").exists(), reason="needs a file whose reading gives an I/O error")
def test_an_input_output_error_gives_no_reading_and_is_tried_again(tmp_path: Path) -> None:
    # Reading the unmapped page 0 of a process's memory gives EIO: the error that a dead bus gives.
    lay(tmp_path, chip(0, "coretemp", "platform/coretemp.0", temp1_input=40000))
    sensor = held(tmp_path)
    path = tmp_path / "sys/class/hwmon/hwmon0/temp1_input"
    path.unlink()
    path.symlink_to("/proc/self/mem")
    for _ in range(2):
        with pytest.raises(SensorError, match="error"):
            sensor.read()
    path.unlink()
    path.write_text("42000\n")
    assert sensor.read().value == 42.0


def test_a_held_file_is_not_left_open(tmp_path: Path) -> None:
    path = tmp_path / "value"
    path.write_text("1\n")
    file = HeldFile(path)
    file.read()
    fd = file._fd
    os.fstat(fd)
    file.close()
    file.close()
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fstat(fd)


def test_a_disabled_zone_is_listed_with_the_reason_and_the_critical_point_is_its_limit(tmp_path: Path) -> None:
    zone = "sys/class/thermal/thermal_zone"
    lay(
        tmp_path,
        {
            f"{zone}0/type": "acpitz",
            f"{zone}0/temp": 30000,
            f"{zone}0/trip_point_0_type": "critical",
            f"{zone}0/trip_point_0_temp": 105000,
            f"{zone}1/type": "INT3400 Thermal",
            f"{zone}1/temp": 20000,
            f"{zone}1/mode": "disabled",
        },
    )
    first, second = thermal_zone.find(tmp_path)
    assert (first.info.label, first.info.limit, first.read().value) == ("acpitz", 105.0, 30.0)
    assert "switched off" in second.info.unreadable


# Kernel document "power/powercap": a falling counter has wrapped once; the range is 262143328850 µJ on many parts.
@pytest.mark.parametrize(
    ("before", "after", "span_s", "range_uj", "expected"),
    [
        (1_000_000, 66_000_000, 1.0, 262_143_328_850, 65.0),
        (262_143_000_000, 99_671_150, 1.0, 262_143_328_850, 100.0),
        (262_143_000_000, 99_671_150, 1.0, None, None),
        (262_143_000_000, 0, 1.0, 262_143_328_850, 0.32885),
        (200_000_000_000, 0, 1.0, 262_143_328_850, None),  # set back by a suspend, not wrapped
    ],
)
def test_power_is_energy_over_time_with_one_wrap(
    before: int, after: int, span_s: float, range_uj: int | None, expected: float | None
) -> None:
    power = power_w(before, after, span_s, range_uj)
    assert power is None if expected is None else power == pytest.approx(expected, rel=1e-9)


def energy_tree(root: Path) -> Path:
    zone = "sys/class/powercap/intel-rapl:0"
    files = {"name": "package-0", "energy_uj": 5_000_000, "max_energy_range_uj": 262_143_328_850}
    lay(root, {f"{zone}/{key}": value for key, value in files.items()})
    return root / zone / "energy_uj"


def test_a_powercap_domain_gives_power_on_the_clock_of_the_run(tmp_path: Path) -> None:
    path = energy_tree(tmp_path)
    now = [100.0]
    (sensor,) = powercap.find(tmp_path, now_s=lambda: now[0])
    now[0] = 102.0
    rewrite(path, "135000000\n")
    assert list(sensor.read()) == pytest.approx([65.0, 0.0])
    now[0] = 102.01  # too soon for a new difference: the last one again, with its age
    assert list(sensor.read()) == pytest.approx([65.0, 0.01])


def test_after_a_long_gap_no_power_is_given(tmp_path: Path) -> None:
    path = energy_tree(tmp_path)
    now = [0.0]
    (sensor,) = powercap.find(tmp_path, now_s=lambda: now[0])
    now[0] = 3600.0
    rewrite(path, "9000000\n")
    with pytest.raises(SensorError, match="two counts"):
        sensor.read()


def cpu(number: int, core: int, package: int, **counters: int) -> dict[str, object]:
    base = f"sys/devices/system/cpu/cpu{number}"
    files: dict[str, object] = {f"{base}/topology/core_id": core, f"{base}/topology/physical_package_id": package}
    return files | {f"{base}/thermal_throttle/{name}": value for name, value in counters.items()}


def test_throttle_events_count_once_a_core_and_from_the_first_reading(tmp_path: Path) -> None:
    # therm_throt.c counts for each logical processor; both threads of a core show the same event.
    tree = cpu(0, 0, 0, core_throttle_count=100) | cpu(1, 0, 0, core_throttle_count=98)
    tree |= cpu(2, 0, 1, core_throttle_count=7)  # core 0 of the second package is another core
    lay(tmp_path, tree)
    (sensor,) = throttle.find(tmp_path)
    assert sensor.read().value == 0.0
    base = tmp_path / "sys/devices/system/cpu"
    rewrite(base / "cpu0/thermal_throttle/core_throttle_count", "103\n")
    rewrite(base / "cpu1/thermal_throttle/core_throttle_count", "103\n")
    rewrite(base / "cpu2/thermal_throttle/core_throttle_count", "9\n")
    assert sensor.read().value == 3.0 + 2.0


def test_package_counters_are_told_apart_from_core_counters(tmp_path: Path) -> None:
    lay(tmp_path, cpu(0, 0, 0, core_throttle_count=1, package_throttle_count=5, core_power_limit_count=2))
    assert [s.info.label for s in throttle.find(tmp_path)] == [
        "heat throttling, cores",
        "heat throttling, package",
        "power limit, cores",
    ]


def test_the_clock_is_the_mean_in_megahertz_and_leaves_out_what_is_off_line(tmp_path: Path) -> None:
    base = "sys/devices/system/cpu"
    lay(
        tmp_path,
        {
            f"{base}/cpu0/cpufreq/scaling_cur_freq": 3_000_000,
            f"{base}/cpu1/cpufreq": "-> ../cpufreq/policy1",
            f"{base}/cpufreq/policy1/scaling_cur_freq": 1_000_000,
            f"{base}/cpu2/cpufreq/cpuinfo_cur_freq": 2_000_000,
        },
    )
    (sensor,) = cpufreq.find(tmp_path)
    assert sensor.read().value == 2000.0
    (tmp_path / base / "cpufreq/policy1/scaling_cur_freq").unlink()
    assert sensor.read().value == 2500.0


def test_the_busy_share_is_time_not_idle(tmp_path: Path) -> None:
    # proc_stat(5): user nice system idle iowait irq softirq steal guest guest_nice; guest is inside user.
    before = parse_times(b"cpu  100 0 50 800 50 0 0 0 0 0\ncpu0 1 1 1 1 1 1 1\n")
    after = parse_times(b"cpu  160 0 60 820 60 0 0 0 999 0\n")
    assert busy_share(before, after) == pytest.approx(0.7)
    assert busy_share(after, after) is None


def test_the_busy_share_follows_the_file(tmp_path: Path) -> None:
    lay(tmp_path, {"proc/stat": "cpu  0 0 0 0 0 0 0 0 0 0"})
    (sensor,) = procstat.find(tmp_path)
    rewrite(tmp_path / "proc/stat", "cpu  25 0 0 75 0 0 0 0 0 0\n")
    assert sensor.read().value == 0.25
    assert sensor.read().value == 0.25  # no tick went by
    rewrite(tmp_path / "proc/stat", "intr 0\n")
    with pytest.raises(SensorError):
        sensor.read()


# Linux, drivers/thermal/thermal_hwmon.c: the chip hangs below the first zone of a type; a second zone of that type is
# a second input of the same chip.
def test_a_zone_that_the_kernel_also_shows_as_a_chip_is_listed_once(tmp_path: Path) -> None:
    zones = "sys/devices/virtual/thermal"
    chip_files = {
        f"{zones}/thermal_zone0/hwmon0/{name}": value
        for name, value in {"name": "acpitz", "temp1_input": 30000, "temp2_input": 31000}.items()
    }
    kinds = ("acpitz", "acpitz", "x86_pkg_temp")
    lay(
        tmp_path,
        {
            **{f"{zones}/thermal_zone{n}/type": kind for n, kind in enumerate(kinds)},
            **{f"{zones}/thermal_zone{n}/temp": 30000 + 1000 * n for n in range(3)},
            **chip_files,
            f"{zones}/thermal_zone0/hwmon0/device": "-> ..",
            **{f"sys/class/thermal/thermal_zone{n}": f"-> ../../../{zones}/thermal_zone{n}" for n in range(3)},
            "sys/class/hwmon/hwmon0": "-> ../../devices/virtual/thermal/thermal_zone0/hwmon0",
        },
    )
    values = [(s.info.driver, s.read().value) for s in [*hwmon.find(tmp_path), *thermal_zone.find(tmp_path)]]
    assert values == [("acpitz", 30.0), ("acpitz", 31.0), ("thermal-zone", 32.0)]
