"""One guest with everything that a bench may have: one thing after another is tried on it."""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.stick.partition import is_dirty
from tests.stick.trials import BENCH, PROBE, SOUND_K, Bench, Runs, digest, heated_guest, own_disk, records_on, until
from verifyrig.core.errors import RecordError
from verifyrig.record import read_trace
from verifyrig.record.check import check_record


class Day:
    """One guest with everything that a bench may have, on which one thing after another is tried.

    A step that fails is told with its reason, and the next one is made.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._seen = bench.seen.setdefault("day", [])
        self._disk, self._bad = own_disk(bench, "day"), own_disk(bench, "day-bad")
        self._before = digest(self._disk)
        self._stick = bench.copy(
            "day",
            {
                "bench.toml": f"{BENCH}\n{PROBE}",
            },
        )

    def run(self) -> None:
        """Make all steps, then pull the plug in mid-run."""
        port = f"pty:{self._bench.work}/probe"
        probe = subprocess.Popen(
            [sys.executable, "-m", "mock_hw", "thermometer", "--url", port, "--constant", "42.5"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        until(lambda: (self._bench.work / "probe").exists(), "the probe's port")
        try:
            with heated_guest(self._bench, self._stick, "day", full_k=SOUND_K, more=self._hardware()) as (guest, die):
                self._guest, self._die, self._runs = guest, die, Runs(guest)
                for step in (
                    self._what_is_shown, self._blocked, self._healthy, self._trip, self._pulled, self._machine_check,
                    self._bad_disk, self._cut,
                ):  # fmt: skip
                    self._try(step)
        finally:
            probe.terminate()
            probe.wait()
        self._try(self._after)

    def _try(self, step: Callable[[], str]) -> None:
        name = step.__name__.strip("_").replace("_", " ")
        try:
            self._say(name, step())
        except Exception as error:  # a trial tells what failed, whatever it is, and goes on
            self._say(name, f"FAILED: {type(error).__name__}: {str(error)[-400:]}")

    def _say(self, name: str, text: str) -> None:
        self._seen.append(f"{name}: {text}")
        print(f"day, {name}: {text}", flush=True)

    def _hardware(self) -> list[str]:
        rules = self._bench.work / "bad-sector"
        rules.write_text('[inject-error]\nevent = "read_aio"\nerrno = "5"\nsector = "2048"\nonce = "off"\n')
        faulty = f"file.driver=blkdebug,file.config={rules},file.image.filename={self._bad}"
        return [
            "-drive", f"if=none,id=own,format=raw,file={self._disk}", "-device", "nvme,drive=own,serial=1",
            "-drive", f"if=none,id=bad,format=raw,{faulty}", "-device", "ide-hd,drive=bad,bus=ide.1",
            "-device", "ipmi-bmc-sim,id=bmc", "-device", "isa-ipmi-kcs,bmc=bmc",
            "-chardev", f"serial,id=probe,path={self._bench.work}/probe",
            "-device", "usb-serial,bus=usb.0,chardev=probe",
        ]  # fmt: skip

    def _what_is_shown(self) -> str:
        guest = self._guest
        self._bench.work.joinpath("first.txt").write_text(guest.screen_text())
        guest.picture(self._bench.work / "day-first.png")
        guest.shell("modprobe i2c-stub chip_addr=0x48")
        bus = guest.shell("grep -l 'SMBus stub' /sys/bus/i2c/devices/*/name | head -n 1").rsplit("/", 1)[0]
        guest.shell(f"modprobe lm75; echo lm75 0x48 > {bus}/new_device")
        chips = guest.shell("cat /sys/class/hwmon/hwmon*/name").split()
        zone = guest.shell("cat /sys/class/hwmon/hwmon0/temp1_input")
        nodes = guest.shell("ls /dev/ipmi0 /dev/ttyUSB0 2>&1").split()
        read_only = guest.shell("cat /sys/block/nvme0n1/ro /sys/block/sd?/ro").split()
        return f"chips {chips}, zone {zone} m°C, {nodes}, read-only {read_only}"

    def _told(self, run: dict[str, Any]) -> str:
        cause = f" ({run['cause']})" if run["cause"] else ""
        peak = f"pulses' peak {run['peak_c']} °C"
        return f"{run['run']}: exit {run['code']}, {run['outcome']}{cause}, verdict {run['verdict']}, {peak}"

    def _healthy(self) -> str:
        self._runs.start("quick-look", on_screen=True)
        self._runs.await_load()
        self._guest.picture(self._bench.work / "day-run.png")
        told = self._told(self._runs.result())
        self._guest.picture(self._bench.work / "day-end.png")
        return told

    def _blocked(self) -> str:
        # Above the gate while the program starts, below the zone's own critical 110 °C.
        self._die.full_k, self._die.time_constant_s, self._die.most_c = 400.0, 1.0, 103.0
        self._runs.start("quick-look")
        run = self._runs.result()
        self._die.full_k, self._die.time_constant_s, self._die.most_c = SOUND_K, 12.0, math.inf
        return self._told(run)

    def _trip(self) -> str:
        self._runs.start("short")
        self._runs.await_load()
        self._die.forced_c = 96.0
        run = self._runs.result()
        self._die.forced_c = None
        return f"{self._told(run)}, trip {run['trip']}"

    def _pulled(self) -> str:
        self._runs.start("short")
        self._runs.await_load()
        self._guest.monitor("device_del stick-device")
        until(lambda: "sda" not in self._guest.shell("ls /sys/block"), "the stick gone")
        twins = self._guest.shell("ls /run/verifyrig-stick/twins")
        words = f"drive_add 0 if=none,id=again,format=raw,file={self._stick}"
        added = self._guest.monitor(words)
        self._guest.monitor("device_add usb-storage,id=stick-again,bus=usb.0,drive=again,removable=on")
        until(lambda: "vfat" in self._guest.shell("grep ' /bench ' /proc/mounts"), "the stick back at its place")
        run = self._runs.result()
        left = self._guest.shell("ls /run/verifyrig-stick/twins")
        where = self._guest.shell(f"ls -l /bench/trial/runs/{run['run']}.sqlite")
        memory = f"away: {twins.split()}; left in memory: {left.split()}"
        return f"{self._told(run)}; {memory}; on the stick: {where} {added[-80:]}"

    def _machine_check(self) -> str:
        self._runs.start("short")
        self._runs.await_load()
        # Bank 4, corrected: valid, enabled, with an address (Intel SDM vol. 3B, 15.3.2.2).
        self._guest.monitor("mce 0 4 0x9400000000000136 0x0 0x1000 0x0")
        run = self._runs.result()
        beside = self._guest.shell(f"cat /bench/trial/runs/{run['run']}.kernel.log 2>&1")
        return f"{self._told(run)}; kept beside: {beside[-300:]}"

    def _bad_disk(self) -> str:
        self._guest.shell("dd if=/dev/sda bs=512 skip=2048 count=1 of=/dev/null iflag=direct 2>&1; "
                          "dd if=/dev/sdb bs=512 skip=2048 count=1 of=/dev/null iflag=direct 2>&1")  # fmt: skip
        return self._guest.shell("verifyrig history --bench /bench/trial | grep -i -A1 disk | head -n 4")

    def _cut(self) -> str:
        self._runs.start("short")
        self._runs.await_load()
        self._guest.shell("cat /proc/uptime")
        self._guest.cut_power()
        return "power cut in mid-load"

    def _after(self) -> str:
        found = records_on(self._bench, self._stick, "day")
        lines = []
        for run, path in found.items():
            try:
                checked, trace = check_record(path), read_trace(path)
            except RecordError as error:  # cut while it was being made: no sample was acknowledged
                lines.append(f"{run}: {error.what}")
                continue
            what = f"{len(trace.t_s)} samples, {trace.recorded.profile_name}, {checked.outcome}"
            plate = trace.columns.get("plate_temp_c")
            probe = "" if plate is None else f", probe {float(plate[-1]):.1f} °C"
            lines.append(f"{run}: {what}{probe}, whole {not checked.damage}, unaltered {checked.altered is None}")
        page = self._bench.work / "report.html"
        sealed = [path for path in found.values() if profile_of(path) == "quick-look"]
        if sealed:
            words = [sys.executable, "-m", "verifyrig", "report", *map(str, sealed[:2]), "--out", str(page)]
            done = subprocess.run(words, capture_output=True, text=True, check=False, cwd=self._bench.work)
            lines.append(f"report on the host: {page.exists()} {done.stderr[-200:]}")
        lines.append(f"disk unchanged: {digest(self._disk) == self._before}; dirty: {is_dirty(self._stick)}")
        return "\n  ".join(lines)


def profile_of(record: Path) -> str | None:
    """Return the profile of a record, None where it cannot be read."""
    try:
        return read_trace(record).recorded.profile_name
    except RecordError:
        return None
