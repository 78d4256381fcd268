"""Roles of sensors. The labels are those that the kernel drivers named in each case give (their documents, read)."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path

import pytest
import tomli_w

from tests.sensor_tree import chip, lay, rewrite
from verifyrig.bench.folder import read_config
from verifyrig.core.errors import BenchError
from verifyrig.core.interfaces import ChannelInfo, Quality, Taken
from verifyrig.sensors.bank import Bank, list_channels, open_bank
from verifyrig.sensors.roles import assign

Tree = dict[str, object]


def roles(root: Path, tree: Tree, config: Mapping[str, object] | None = None) -> dict[str, str]:
    """Lay the tree and return channel -> label or input."""
    lay(root, tree)
    found = [sensor.info for sensor in list_channels(root, config or {})]
    return {info.channel: info.label or info.device.rpartition(":")[2] for info in found if info.channel is not None}


def test_the_package_is_the_die_and_cores_count_in_their_order(tmp_path: Path) -> None:
    tree = chip(
        1,
        "coretemp",
        "platform/coretemp.0",
        temp1_input=45000,
        temp1_label="Package id 0",
        temp2_input=44000,
        temp2_label="Core 0",
        temp6_input=44000,
        temp6_label="Core 4",
        temp12_input=44000,
        temp12_label="Core 10",
    )
    assert roles(tmp_path, tree) == {
        "die_temp_c": "Package id 0",
        "core_temp_c": "Core 0",
        "core_2_temp_c": "Core 4",
        "core_3_temp_c": "Core 10",
    }


def test_two_sockets_with_the_same_labels_stay_apart(tmp_path: Path) -> None:
    values = {"temp1_input": 45000, "temp1_label": "Package id 0", "temp2_input": 44000, "temp2_label": "Core 0"}
    second = values | {"temp1_label": "Package id 1"}
    tree = chip(1, "coretemp", "platform/coretemp.0", **values) | chip(2, "coretemp", "platform/coretemp.1", **second)
    assert set(roles(tmp_path, tree)) == {"die_temp_c", "die_2_temp_c", "core_temp_c", "core_2_temp_c"}


def amd(*labels: str) -> Tree:
    values: Tree = {}
    for n, label in enumerate(labels, start=1):
        values |= {f"temp{n}_input": 40000, f"temp{n}_label": label}
    return chip(0, "k10temp", "pci0000:00/0000:00:18.3", **values)


def test_the_die_goes_before_a_chiplet_and_both_before_the_control_value(tmp_path: Path) -> None:
    # Kernel document "hwmon/k10temp": go by the label, not the number; Tctl is on a scale of its own.
    assert roles(tmp_path / "a", amd("Tdie", "Tctl")) == {"die_temp_c": "Tdie"}
    assert roles(tmp_path / "b", amd("Tctl", "Tdie", "Tccd1")) == {"die_temp_c": "Tdie"}
    assert roles(tmp_path / "c", amd("Tctl", "Tccd1", "Tccd2")) == {"die_temp_c": "Tccd1", "die_2_temp_c": "Tccd2"}


def test_a_control_value_alone_is_used_and_called_so(tmp_path: Path) -> None:
    lay(tmp_path, amd("Tctl"))
    (sensor,) = list_channels(tmp_path, {})
    assert sensor.info.channel == "die_temp_c"
    assert "control value" in sensor.info.note


def zone(kind: str) -> Tree:
    return {"sys/class/thermal/thermal_zone3/type": kind, "sys/class/thermal/thermal_zone3/temp": 47000}


def test_a_package_zone_repeats_the_die_and_counts_only_without_it(tmp_path: Path) -> None:
    package = chip(1, "coretemp", "platform/coretemp.0", temp1_input=45000, temp1_label="Package id 0")
    assert roles(tmp_path / "both", package | zone("x86_pkg_temp")) == {"die_temp_c": "Package id 0"}
    assert roles(tmp_path / "zone", zone("x86_pkg_temp")) == {"die_temp_c": "x86_pkg_temp"}
    assert roles(tmp_path / "acpi", zone("acpitz")) == {}


def test_board_fans_pump_duties_and_rails_go_by_their_labels(tmp_path: Path) -> None:
    tree = chip(
        2,
        "nct6687",
        "platform/nct6687.2592",
        fan1_input=900,
        fan1_label="CPU Fan",
        fan2_input=2400,
        fan2_label="Pump Fan",
        fan3_input=700,
        fan3_label="System Fan #1",
        fan4_input=710,
        fan4_label="Chassis Fan 2",
        fan5_input=0,
        pwm1=128,
        pwm2=255,
        pwm5=100,
        in0_input=12096,
        in0_label="+12V",
        in1_input=5020,
        in1_label="+5V",
        in2_input=3312,
        in2_label="+3.3V",
        in3_input=1200,
        in3_label="CPU Vcore",
        temp1_input=48000,
        temp1_label="VRM MOS",
        temp2_input=36000,
        temp2_label="System",
        temp3_input=41000,
        temp3_label="CPU Socket",
    )
    assert roles(tmp_path, tree) == {
        "cpu_fan_speed_rpm": "CPU Fan",
        "pump_speed_rpm": "Pump Fan",
        "case_fan_speed_rpm": "System Fan #1",
        "case_fan_2_speed_rpm": "Chassis Fan 2",
        "cpu_fan_duty_share": "pwm1",
        "pump_duty_share": "pwm2",
        "rail_12v_v": "+12V",
        "rail_5v_v": "+5V",
        "rail_3v3_v": "+3.3V",
        "vrm_temp_c": "VRM MOS",
        "board_temp_c": "System",
    }


def test_unlabelled_fans_of_a_board_chip_get_no_role_but_are_listed(tmp_path: Path) -> None:
    lay(tmp_path, chip(2, "nct6775", "platform/nct.656", fan1_input=900, fan2_input=1200))
    assert [s.info.channel for s in list_channels(tmp_path, {})] == [None, None]


def test_the_only_fan_of_a_laptop_is_guessed_and_said_to_be(tmp_path: Path) -> None:
    lay(tmp_path, chip(2, "thinkpad", "platform/thinkpad_hwmon", fan1_input=2900))
    (sensor,) = list_channels(tmp_path, {})
    assert sensor.info.channel == "cpu_fan_speed_rpm"
    assert "set it in bench.toml" in sensor.info.note


@pytest.mark.parametrize(
    ("label", "channel"),
    [
        ("room", "ambient_temp_c"),
        ("Ambient", "ambient_temp_c"),
        ("plate", "plate_temp_c"),
        ("radiator", "radiator_temp_c"),
        ("inlet", "inlet_temp_c"),
        ("exhaust", "exhaust_temp_c"),
        ("Coolant temp", "coolant_temp_c"),
        ("Water_In", "hose_in_temp_c"),
        ("Motherboard", "board_temp_c"),
        ("SYSTIN", "board_temp_c"),
        ("CPUTIN", None),
        ("AUXTIN0", None),
        ("PCH_CHIP_TEMP", None),
        ("probe 7", None),
    ],
)
def test_a_temperature_goes_by_its_label(tmp_path: Path, label: str, channel: str | None) -> None:
    lay(tmp_path, chip(0, "w1_slave_temp", "w1_bus_master1/28-01", temp1_input=25000, temp1_label=label))
    assert [s.info.channel for s in list_channels(tmp_path, {})] == [channel]


def test_the_parts_of_a_graphics_card_are_told_apart(tmp_path: Path) -> None:
    tree = chip(
        0,
        "amdgpu",
        "pci0000:00/0000:03:00.0",
        temp1_input=40000,
        temp1_label="edge",
        temp2_input=45000,
        temp2_label="junction",
        temp3_input=42000,
        temp3_label="mem",
        power1_average=30_000_000,
        fan1_input=0,
        pwm1=0,
        freq1_input=1_500_000_000,
        freq1_label="sclk",
    )
    assert set(roles(tmp_path, tree)) == {
        "gpu_temp_c",
        "gpu_hotspot_temp_c",
        "gpu_memory_temp_c",
        "gpu_power_w",
        "gpu_fan_speed_rpm",
        "gpu_fan_duty_share",
        "gpu_clock_mhz",
    }


def test_a_package_that_shows_twice_counts_once_and_its_cores_not_at_all(tmp_path: Path) -> None:
    tree: Tree = {}
    for entry, name in (
        ("intel-rapl-mmio:0", "package-0"),
        ("intel-rapl:0", "package-0"),
        ("intel-rapl:0:0", "core"),
        ("intel-rapl:1", "psys"),
    ):
        base = f"sys/class/powercap/{entry}"
        tree |= {f"{base}/name": name, f"{base}/energy_uj": 1, f"{base}/constraint_0_power_limit_uw": 65_000_000}
        tree |= {f"{base}/constraint_0_name": "long_term"}
    lay(tmp_path, tree)
    devices = {s.info.channel: s.info.device for s in list_channels(tmp_path, {}) if s.info.channel}
    assert devices == {
        "package_power_w": "powercap:intel-rapl:0:energy_uj",
        "power_limit_w": "powercap:intel-rapl:0:constraint_0_power_limit_uw",
    }


def test_only_the_composite_of_a_drive_gets_a_role(tmp_path: Path) -> None:
    values = {"temp1_input": 40000, "temp1_label": "Composite", "temp2_input": 50000, "temp2_label": "Sensor 1"}
    tree = chip(0, "nvme", "pci/nvme0", **values) | chip(1, "nvme", "pci/nvme1", **values)
    assert set(roles(tmp_path, tree)) == {"drive_temp_c", "drive_2_temp_c"}


def board() -> Tree:
    return chip(2, "nct6775", "platform/nct.656", fan1_input=900, fan2_input=1200, fan2_label="CPU Fan")


def test_bench_toml_sets_a_role_by_device_and_pushes_the_guess_aside(tmp_path: Path) -> None:
    config = {"channel": {"cpu_fan_speed_rpm": {"source": "nct6775:devices/platform/nct.656:fan1"}}}
    assert roles(tmp_path, board(), config) == {"cpu_fan_speed_rpm": "fan1", "cpu_fan_2_speed_rpm": "CPU Fan"}


def test_bench_toml_sets_a_role_by_label_with_correction_and_uncertainty(tmp_path: Path) -> None:
    lay(tmp_path, chip(0, "w1_slave_temp", "w1/28-01", temp1_input=25000, temp1_label="probe 7"))
    table = {"source": "probe 7", "correction": -0.4, "expanded_uncertainty": 0.5}
    bank = open_bank(tmp_path, {"channel": {"plate_temp_c": table}})
    assert bank.infos["plate_temp_c"].expanded_uncertainty == 0.5
    assert bank.sample(0.0, load_share=0.0)["plate_temp_c"].value == pytest.approx(24.6)
    bank.close()


# DS18B20 data sheet: 85 °C stands in the scratchpad from power-on until the first conversion; a bus without an answer
# reads as all ones, -127 °C by the drivers' conversion. A register never written reads 0.
@pytest.mark.parametrize("code_c", [85.0, 0.0, -127.0])
@pytest.mark.parametrize("table", [{"correction": 0.3}, {"correction": 0.1, "correction_slope": 0.01}])
def test_a_code_is_told_before_it_is_corrected(tmp_path: Path, code_c: float, table: Tree) -> None:
    lay(tmp_path, chip(0, "w1_slave_temp", "w1/28-01", temp1_input=round(code_c * 1000), temp1_label="probe 7"))
    with contextlib.closing(open_bank(tmp_path, {"channel": {"plate_temp_c": {"source": "probe 7", **table}}})) as bank:
        first = bank.sample(0.0, load_share=0.0)["plate_temp_c"]
        assert (first.quality, first.value) == (Quality.IMPLAUSIBLE, code_c)
        rewrite(tmp_path / "sys/devices/w1/28-01/hwmon/hwmon0/temp1_input", "25000\n")
        measured = bank.sample(1.0, load_share=0.0)["plate_temp_c"]
        slope = float(table.get("correction_slope", 0.0))  # type: ignore[arg-type]
        assert measured.ok
        assert measured.value == pytest.approx(25.0 + table["correction"] + slope * 25.0)  # type: ignore[operator]
        assert bank.reread("plate_temp_c", 1.0).value == measured.value


def test_a_corrected_reading_that_is_old_is_corrected_and_stale(tmp_path: Path) -> None:
    class Old:
        info = ChannelInfo(
            channel="plate_temp_c", label="t1", device="text:probe:t1", source="x", quantity="temperature", unit="°C",
            driver="text", correction=-0.5,
        )  # fmt: skip

        def read(self) -> Taken:
            return Taken(30.0, age_s=9.0)

        def close(self) -> None:
            pass

    reading = Bank([Old()]).sample(0.0, load_share=0.0)["plate_temp_c"]
    assert (reading.quality, reading.value, reading.age_s) == (Quality.STALE, 29.5, 9.0)


@pytest.mark.parametrize("key", ["correction", "correction_slope", "expanded_uncertainty"])
@pytest.mark.parametrize("value", [float("nan"), float("inf"), -1e308])
def test_a_correction_that_cannot_be_meant_is_refused(tmp_path: Path, key: str, value: float) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(tomli_w.dumps({"channel": {"plate_temp_c": {"source": "probe 7", key: value}}}), encoding="utf-8")
    with pytest.raises(BenchError, match=f"channel.plate_temp_c: {key} is .*, and must be"):
        read_config(path)


@pytest.mark.parametrize(
    ("config", "says"),
    [
        ({"channel": {"pump_speed_rpm": {"source": "nct6775:gone:fan9"}}}, "pump_speed_rpm.*gone:fan9"),
        ({"channel": {"plate_temp_c": {"source": "CPU Fan"}}}, "is a speed, not a temperature"),
        (
            {"channel": {"pump_speed_rpm": {"source": "CPU Fan"}, "cpu_fan_speed_rpm": {"source": "CPU Fan"}}},
            "already pump_speed_rpm",
        ),
    ],
)
def test_a_bench_toml_that_does_not_fit_the_machine_is_refused(tmp_path: Path, config: Tree, says: str) -> None:
    lay(tmp_path, board())
    with pytest.raises(BenchError, match=says):
        list_channels(tmp_path, config)


def test_a_label_that_several_sensors_carry_has_to_be_named_by_device(tmp_path: Path) -> None:
    values = {"temp1_input": 40000, "temp1_label": "ambient", "temp2_input": 50000, "temp2_label": "ambient"}
    lay(tmp_path, chip(0, "tmp", "i2c/0", **values))
    with pytest.raises(BenchError, match=r"2 sensors are called 'ambient'.*temp1.*temp2"):
        list_channels(tmp_path, {"channel": {"ambient_temp_c": {"source": "ambient"}}})


def test_a_readable_source_goes_before_one_that_only_root_may_read() -> None:
    def info(driver: str, label: str, device: str, unreadable: str = "") -> ChannelInfo:
        return ChannelInfo(
            channel=None, label=label, device=device, source="", quantity="power", unit="W", driver=driver,
            unreadable=unreadable,
        )  # fmt: skip

    denied = info("powercap", "package-0", "powercap:intel-rapl:0:energy_uj", "only root")
    other = info("amd_energy", "Esocket0", "amd_energy:x:energy1")
    assert [i.channel for i in assign([denied, other])] == [None, "package_power_w"]
    assert [i.channel for i in assign([denied])] == ["package_power_w"]


def test_a_channel_that_an_instrument_reads_cannot_be_given_to_a_sensor_as_well() -> None:
    def info(channel: str | None, label: str, device: str) -> ChannelInfo:
        return ChannelInfo(
            channel=channel, label=label, device=device, source="x", quantity="temperature", unit="°C"
        )  # fmt: skip

    both = [info("plate_temp_c", "probe t1", "text:probe:t1"), info(None, "AUXTIN0", "nct6775:x:temp3")]
    with pytest.raises(BenchError, match="already read from text:probe:t1"):
        assign(both, {"channel": {"plate_temp_c": {"source": "AUXTIN0"}}})


FAN_1 = "nct6775:devices/platform/nct.656:fan1"


def test_a_role_learned_for_a_board_holds_for_boards_of_its_model_only(tmp_path: Path) -> None:
    dmi: Tree = {
        "sys/class/dmi/id/board_vendor": "Invented Boards",
        "sys/class/dmi/id/board_name": "IB-1",
    }
    learned = {"board": {"Invented Boards IB-1": {"case_fan_speed_rpm": FAN_1}}}
    assert roles(tmp_path / "same", board() | dmi, learned)["case_fan_speed_rpm"] == "fan1"
    other = dmi | {"sys/class/dmi/id/board_name": "IB-2"}
    assert "case_fan_speed_rpm" not in roles(tmp_path / "other", board() | other, learned)
    assert "case_fan_speed_rpm" not in roles(tmp_path / "unknown", board(), learned)


def test_a_learned_role_whose_sensor_is_gone_is_passed_over() -> None:
    learned = {"board": {"B": {"case_fan_speed_rpm": "nct6775:gone:fan9", "plate_temp_c": FAN_1}}}
    fan = ChannelInfo(
        channel=None, label="", device=FAN_1, source="x", quantity="speed", unit="rpm", driver="nct6775"
    )  # fmt: skip
    assert [info.channel for info in assign([fan], learned, board="B")] == [None]


def test_the_limit_of_the_control_value_is_the_die_s(tmp_path: Path) -> None:
    lay(tmp_path, amd("Tctl", "Tccd1") | {"sys/devices/pci0000:00/0000:00:18.3/hwmon/hwmon0/temp1_crit": 95000})
    limits = {s.info.channel: s.info.limit for s in list_channels(tmp_path, {})}
    assert limits["die_temp_c"] == 95.0
