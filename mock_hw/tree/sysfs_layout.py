"""Which files the tree of a simulated machine holds: the fixed ones as text, the living ones by channel.

Names and units follow the kernel's documents: hwmon/sysfs-interface (m°C, mV, rpm), power/powercap (µJ, µW),
admin-guide/pm/cpufreq (kHz), and the coretemp, k10temp and w1_therm drivers' own.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from pathlib import PurePosixPath

from mock_hw.physics.counters import ENERGY_RANGE_UJ
from mock_hw.physics.parts import MachineParameters
from mock_hw.physics.sensing import PROBE_CHANNELS, SECOND_DIE, core_channel

MILLI = 1000.0  # °C to m°C, V to mV


@dataclass(slots=True, kw_only=True)
class Device:
    """One hwmon device: where it hangs in sys/devices, its fixed files, and channel and scale of its living ones."""

    parent: str
    name: str
    fixed: dict[str, str] = field(default_factory=dict)
    living: dict[str, tuple[str, float]] = field(default_factory=dict)
    pwm: dict[str, str] = field(default_factory=dict)

    def add(self, file: str, label: str, channel: str, scale: float, **limits: float) -> None:
        """Add one labelled input, with limits such as crit=95.0 in the channel's unit."""
        self.living[f"{file}_input"] = (channel, scale)
        self.fixed[f"{file}_label"] = label
        self.fixed.update({f"{file}_{kind}": str(round(value * scale)) for kind, value in limits.items()})


def hwmon_devices(parameters: MachineParameters, probes: tuple[str, ...]) -> list[Device]:
    """Return the machine's hwmon devices in the order of their numbers, which is a matter of the seed."""
    devices = [_die(parameters), _board(parameters), _drive()]
    if parameters.cooler == "liquid":
        devices.append(_cooler())
    devices += [_probe(probe, number) for number, probe in enumerate(probes, start=1)]
    random.Random(f"{parameters.seed}/hwmon").shuffle(devices)
    return devices


def _die(parameters: MachineParameters) -> Device:
    cpu = parameters.processor
    if cpu.driver == "k10temp":
        device = Device(parent="pci0000:00/0000:00:18.3", name="k10temp")
        device.add("temp1", "Tctl", "die_temp_c", MILLI, crit=cpu.limit_c)
        device.add("temp3", "Tccd1", "core_temp_c", MILLI)
        if parameters.second_die_k_per_w is not None:
            device.add("temp4", "Tccd2", SECOND_DIE, MILLI)
        return device
    device = Device(parent="platform/coretemp.0", name="coretemp")
    limits = {"max": cpu.limit_c - 10.0, "crit": cpu.limit_c}
    device.add("temp1", "Package id 0", "die_temp_c", MILLI, **limits)
    for core in range(cpu.cores):
        device.add(f"temp{core + 2}", f"Core {core}", core_channel(core), MILLI, **limits)
    for file in [file for file in device.fixed if file.endswith("_crit")]:
        device.fixed[f"{file}_alarm"] = "0"
    return device


def _board(parameters: MachineParameters) -> Device:
    """The super-I/O chip: fans, rails, board temperatures, and one input that is wired to nothing."""
    device = Device(parent="platform/nct6775.656", name="nct6798")
    device.add("fan1", "CPU Fan", "cpu_fan_speed_rpm", 1.0)
    device.add("fan2", "Chassis Fan 1", "case_fan_speed_rpm", 1.0)
    device.pwm = {"pwm1": "cpu", "pwm2": "case"}
    if parameters.cooler == "liquid":
        device.add("fan3", "Pump", "pump_speed_rpm", 1.0)
        device.pwm["pwm3"] = "pump"
    device.add("in0", "+12V", "rail_12v_v", MILLI)
    device.add("in1", "+5V", "rail_5v_v", MILLI)
    device.add("in2", "+3.3V", "rail_3v3_v", MILLI)
    device.add("temp1", "SYSTIN", "board_temp_c", MILLI)
    device.add("temp2", "VRM", "vrm_temp_c", MILLI)
    floating = random.Random(f"{parameters.seed}/floating").choice(("127000", "-62000"))
    device.fixed |= {"temp3_input": floating, "temp3_label": "AUXTIN3"}
    device.fixed |= {f"{pwm}_enable": "5" for pwm in device.pwm}
    return device


def _drive() -> Device:
    """A drive with the sentinel limits that its driver shows where none is set."""
    device = Device(parent="pci0000:00/0000:00:1d.0/0000:01:00.0/nvme/nvme0", name="nvme")
    device.add("temp1", "Composite", "drive_temp_c", MILLI, max=84.85, crit=94.85, min=-273.15)
    device.add("temp2", "Sensor 1", "drive_temp_c", MILLI, max=65261.85, min=-273.15)
    return device


