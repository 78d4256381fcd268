"""What is tried on the stick in full: each trial starts guests, and says what it saw; none is judged by its pace."""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
import subprocess
import time
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.stick.guest import Guest, started
from tests.stick.heat import Die
from tests.stick.partition import for_a_busy_host, put, take

HERE = Path(__file__).resolve().parent
_MEMORY_MIB = 2048
# The zone is there from the kernel's start, as the first chip.
BENCH = '[shop]\nname = "Trial bench"\n\n[channel.die_temp_c]\nsource = "sys/class/hwmon/hwmon0/temp1_input"\n'
# The bench folder of the runs that are started from the shell.
TRIAL = {
    "trial/bench.toml": BENCH,
    "trial/told.py": (HERE / "told.py").read_text(),
    "trial/profiles/short.toml": (HERE / "short.toml").read_text(),
}
_SETTLED = {"stick.toml": 'keyboard = "us"\n'}
PROBE = """
[[instrument]]
id = "probe"
url = "/dev/ttyUSB0"
protocol = "text"
baud = 9600
channels = { t1 = "plate_temp_c" }
"""
_DISK_BYTES = 8 << 20
# Rise of a sound cooler at full work, K.
SOUND_K = 30.0


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
        for_a_busy_host(path)
        put(path, {**_SETTLED, **TRIAL, **files})
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


class Runs:
    """Runs of the program in a guest, started from the shell on the serial line."""

    def __init__(self, guest: Guest) -> None:
        self._guest = guest

    def begin(self) -> None:
        """End what the first screen records, else an idle machine works twice over; let the stick be written."""
        self._guest.shell("busybox killall -q -TERM python3; while busybox pidof python3 >/dev/null; do sleep 1; done")
        self._guest.shell("rm -f /run/code /run/answer /run/told; mount -o remount,rw /bench")

    def command(self, words: str) -> str:
        """Run another command of the program on the bench folder /bench/trial; return what it printed."""
        self.begin()
        return self._guest.shell(f"verifyrig {words} --bench /bench/trial 2>&1 </dev/null")

    def start(self, profile: str, *, on_screen: bool = False, job: str = "--without-job") -> None:
        """Begin a run into the bench folder /bench/trial; `on_screen` shows it as a person would see it."""
        words = f"VERIFYRIG_TRACEBACK=1 verifyrig run {profile} --bench /bench/trial {job} --yes --ambient 22"
        self.begin()
        out = "</dev/tty1 >/dev/tty1 2>&1" if on_screen else "--json >/run/answer 2>/run/told </dev/null"
        newest = "find /bench/trial -path '*runs*' -name '*.sqlite' -exec ls -t {} + | head -n 1"
        again = f"verifyrig metrics $({newest}) --json"
        after = f"; c=$?; {again} >/run/answer; echo $c >/run/code" if on_screen else "; echo $? >/run/code"
        self._guest.send(f"(TERM=linux {words} {out}{after}) &\r")

    def await_load(self, *, hang_s: float = 1200.0) -> None:
        """Wait for a load; raise where the run ended without one."""
        count = "grep -l 'loads[.]worker' /proc/[0-9]*/cmdline 2>/dev/null | wc -l"
        until(lambda: self._guest.shell(count).strip() != "0" or self._is_over(), "a load", hang_s=hang_s, every_s=3.0)
        if self._is_over():
            raise AssertionError(
                f"the run ended without a load: {self._guest.shell('cat /run/told /run/answer')[-600:]}"
            )

    def await_stage(self, stage: str) -> None:
        """Wait until a run that is shown, or told in lines, is in a stage; raise where it ended before."""
        seen = f"grep -q -F '[{stage}]' /dev/vcs1 || grep -q 'stage {stage} ' /run/told 2>/dev/null; echo $?"
        until(lambda: self._guest.shell(seen) == "0" or self._is_over(), f"stage {stage}")
        if self._is_over():
            raise AssertionError(f"the run ended before its stage {stage}: {self.result()}")

    def _is_over(self) -> bool:
        return self._guest.shell("cat /run/code 2>/dev/null").strip().isdigit()

    def result(self) -> dict[str, Any]:
        """Wait for the run's end; return what `told.py` says of it, and its exit `code`."""
        until(self._is_over, "the run's end", every_s=3.0)
        for _ in range(8):
            digest, _, text = self._guest.shell("python3 /bench/trial/told.py").partition(" ")
            if digest == str(zlib.crc32(text.encode())):
                found: dict[str, Any] = json.loads(text)
                return {**found, "code": self._guest.shell("cat /run/code").strip()}
        raise AssertionError(f"no answer came over whole: {text[-300:]}")


def until(holds: Callable[[], bool], what: str, *, hang_s: float = 1200.0, every_s: float = 1.0) -> None:
    """Wait until something holds; raise `TimeoutError` where it never does."""
    until_s = time.monotonic() + hang_s
    while not holds():
        if time.monotonic() > until_s:
            raise TimeoutError(f"{what} did not come in {hang_s:.0f} s")
        time.sleep(every_s)
