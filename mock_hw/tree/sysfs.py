"""A simulated machine as a tree of files shaped like the kernel's, under any root.

Every living file is rewritten in place by one write of fixed width on a descriptor that stays open, and only
where its value changed. The bench's own folder `verifyrig/` carries what no kernel has: `load` (read: the duty
asked for), `work` ("DONE ERRORS CORE_OF_LAST_ERROR") and `power` ("on" or "off").
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from pathlib import Path, PurePosixPath

from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.sensing import PROBE_CHANNELS, probes_for
from mock_hw.tree.live_files import NUMBER_WIDTH, LiveFile
from mock_hw.tree.load_file import LoadFile, Request
from mock_hw.tree.sysfs_layout import MILLI, fixed_files, hwmon_devices

_CLASS_LINKS = {
    "sys/class/thermal/thermal_zone0": "sys/devices/virtual/thermal/thermal_zone0",
    "sys/class/powercap/intel-rapl": "sys/devices/virtual/powercap/intel-rapl",
    "sys/class/powercap/intel-rapl:0": "sys/devices/virtual/powercap/intel-rapl/intel-rapl:0",
    "sys/class/dmi/id": "sys/devices/virtual/dmi/id",
}
_JIFFIES_PER_S = 100
_WORK_WIDTH = 32


class Tree:
    """The files of one machine.

    Args:
        root: A folder that is empty, absent, or holds an older simulated tree (which is replaced).
        machine: The machine to show.
        probes: Names of one-wire probes laid on the machine, see `PROBE_CHANNELS`.

    Raises:
        ValueError: The root holds something else, or there is no such probe on this machine.
    """

    def __init__(self, root: Path, machine: SimulatedMachine, probes: Sequence[str] = ("room",)) -> None:
        self._root = root
        self._machine = machine
        self._files: list[LiveFile] = []
        self._inside: list[tuple[LiveFile, str, float]] = []
        self._outside: list[tuple[LiveFile, str, float]] = []
        self._pwm: list[tuple[LiveFile, str]] = []
        _check_probes(probes, machine)
        _clear(root)
        self._lay_hwmon(tuple(probes))
        self._lay_others()
        self.write()

    # -- laying out ---------------------------------------------------------------------------------------------

    def _put(self, path: PurePosixPath, text: str) -> None:
        target = self._root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text + "\n", encoding="utf-8")

    def _link(self, path: str, target: str) -> None:
        """Make a relative link, both ends given below the root."""
        link = self._root / path
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(os.path.relpath(self._root / target, link.parent))

    def _live(self, path: str, width: int = NUMBER_WIDTH) -> LiveFile:
        file = LiveFile(self._root / path, width)
        self._files.append(file)
        return file

    def _lay_hwmon(self, probes: tuple[str, ...]) -> None:
        for number, device in enumerate(hwmon_devices(self._machine.parameters, probes)):
            folder = f"sys/devices/{device.parent}/hwmon/hwmon{number}"
            for name, text in {"name": device.name, **device.fixed}.items():
                self._put(PurePosixPath(folder, name), text)
            self._link(f"{folder}/device", f"sys/devices/{device.parent}")
            self._link(f"sys/class/hwmon/hwmon{number}", folder)
            values = self._outside if device.name == "w1_slave_temp" else self._inside
            values += [(self._live(f"{folder}/{name}"), *source) for name, source in device.living.items()]
            self._pwm += [(self._live(f"{folder}/{name}"), part) for name, part in device.pwm.items()]

    def _lay_others(self) -> None:
        parameters = self._machine.parameters
        cpu = parameters.processor
        for path, text in fixed_files(parameters).items():
            self._put(path, text)
        for link, target in _CLASS_LINKS.items():
            self._link(link, target)
        zone_channel = "die_temp_c" if cpu.driver == "coretemp" else "board_temp_c"
        zone = self._live("sys/devices/virtual/thermal/thermal_zone0/temp")
        self._inside.append((zone, zone_channel, MILLI))
        self._energy = self._live("sys/devices/virtual/powercap/intel-rapl/intel-rapl:0/energy_uj")
        cpus = [f"sys/devices/system/cpu/cpu{n}" for n in range(cpu.cores * cpu.threads_per_core)]
        self._clocks = [self._live(f"{path}/cpufreq/scaling_cur_freq") for path in cpus]
        self._throttles = [
            (self._live(f"{path}/thermal_throttle/{scope}_throttle_{what}"), what)
            for path in (cpus if cpu.driver == "coretemp" else [])
            for scope in ("core", "package")
            for what in ("count", "total_time_ms")
        ]
        self._stat = self._live("proc/stat", 128 * (len(cpus) + 2))
        self._uptime = self._live("proc/uptime", 40)
        self._boot_id = self._live("proc/sys/kernel/random/boot_id", 37)
        self._work = self._live("verifyrig/work", _WORK_WIDTH)
        self._power = self._live("verifyrig/power", 4)
        self._load = LoadFile(self._root / "verifyrig/load", cpu.cores)

    # -- living -------------------------------------------------------------------------------------------------

    def read_load(self) -> Request:
        """Return the share and the cores that the bench asks for now."""
        return self._load.read()

    def write(self) -> None:
        """Show the machine as it is now. While it is off or hung, only probes laid on from outside go on."""
        machine = self._machine
        self._power.put_text("on" if machine.is_on else "off")
        readings = machine.readings
        for file, channel, scale in self._outside:
            file.put_number(round(readings[channel] * scale))
        if machine.power_state != "on":
            return
        for file, channel, scale in self._inside:
            file.put_number(round(readings[channel] * scale))
        self._write_counters()
        self._write_duties()
        self._write_clocks()

    def _write_duties(self) -> None:
        fans = self._machine.fans
        duties = {"cpu": fans.duty_share, "case": fans.case_duty_share, "pump": 1.0}
        for file, part in self._pwm:
            file.put_number(round(duties[part] * 255))

    def _write_clocks(self) -> None:
        khz = round(self._machine.clock_mhz) * 1000
        for file in self._clocks:
            file.put_number(khz)

    def _write_counters(self) -> None:
        machine, counters = self._machine, self._machine.counters
        self._energy.put_number(counters.energy_uj)
        values = {"count": counters.throttle_events, "total_time_ms": round(counters.throttled_s * 1000)}
        for file, what in self._throttles:
            file.put_number(values[what])
        self._work.put_text(
            f"{int(counters.work_done):012d} {machine.mistakes.errors:08d} {machine.mistakes.last_core}"
        )
        self._boot_id.put_text(machine.boot_id)
        cpu = machine.parameters.processor
        idle_s = cpu.threads_per_core * (cpu.cores * counters.uptime_s - sum(counters.busy_s))
        self._uptime.put_text(f"{counters.uptime_s:.2f} {idle_s:.2f}")
        self._stat.put_text(self._stat_text())

    def _stat_text(self) -> str:
        """Return proc/stat: user and idle time of each logical processor since power-on, in 1/100 s."""
        counters = self._machine.counters
        threads = self._machine.parameters.processor.threads_per_core
        up = round(counters.uptime_s * _JIFFIES_PER_S)
        busy = [round(busy_s * _JIFFIES_PER_S) for busy_s in counters.busy_s] * threads
        lines = [f"cpu  {sum(busy)} 0 0 {len(busy) * up - sum(busy)} 0 0 0 0 0 0"]
        lines += [f"cpu{n} {used} 0 0 {up - used} 0 0 0 0 0 0" for n, used in enumerate(busy)]
        return "\n".join([*lines, "ctxt 0\nbtime 1767225600\nprocesses 1\nprocs_running 1\nprocs_blocked 0"])

    def close(self) -> None:
        """Close all files. The tree stays, with its last values."""
        self._load.close()
        for file in self._files:
            file.close()


def _check_probes(probes: Sequence[str], machine: SimulatedMachine) -> None:
    possible = probes_for(machine.parameters.cooler)
    for probe in probes:
        if probe not in possible:
            places = ", ".join(possible)
            known = "no such probe" if probe not in PROBE_CHANNELS else "no place for this probe"
            raise ValueError(f"{probe}: {known} on a machine with {machine.parameters.cooler} cooling; {places}")


def _clear(root: Path) -> None:
    """Remove an older simulated tree; refuse to touch anything else."""
    root.mkdir(parents=True, exist_ok=True)
    if root.resolve() == Path("/"):
        raise ValueError("a simulated machine never goes to the root of the file system")
    if not any(root.iterdir()):
        return
    if not (root / "verifyrig" / "power").is_file():
        raise ValueError(f"{root} is not empty and holds no simulated machine")
    for part in ("sys", "proc", "verifyrig"):
        shutil.rmtree(root / part, ignore_errors=True)