def _cooler() -> Device:
    device = Device(parent="pci0000:00/0000:00:14.0/usb1/1-7/1-7:1.0/0003:1209:0001.0001", name="simcooler")
    device.add("temp1", "Coolant temp", "coolant_temp_c", MILLI)
    device.add("fan1", "Pump speed", "pump_speed_rpm", 1.0)
    device.add("fan2", "Fan speed", "cpu_fan_speed_rpm", 1.0)
    return device


def _probe(probe: str, number: int) -> Device:
    device = Device(parent=f"w1_bus_master1/28-{number:012x}", name="w1_slave_temp")
    device.add("temp1", probe, PROBE_CHANNELS[probe], MILLI)
    return device


def fixed_files(parameters: MachineParameters) -> dict[PurePosixPath, str]:
    """Return all files outside hwmon that never change, path below the root to text."""
    files = {
        **_cpu_files(parameters),
        **_powercap_files(parameters),
        **_dmi_files(),
        **_proc_files(parameters),
    }
    coretemp = parameters.processor.driver == "coretemp"
    files["sys/devices/virtual/thermal/thermal_zone0/type"] = "x86_pkg_temp" if coretemp else "acpitz"
    files["sys/devices/virtual/thermal/thermal_zone0/mode"] = "enabled"
    return {PurePosixPath(path): text for path, text in files.items()}


def _cpu_files(parameters: MachineParameters) -> dict[str, str]:
    cpu = parameters.processor
    count = cpu.cores * cpu.threads_per_core
    top = "sys/devices/system/cpu"
    files = {f"{top}/{name}": f"0-{count - 1}" for name in ("online", "possible", "present")}
    for number in range(count):
        core = number % cpu.cores
        siblings = ",".join(str(core + thread * cpu.cores) for thread in range(cpu.threads_per_core))
        each = {
            "cpufreq/cpuinfo_max_freq": str(round(cpu.full_clock_mhz * MILLI)),
            "cpufreq/cpuinfo_min_freq": str(round(cpu.idle_clock_mhz * MILLI)),
            "cpufreq/scaling_max_freq": str(round(cpu.full_clock_mhz * MILLI)),
            "cpufreq/scaling_min_freq": str(round(cpu.idle_clock_mhz * MILLI)),
            "cpufreq/base_frequency": str(round(cpu.base_clock_mhz * MILLI)),
            "cpufreq/scaling_governor": "powersave",
            "cpufreq/scaling_driver": "simulated",
            "topology/core_id": str(core),
            "topology/physical_package_id": "0",
            "topology/thread_siblings_list": siblings,
        }
        files |= {f"{top}/cpu{number}/{name}": text for name, text in each.items()}
    return files


def _powercap_files(parameters: MachineParameters) -> dict[str, str]:
    top = "sys/devices/virtual/powercap/intel-rapl/intel-rapl:0"
    cpu = parameters.processor
    files = {"name": "package-0", "enabled": "1", "max_energy_range_uj": str(ENERGY_RANGE_UJ)}
    limits = (("long_term", cpu.long_limit_w, 28_000_000), ("short_term", cpu.short_limit_w, 2440))
    for number, (name, limit_w, window_us) in enumerate(limits):
        files[f"constraint_{number}_name"] = name
        files[f"constraint_{number}_power_limit_uw"] = str(round(limit_w * 1e6))
        files[f"constraint_{number}_time_window_us"] = str(window_us)
    return {f"{top}/{name}": text for name, text in files.items()}


def _dmi_files() -> dict[str, str]:
    names = ("sys_vendor", "product_name", "board_vendor", "board_name", "bios_vendor", "bios_version")
    return {f"sys/devices/virtual/dmi/id/{name}": "Simulated hardware" for name in names}


def _proc_files(parameters: MachineParameters) -> dict[str, str]:
    cpu = parameters.processor
    blocks = [
        f"processor\t: {number}\nmodel name\t: Simulated processor\ncpu MHz\t\t: {cpu.base_clock_mhz:.3f}\n"
        f"physical id\t: 0\ncore id\t\t: {number % cpu.cores}\ncpu cores\t: {cpu.cores}\n"
        for number in range(cpu.cores * cpu.threads_per_core)
    ]
    sizes_kb = {"MemTotal": 16777216, "MemFree": 11534336, "MemAvailable": 13631488, "Buffers": 262144}
    sizes_kb |= {"Cached": 2097152, "Active": 3145728, "Inactive": 1048576, "Shmem": 131072, "Slab": 262144}
    sizes_kb |= {"SReclaimable": 131072, "SwapTotal": 0, "SwapFree": 0}
    memory = "\n".join(f"{name + ':':16}{size:8} kB" for name, size in sizes_kb.items())
    return {
        "proc/cpuinfo": "\n".join(blocks),
        "proc/meminfo": memory,
        "proc/version": "Simulated hardware",
        "proc/sys/kernel/osrelease": "0.0-simulated",
    }
