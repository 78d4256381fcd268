"""What is tried on the stick in full: each trial starts guests, and says what it saw; none is judged by its pace."""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.stick.guest import Guest, started
from tests.stick.heat import Die
from tests.stick.partition import is_dirty, put, take
from verifyrig.core.errors import RecordError
from verifyrig.record import read_trace
from verifyrig.record.check import check_record

HERE = Path(__file__).resolve().parent
_MEMORY_MIB = 2048
# The zone is there from the kernel's start, as the first chip.
_BENCH = '[shop]\nname = "Trial bench"\n\n[channel.die_temp_c]\nsource = "sys/class/hwmon/hwmon0/temp1_input"\n'
_SETTLED = {"stick.toml": 'keyboard = "us"\n'}
_PROBE = """
[[instrument]]
id = "probe"
url = "/dev/ttyUSB0"
protocol = "text"
baud = 9600
channels = { t1 = "plate_temp_c" }
"""
_DISK_BYTES = 8 << 20


@dataclass
class Bench:
    """Where trials are made.

    Attributes:
        image: The image as built; every trial takes a copy.
        work: Folder for copies and logs.
        seen: What each trial saw, by name; a line a fact.
    """

    image: Path
    work: Path
    seen: dict[str, list[str]] = field(default_factory=dict)

    def copy(self, name: str, files: dict[str, str]) -> Path:
        """Return a stick of its own with these files on it."""
        path = self.work / f"{name}.img"
        shutil.copyfile(self.image, path)
        put(path, {**_SETTLED, **files})
        return path


@contextlib.contextmanager
def heated_guest(
    bench: Bench, stick: Path, name: str, *, full_k: float, more: list[str] | None = None, **options: Any
) -> Iterator[tuple[Guest, Die]]:
    """Start a guest whose zone follows its own work; wait for its first screen and its drivers."""
    folder = bench.work / name
    folder.mkdir(parents=True, exist_ok=True)
    memory = Path("/dev/shm") / f"verifyrig-guest-{name}"
    subprocess.run(["iasl", "-p", str(folder / "zone"), str(HERE / "zone.asl")], capture_output=True, check=True)
    words = [
        "-object", f"memory-backend-file,id=ram,size={_MEMORY_MIB}M,mem-path={memory},share=on",
        "-machine", "memory-backend=ram", "-acpitable", f"file={folder / 'zone.aml'}",
        "-name", "guest,debug-threads=on", *(more or []),
    ]  # fmt: skip
    with memory.open("wb") as file:
        file.truncate(_MEMORY_MIB << 20)
    try:
        with started(stick, folder, more=words, memory_mib=_MEMORY_MIB, **options) as guest:
            die = Die(memory, guest.process.pid, full_k=full_k)
            try:
                guest.wait_for(r"first screen after")
                first_s = guest.processor_s()
                guest.wait_for(r"drivers loaded after")
                bench.seen.setdefault(name, []).append(f"first screen after {first_s:.0f} s of processor time")
                guest.open_shell()
                yield guest, die
            finally:
                die.close()
    finally:
        memory.unlink(missing_ok=True)


def own_disk(bench: Bench, name: str) -> Path:
    """Return a disk of the machine, full of bytes that must stay."""
    path = bench.work / f"{name}-disk.img"
    path.write_bytes(hashlib.shake_256(name.encode()).digest(_DISK_BYTES))
    return path


