"""Cost of sampling 64 hwmon channels: files held open and read in place, beside opening each file anew."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from typing import Any

from verifyrig.core.interfaces import Sensor
from verifyrig.sensors.bank import Bank
from verifyrig.sensors.find import list_channels

CHANNELS = 64
RATE_HZ = 10.0


def _lay(root: Path) -> list[Path]:
    """Lay out 64 inputs as 8 chips of 8, with labels that give each a role; return the input files."""
    inputs = []
    for chip in range(8):
        folder = root / f"sys/class/hwmon/hwmon{chip}"
        folder.mkdir(parents=True)
        (folder / "name").write_text("coretemp\n")
        for n in range(1, 9):
            label = "Package id 0" if n == 1 else f"Core {n}"
            (folder / f"temp{n}_label").write_text(label + "\n")
            path = folder / f"temp{n}_input"
            path.write_text("45000\n")
            inputs.append(path)
    return inputs


def _read_anew(paths: list[Path]) -> list[float]:
    return [int(path.read_text()) / 1000 for path in paths]


def _change(paths: list[Path], value: int) -> None:
    for path in paths:
        with path.open("r+b") as file:
            file.write(b"%d\n" % value)


def _us_per_sample(bank: Bank, paths: list[Path], rounds: int) -> tuple[float, float]:
    """Return the processor time of one sample of the bank and of one reading anew, µs; values change each time."""
    held_s = anew_s = 0.0
    for i in range(rounds):
        _change(paths, 45000 + i % 7 * 1000)
        began_s = time.process_time()
        bank.sample(i / RATE_HZ, load_share=0.0)
        between_s = time.process_time()
        _read_anew(paths)
        held_s += between_s - began_s
        anew_s += time.process_time() - between_s
    return held_s / rounds * 1e6, anew_s / rounds * 1e6


def measure(full: bool = True) -> dict[str, Any]:
    """Return processor time a sample and the share of one core at 10 Hz, ours (judged) and files opened anew (not)."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        paths = _lay(root)
        sensors: list[Sensor] = [s for s in list_channels(root, {}) if s.info.channel is not None]
        bank = Bank(sensors)
        held_us, anew_us = _us_per_sample(bank, paths, 2000 if full else 200)
        bank.close()
    return {
        "channels": len(sensors),
        "rate_hz": RATE_HZ,
        "held_open_and_judged": {"us_per_sample": held_us, "core_share": held_us * RATE_HZ / 1e6},
        "opened_anew_unjudged": {"us_per_sample": anew_us, "core_share": anew_us * RATE_HZ / 1e6},
        "ratio": held_us / anew_us,
    }
