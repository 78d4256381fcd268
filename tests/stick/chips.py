"""Chips on a board's SMBus, read through the kernel's own drivers: registers are laid into `i2c-stub`."""

from __future__ import annotations

from tests.stick.guest import Guest
from tests.stick.trials import BENCH, HERE, SOUND_K, Bench, Runs, heated_guest, records_on
from verifyrig.record import read_trace

_CHANNELS = """
[channel.vrm_temp_c]
source = "lm75:devices/i2c-1/1-0048:temp1"
[channel.board_temp_c]
source = "nct7802:devices/i2c-1/1-0028:temp4"
"""

# Address, the register and what lies in it, and what the driver must make of it, m°C. Words lie with their high byte
# first: 42.5 °C in halves of a degree in the upper bits (lm75), 25.5 °C in sixteenths (jc42, JEDEC 21-C TSE2002); whole
# degrees of the chip's own sensor (nct7802, register 4). From the drivers of the kernel.
_CHIPS = {
    "lm75": (0x48, ("word", 0x00, 0x802A), 42_500),
    "jc42": (0x18, ("word", 0x05, 0x9801), 25_500),
    "nct7802": (0x28, ("byte", 0x04, 41), 41_000),
}
# In the guest: writes registers over /dev/i2c-N by the kernel's SMBus call (linux/i2c-dev.h).
_WRITE = """
import ctypes, fcntl, os, sys
port, address, kind, register, value = sys.argv[1], *(word if word.isalpha() else int(word, 0) for word in sys.argv[2:])
data = ctypes.c_uint16(value)
class Call(ctypes.Structure):
    _fields_ = [("write", ctypes.c_uint8), ("register", ctypes.c_uint8), ("size", ctypes.c_uint32),
                ("at", ctypes.c_void_p)]
port = os.open(port, os.O_RDWR)
fcntl.ioctl(port, 0x0703, address)
fcntl.ioctl(port, 0x0720, Call(0, register, 3 if kind == "word" else 2, ctypes.addressof(data)))
"""


def chips(bench: Bench) -> None:
    """Three chips appear, and each reads what lies in its registers, in the kernel and in the program's list."""
    files = {
        "trial/bench.toml": BENCH + _CHANNELS,
        "trial/write.py": _WRITE,
        "trial/profiles/idle.toml": (HERE / "idle.toml").read_text(),
    }
    stick = bench.copy("chips", files)
    seen = bench.seen.setdefault("chips", [])
    with heated_guest(bench, stick, "chips", full_k=SOUND_K) as (guest, _):
        addresses = ",".join(hex(address) for address, _, _ in _CHIPS.values())
        guest.shell(f"modprobe i2c-dev; modprobe i2c-stub chip_addr={addresses}")
        bus = guest.shell("grep -l 'SMBus stub' /sys/bus/i2c/devices/*/name | head -n 1").rsplit("/", 1)[0]
        for name, (address, (kind, register, value), _) in _CHIPS.items():
            port = f"/dev/i2c-{bus.rpartition('-')[2]}"
            guest.shell(f"python3 /bench/trial/write.py {port} {address:#x} {kind} {register:#x} {value:#x}")
            guest.shell(f"modprobe {name}; echo {name} {address:#x} > {bus}/new_device")
        for name, (_, _, right) in _CHIPS.items():
            seen.append(_read(guest, name, right))
        listed = guest.shell("verifyrig channels --bench /bench/trial 2>&1 | grep -a -E '42.5|25.5|41.0'")
        seen.append(f"the program's list: {' | '.join(listed.split(chr(10)))}")
        runs = Runs(guest)
        runs.start("idle")
        run = runs.result()
        seen.append(f"{run['run']}: exit {run['code']}, {run['outcome']}")
        guest.shell("mount -o remount,ro /bench")
    trace = read_trace(records_on(bench, stick, "chips")[run["run"]])
    held = {
        name: sorted({float(value) for value in values}) for name, values in trace.columns.items() if "temp" in name
    }
    seen.append(f"the record, {len(trace.t_s)} samples: {held}")
    if held.get("vrm_temp_c") != [42.5] or held.get("board_temp_c") != [41.0]:
        seen.append("FAILED: the record does not hold what the chips read")
    print("\n".join(seen), flush=True)


def _read(guest: Guest, name: str, right: int) -> str:
    folder = guest.shell(f"grep -l '^{name}' /sys/class/hwmon/hwmon*/name | head -n 1").rpartition("/")[0]
    read = guest.shell(f"cat {folder}/temp*_input 2>/dev/null").split()
    return f"{name}: {read} m°C" if str(right) in read else f"FAILED: {name} reads {read}, and {right} lies in it"
