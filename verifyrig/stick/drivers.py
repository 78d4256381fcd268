"""Loads the machine's drivers one by one, each named on the stick before: one that hangs the board is skipped later.

Drivers come by the ids that the hardware shows of itself, and from a short list of sensor chips that show none; those
look for their own chip at its own address. No bus is scanned, and no driver is forced onto a chip.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path

from verifyrig.bench.folder import find_bench
from verifyrig.core.errors import RigError
from verifyrig.files.atomic_write import write_whole
from verifyrig.files.streams import tell
from verifyrig.stick.cable import Cable, CableWord, is_switched_on, keep
from verifyrig.stick.medium import MEDIUM
from verifyrig.system.stick import Stick, this_stick

# Without an id of their own: the processor's sensors, super-I/O chips, what the kernel shows only when asked.
SENSORS = (
    "coretemp", "k10temp", "intel_rapl_msr", "drivetemp", "i2c_dev", "i2c_i801", "i2c_piix4", "ipmi_si", "ipmi_devintf",
    "nct6775", "nct6683", "it87", "w83627ehf", "w83627hf", "f71882fg", "f71805f", "sch5627", "sch5636", "smsc47m1",
    "asus_wmi_sensors", "asus_ec_sensors", "gigabyte_wmi", "dell_smm_hwmon", "thinkpad_acpi", "hp_wmi_sensors",
)  # fmt: skip
# Loaded by nothing here, whatever asks: a watchdog that nobody feeds resets the board, the speaker is a nuisance.
NEVER = ("pcspkr", "iTCO_wdt", "sp5100_tco", "wdat_wdt", "ipmi_watchdog", "ipmi_poweroff")
_LOADING, _SKIP = "drivers.loading", "drivers.skip"
# Kernel, drivers/hwmon: what drivers of super-I/O chips say of a chip that they find and do not know.
_UNKNOWN_CHIP = re.compile(
    r"(?P<driver>\w+): (?:Unsupported|unsupported|unknown|Unknown) chip[^0]*(?P<id>0x[0-9a-fA-F]+)"
)
# PCI Code and ID Assignment Specification: classes whose driver shows a temperature, a voltage or a bus to them.
_PCI_CLASSES = {"0x0c05": "SMBus", "0x0300": "graphics", "0x0302": "graphics", "0x1180": "thermal or data acquisition"}


def machine_digest(root: Path = Path("/")) -> str:
    """Return a short digest of maker, product and board: what hangs one board is sound on another."""
    names = ("sys_vendor", "product_name", "board_vendor", "board_name")
    parts = [_text(root / "sys/class/dmi/id" / name) for name in names]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:12]


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


class SkipList:
    """Which drivers hung which board, as the stick remembers it: lines of a machine's digest and a driver's name."""

    def __init__(self, bench: Path, machine: str) -> None:
        self._bench = bench
        self._machine = machine

    def take_in_last(self) -> str:
        """Put the driver that was being loaded when this machine last stopped onto the list; return its name."""
        words = _text(self._bench / _LOADING).split()
        if len(words) != 2 or words[0] != self._machine:
            return ""
        lines = _text(self._bench / _SKIP).splitlines()
        if " ".join(words) not in lines:
            write_whole(self._bench / _SKIP, "\n".join([*lines, " ".join(words)]) + "\n")
        self.done()
        return words[1]

    def names(self) -> list[str]:
        """Return the drivers that are skipped on this machine."""
        pairs = [line.split() for line in _text(self._bench / _SKIP).splitlines()]
        return [pair[1] for pair in pairs if len(pair) == 2 and pair[0] == self._machine]

    def begin(self, name: str) -> None:
        """Write down, synced, which driver is loaded next."""
        with contextlib.suppress(OSError), (self._bench / _LOADING).open("w") as file:
            file.write(f"{self._machine} {name}\n")
            file.flush()
            os.fsync(file.fileno())

    def done(self) -> None:
        """Nothing is being loaded any more."""
        with contextlib.suppress(OSError):
            (self._bench / _LOADING).unlink(missing_ok=True)


def unknown_chips(kernel_log: str) -> list[str]:
    """Return a clause for each chip that a driver found and does not know."""
    found = [f"{m['driver']} found a chip {m['id']} that it does not know" for m in _UNKNOWN_CHIP.finditer(kernel_log)]
    return list(dict.fromkeys(found))


def without_driver(root: Path = Path("/")) -> list[str]:
    """Return a clause for each PCI device without a driver that would show something to measure."""
    clauses = []
    for device in sorted((root / "sys/bus/pci/devices").glob("*")):
        kind = _PCI_CLASSES.get(_text(device / "class")[:6])
        if kind and not (device / "driver").exists():
            ids = f"{_text(device / 'vendor')[2:]}:{_text(device / 'device')[2:]}"
            clauses.append(f"no driver here for PCI device {ids} ({kind})")
    return clauses


def wanted(resolved: Iterable[str], loaded: Iterable[str]) -> list[str]:
    """Return what is to be loaded, sensors first, each once, without what is there and what is never loaded."""
    there = {name.replace("-", "_") for name in [*loaded, *NEVER]}
    names = dict.fromkeys(name.replace("-", "_") for name in [*SENSORS, *resolved])
    return [name for name in names if name not in there]


def _aliases(root: Path) -> list[str]:
    found = {_text(path) for path in (root / "sys/devices").rglob("modalias")}
    return sorted(found - {""})


def run_program(*words: str) -> str:
    """Run a program of the stick's system; return what it printed, whatever came of it."""
    done = subprocess.run(words, capture_output=True, text=True, errors="replace", check=False)
    return done.stdout


