"""The simulated machine's tree of files: layout, units, and how the files live."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from mock_hw.bench import SimulatedBench
from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.parameters import draw
from mock_hw.tree.load_file import IDLE, format_load, parse_load
from mock_hw.tree.sysfs import Tree

PROBES = ("room", "plate", "radiator", "hose-in", "hose-out")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[SimulatedBench]:
    with SimulatedBench("healthy-liquid", 0, tmp_path / "root", probes=PROBES) as bench:
        yield bench


def ask(bench: SimulatedBench, share: float) -> None:
    (bench.root / "verifyrig" / "load").write_text(format_load(share))


def number(path: Path) -> int:
    return int(path.read_text())


def hwmon(root: Path, name: str) -> list[Path]:
    return [path for path in sorted((root / "sys/class/hwmon").iterdir()) if (path / "name").read_text() == f"{name}\n"]


def labelled(root: Path, label: str) -> Path:
    """Return the input file that carries a label."""
    found = [path for path in (root / "sys/class/hwmon").glob("hwmon*/*_label") if path.read_text() == f"{label}\n"]
    assert len(found) == 1, f"{label}: {found}"
    return found[0].with_name(found[0].name.replace("_label", "_input"))


def test_values_are_in_the_kernels_units(bench: SimulatedBench) -> None:
    """hwmon/sysfs-interface: m°C, rpm, mV, pwm 0 to 255; power/powercap: µJ, µW; cpufreq: kHz."""
    ask(bench, 1.0)
    bench.advance_to(60)
    root, machine = bench.root, bench.machine
    assert number(labelled(root, "Package id 0")) == round(machine.sensor_reading("die_temp_c") * 1000)
    assert number(labelled(root, "Package id 0")) / 1000 == pytest.approx(machine.die_c, abs=3)
    assert number(labelled(root, "Coolant temp")) / 1000 == pytest.approx(machine.coolant_c, abs=1)
    assert number(labelled(root, "room")) / 1000 == pytest.approx(machine.ambient_c, abs=0.5)
    assert number(labelled(root, "plate")) / 1000 == pytest.approx(machine.plate_c, abs=1.5)
    assert number(labelled(root, "CPU Fan")) == pytest.approx(machine.fans.cpu_fan_rpm, abs=60)
    assert number(labelled(root, "+12V")) / 1000 == pytest.approx(machine.supply.rail_12v_v, rel=0.02)
    board = hwmon(root, "nct6798")[0]
    assert number(board / "pwm1") == round(255 * machine.fans.duty_share)
    assert number(board / "pwm3") == 255
    cpu = machine.parameters.processor
    clock = root / "sys/devices/system/cpu/cpu0/cpufreq"
    assert number(clock / "scaling_cur_freq") == number(clock / "cpuinfo_max_freq") == round(cpu.full_clock_mhz * 1000)
    assert number(root / "sys/class/powercap/intel-rapl:0/constraint_0_power_limit_uw") == cpu.long_limit_w * 1e6
    assert number(root / "sys/class/thermal/thermal_zone0/temp") == number(labelled(root, "Package id 0"))
    assert number(hwmon(root, "coretemp")[0] / "temp1_crit") == cpu.limit_c * 1000


def test_energy_gives_the_power_with_the_counters_gain(bench: SimulatedBench) -> None:
    ask(bench, 0.7)
    bench.advance_to(300)
    energy = bench.root / "sys/class/powercap/intel-rapl:0/energy_uj"
    wraps_at = number(energy.with_name("max_energy_range_uj"))
    before = number(energy)
    bench.advance_to(310)
    power_w = (number(energy) - before) % wraps_at / 10 / 1e6
    assert power_w == pytest.approx(bench.machine.power_w * bench.parameters.power_gain, rel=0.01)


def test_the_tree_hangs_together_as_the_kernels_does(bench: SimulatedBench) -> None:
    root = bench.root
    for folder in (root / "sys/class/hwmon").iterdir():
        assert folder.is_symlink()
        assert not folder.readlink().is_absolute()
        assert (root / "sys/devices") in folder.resolve().parents
        # hwmonN/device points at the chip's own device, two levels above.
        assert (folder / "device").resolve() == folder.resolve().parent.parent
        for file in folder.glob("*_input"):
            number(file)
    assert (root / "sys/class/thermal/thermal_zone0/type").read_text() == "x86_pkg_temp\n"
    assert (root / "sys/class/powercap/intel-rapl:0/name").read_text() == "package-0\n"
    assert (root / "sys/class/dmi/id/sys_vendor").read_text() == "Simulated hardware\n"
    assert number(hwmon(root, "nvme")[0] / "temp2_max") == 65261850
    assert number(labelled(root, "AUXTIN3")) in (127000, -62000)
    assert len(hwmon(root, "w1_slave_temp")) == len(PROBES)


def test_files_are_rewritten_in_place_and_keep_their_size(bench: SimulatedBench) -> None:
    # Real sysfs never replaces a file, so a reader may hold it open for ever.
    file = labelled(bench.root, "Package id 0")
    descriptor = os.open(file, os.O_RDONLY)
    try:
        before = os.fstat(descriptor)
        first = os.pread(descriptor, 64, 0)
        ask(bench, 1.0)
        bench.advance_to(120)
        after, second = os.fstat(descriptor), os.pread(descriptor, 64, 0)
    finally:
        os.close(descriptor)
    assert (after.st_ino, after.st_nlink, after.st_size) == (before.st_ino, 1, before.st_size)
    assert file.stat().st_ino == before.st_ino
    assert int(second) > int(first)
    assert second.endswith(b"\n")


def test_psutil_reads_busy_time_and_memory_from_the_tree(
    bench: SimulatedBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(psutil, "PROCFS_PATH", str(bench.root / "proc"))
    before = psutil.cpu_times()
    ask(bench, 0.25)
    bench.advance_to(100)
    after = psutil.cpu_times()
    busy_s, idle_s = after.user - before.user, after.idle - before.idle
    assert busy_s / (busy_s + idle_s) == pytest.approx(0.25, abs=0.001)
    assert len(psutil.cpu_times(percpu=True)) == bench.parameters.processor.cores
    assert psutil.virtual_memory().total == 16 * 2**30


def test_work_and_errors_stand_in_a_file_of_fixed_width(tmp_path: Path) -> None:
    with SimulatedBench("memory-faulty", 0, tmp_path) as bench:
        work = tmp_path / "verifyrig" / "work"
        size = work.stat().st_size
        assert work.read_text().split() == ["000000000000", "00000000", "-1"]
        ask(bench, 1.0)
        bench.advance_to(300)
        done, errors, core = (int(word) for word in work.read_text().split())
        cpu = bench.parameters.processor
        assert done == pytest.approx(300 * 10 * cpu.cores * cpu.full_clock_mhz / 1000, rel=0.001)
        assert errors == bench.machine.mistakes.errors > 0
        assert 0 <= core < cpu.cores
        assert work.stat().st_size == size


def test_throttling_counts_in_every_processors_files(tmp_path: Path) -> None:
    with SimulatedBench("film-left-on", 0, tmp_path) as bench:
        ask(bench, 1.0)
        bench.advance_to(200)
        for cpu in range(bench.parameters.processor.cores):
            folder = tmp_path / f"sys/devices/system/cpu/cpu{cpu}/thermal_throttle"
            assert number(folder / "package_throttle_count") == number(folder / "core_throttle_count") > 0
            assert number(folder / "package_throttle_total_time_ms") > 1000


def test_power_goes_off_probes_from_outside_go_on_and_a_restart_changes_the_boot_id(tmp_path: Path) -> None:
    with SimulatedBench("supply-sags", 0, tmp_path, probes=("room", "plate")) as bench:
        boot_id = (tmp_path / "proc/sys/kernel/random/boot_id").read_text()
        bench.advance_to(30)
        ask(bench, 1.0)
        bench.advance_to(40)
        assert not bench.is_on, "the typical machine of this case goes off at its first full step"
        assert (tmp_path / "verifyrig/power").read_text() == "off\n"
        frozen = labelled(tmp_path, "Package id 0").read_text()
        plate = number(labelled(tmp_path, "plate"))
        bench.advance_to(400)
        assert labelled(tmp_path, "Package id 0").read_text() == frozen
        assert number(labelled(tmp_path, "plate")) < plate
        ask(bench, 0.0)
        bench.restart()
        assert bench.is_on
        assert (tmp_path / "verifyrig/power").read_text() == "on \n"
        assert (tmp_path / "proc/sys/kernel/random/boot_id").read_text() != boot_id
        assert float((tmp_path / "proc/uptime").read_text().split()[0]) == 0.0


def test_an_other_driver_shows_its_own_labels_and_no_throttle_counters(tmp_path: Path) -> None:
    seed = next(seed for seed in range(1, 100) if draw("healthy-air", seed).processor.driver == "k10temp")
    with SimulatedBench("healthy-air", seed, tmp_path) as bench:
        bench.advance_to(10)
        assert number(labelled(tmp_path, "Tctl")) / 1000 == pytest.approx(bench.machine.die_c, abs=3)
        assert number(labelled(tmp_path, "Tctl")) % 125 == 0
        assert labelled(tmp_path, "Tccd1").name == "temp3_input"
        assert not (tmp_path / "sys/devices/system/cpu/cpu0/thermal_throttle").exists()
        assert not list(tmp_path.glob("sys/class/hwmon/*/fan3_input"))


def test_time_that_has_passed_moves_nothing_and_a_late_call_catches_up(bench: SimulatedBench) -> None:
    bench.advance_to(10)
    bench.advance_to(5)
    assert bench.elapsed_s == pytest.approx(10)
    bench.advance_to(100.25)
    assert bench.elapsed_s == pytest.approx(100.25)


def test_a_load_file_that_is_replaced_or_gone_is_noticed(bench: SimulatedBench) -> None:
    load = bench.root / "verifyrig" / "load"
    fresh = load.with_name("load.new")
    fresh.write_text("0.500000\n")
    fresh.rename(load)
    assert bench.tree.read_load() == (0.5, None)
    load.unlink()
    assert bench.tree.read_load() == IDLE
    load.write_text("0.250000 cores=1\n")
    assert bench.tree.read_load() == (0.25, (1,))
    load.write_text("")
    assert bench.tree.read_load() == (0.25, (1,))
    assert bench.tree.read_load() == IDLE


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("0.000000\n", (0.0, None)),
        ("1\n", (1.0, None)),
        ("1.7\n", (1.0, None)),
        ("-3\n", (0.0, None)),
        ("0.5 0-3\n", (0.5, (0, 1, 2, 3))),
        ("0.5 cores=1,3-4\n", (0.5, (1, 3, 4))),
        ("0.5 cores=9\n", (0.5, None)),
        ("0.5 cores=0-999999999999\n", (0.5, (0, 1, 2, 3, 4, 5))),
        ("nan\n", IDLE),
        ("inf\n", IDLE),
        ("full speed\n", IDLE),
        ("0.5 cores=a-b\n", IDLE),
        ("\0\0\0\n", IDLE),
    ],
)
def test_a_load_is_read_as_a_share_and_anything_else_as_no_load(text: str, expected: object) -> None:
    assert parse_load(text, 6, before=(0.9, None)) == expected


def test_the_tree_touches_nothing_that_is_not_its_own(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    machine = SimulatedMachine(draw("healthy-air", 0), seed=0)
    with pytest.raises(ValueError, match="holds no simulated machine"):
        Tree(tmp_path, machine)
    with pytest.raises(ValueError, match="never goes to the root"):
        Tree(Path("/"), machine)
    assert (tmp_path / "letter.txt").read_text() == "mine"
    with pytest.raises(ValueError, match="no place for this probe"):
        Tree(tmp_path / "tree", machine, probes=("radiator",))
    with pytest.raises(ValueError, match="no such probe"):
        Tree(tmp_path / "tree", machine, probes=("nose",))


def test_an_older_tree_is_replaced_whole(tmp_path: Path) -> None:
    SimulatedBench("healthy-liquid", 0, tmp_path, probes=PROBES).close()
    SimulatedBench("healthy-air", 0, tmp_path).close()
    assert not hwmon(tmp_path, "simcooler")
    assert len(hwmon(tmp_path, "w1_slave_temp")) == 1