def digest(path: Path) -> str:
    """Return the file's SHA-256."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def records_on(bench: Bench, stick: Path, name: str) -> dict[str, Path]:
    """Return the records on a stick by run id, as another computer reads them."""
    folder = bench.work / f"{name}-taken"
    shutil.rmtree(folder, ignore_errors=True)
    return {path.stem: path for path in sorted(take(stick, folder).rglob("*.sqlite"))}


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
                "bench.toml": f"{_BENCH}\n{_PROBE}",
                "trial/bench.toml": _BENCH,
                "trial/profiles/short.toml": (HERE / "short.toml").read_text(),
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
            with heated_guest(self._bench, self._stick, "day", full_k=25.0, more=self._hardware()) as (guest, die):
                self._guest, self._die = guest, die
                for step in (
                    self._what_is_shown, self._healthy, self._blocked, self._trip, self._pulled, self._machine_check,
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

    def _start(self, profile: str) -> None:
        words = f"verifyrig run {profile} --bench /bench/trial --without-job --yes --ambient 22 --json"
        # What the first screen records meanwhile would be work of an idle machine twice over.
        self._guest.shell(
            "busybox killall -q -TERM python3; while busybox pidof python3 >/dev/null; do sleep 0.3; done"
        )
        self._guest.shell("rm -f /run/code; mount -o remount,rw /bench")
        self._guest.send(f"({words} >/run/answer 2>/run/told </dev/null; echo $? >/run/code) &\r")

    def _load_is_on(self) -> None:
        count = "grep -l 'loads[.]worker' /proc/[0-9]*/cmdline 2>/dev/null | wc -l"
        until(lambda: self._guest.shell(count).strip() != "0" or self._is_over(), "a load", every_s=3.0)
        if self._is_over():
            raise AssertionError(
                f"the run ended without a load: {self._guest.shell('cat /run/told /run/answer')[-600:]}"
            )

    def _is_over(self) -> bool:
        return self._guest.shell("cat /run/code 2>/dev/null").strip().isdigit()

    def _over(self) -> dict[str, Any]:
        until(self._is_over, "the run's end", every_s=3.0)
        answer = json.loads(self._guest.shell("cat /run/answer"))
        return {**answer, "code": self._guest.shell("cat /run/code").strip()}

    def _told(self, run: dict[str, Any]) -> str:
        peak = run["metrics"].get("pulses.die_temp_c.peak", {}).get("value")
        return f"exit {run['code']}, {run['outcome']}, verdict {run['verdict']}, pulses' peak {peak} °C"

    def _healthy(self) -> str:
        self._start("quick-look")
        self._load_is_on()
        self._guest.picture(self._bench.work / "day-run.png")
        return self._told(self._over())

    def _blocked(self) -> str:
        # 103 °C at full work: above every limit, below the zone's own critical 110 °C.
        self._die.full_k, self._die.time_constant_s = 65.0, 4.0
        self._start("quick-look")
        run = self._over()
        self._die.full_k, self._die.time_constant_s = 25.0, 12.0
        return self._told(run)

    def _trip(self) -> str:
        self._start("short")
        self._load_is_on()
        self._die.forced_c = 96.0
        run = self._over()
        self._die.forced_c = None
        return f"{self._told(run)}, trip {run['trip']}"

    def _pulled(self) -> str:
        self._start("short")
        self._load_is_on()
        self._guest.monitor("device_del stick-device")
        until(lambda: "sda" not in self._guest.shell("ls /sys/block"), "the stick gone")
        twins = self._guest.shell("ls /run/verifyrig-stick/twins")
        words = f"drive_add 0 if=none,id=again,format=raw,file={self._stick}"
        added = self._guest.monitor(words)
        self._guest.monitor("device_add usb-storage,id=stick-again,bus=usb.0,drive=again,removable=on")
        until(lambda: "vfat" in self._guest.shell("grep ' /bench ' /proc/mounts"), "the stick back at its place")
        run = self._over()
        left = self._guest.shell("ls /run/verifyrig-stick/twins")
        where = self._guest.shell(f"ls -l /bench/trial/runs/{run['run']}.sqlite")
        memory = f"away: {twins.split()}; left in memory: {left.split()}"
        return f"{self._told(run)}; {memory}; on the stick: {where} {added[-80:]}"

    def _machine_check(self) -> str:
        self._start("short")
        self._load_is_on()
        # Bank 4, corrected: valid, enabled, with an address (Intel SDM vol. 3B, 15.3.2.2).
        self._guest.monitor("mce 0 4 0x9400000000000136 0x0 0x1000 0x0")
        run = self._over()
        beside = self._guest.shell(f"cat /bench/trial/runs/{run['run']}.kernel.log 2>&1")
        return f"{self._told(run)}; kept beside: {beside[-300:]}"

    def _bad_disk(self) -> str:
        self._guest.shell("dd if=/dev/sda bs=512 skip=2048 count=1 of=/dev/null iflag=direct 2>&1; "
                          "dd if=/dev/sdb bs=512 skip=2048 count=1 of=/dev/null iflag=direct 2>&1")  # fmt: skip
        return self._guest.shell("verifyrig history --bench /bench/trial | grep -i -A1 disk | head -n 4")

    def _cut(self) -> str:
        self._start("short")
        self._load_is_on()
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
            words = [sys.executable, "-m", "verifyrig", "report", *map(str, sealed[:1]), "--out", str(page)]
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


def until(holds: Callable[[], bool], what: str, *, hang_s: float = 1200.0, every_s: float = 1.0) -> None:
    """Wait until something holds; raise `TimeoutError` where it never does."""
    until_s = time.monotonic() + hang_s
    while not holds():
        if time.monotonic() > until_s:
            raise TimeoutError(f"{what} did not come in {hang_s:.0f} s")
        time.sleep(every_s)


def day(bench: Bench) -> None:
    """A whole run on a sound and on a blocked cooler, a trip, the stick pulled, a machine check, a bad disk, a cut."""
    Day(bench).run()


def next_start(bench: Bench) -> None:
    """The stick of the day once more: the dirty file system is healed, and the run that was cut is told."""
    stick = bench.work / "day.img"
    with heated_guest(bench, stick, "next-start", full_k=25.0) as (guest, _):
        seen = bench.seen["next-start"]
        seen.append(f"data partition: {guest.shell('cat /run/verifyrig-stick/data.word')}, {is_dirty(stick)}")
        seen.append(guest.shell("verifyrig runs --bench /bench/trial 2>&1 | tail -n 12"))
        guest.picture(bench.work / "next-start.png")
        guest.send("poweroff\r")
        guest.wait_end()
    seen.append(f"let go of in order: {not is_dirty(stick)}")


TRIALS: dict[str, Callable[[Bench], None]] = {"day": day, "next-start": next_start}
"""By name, in the order in which they are made."""