def start_cable(config: Mapping[str, object], stick: Stick, noted: SkipList) -> CableWord | None:
    """Load the driver of the wired port that has a cable in it, where bench.toml asks for it; leave word of it."""
    word = Cable(run_program, noted).bring_up(_aliases(Path("/"))) if is_switched_on(config) else None
    keep(stick.folder, word)
    return word


def stop_cable(stick: Stick, noted: SkipList) -> None:
    """Unload every network driver."""
    Cable(run_program, noted).take_down()
    keep(stick.folder, None)


def _config(bench: Path) -> Mapping[str, object]:
    """Return what bench.toml says; nothing where it cannot be read: the first screen says so itself."""
    try:
        return find_bench(str(bench)).config
    except RigError:
        return {}


def main() -> int:
    """Load everything; write what came of it into the stick's folder of words."""
    stick = this_stick()
    if stick is None:
        tell("verifyrig.stick.drivers runs on the stick alone")
        return 2
    root, bench, machine = Path("/"), Path(os.environ.get("VERIFYRIG_BENCH", "/bench")), machine_digest()
    (stick.folder / "machine").write_text(machine)
    skip = SkipList(bench, machine)
    loaded = [line.split()[0] for line in _text(root / "proc/modules").splitlines()]
    with MEDIUM.writing():
        hung = skip.take_in_last()
        skipped = skip.names()
        aliases = _aliases(root)
        resolved = run_program("modprobe", "-R", "-a", "-q", *aliases).split() if aliases else []
        for name in wanted(resolved, loaded):
            if name not in skipped:
                skip.begin(name)
                run_program("modprobe", "-q", name)
        skip.done()
        start_cable(_config(bench), stick, skip)
    log = run_program("dmesg")
    words = [f"{name} is skipped: this machine stopped while it was being loaded" for name in skipped]
    if hung:
        words.append(f"{hung} was being loaded when this machine last stopped; delete its line in {_SKIP} to try again")
    after = [line.split()[0] for line in _text(root / "proc/modules").splitlines()]
    told = {"loaded": after, "missing": [*unknown_chips(log), *without_driver()], "skipped": words}
    write_whole(stick.folder / "drivers.json", json.dumps(told))
    return 0


if __name__ == "__main__":
    sys.exit(main())
