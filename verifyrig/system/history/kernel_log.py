"""What lines of the Linux kernel's log say of shut-downs, heat and hardware errors; only time, id and code are kept.

Sources: reset-reason bits from the kernel document "arch/x86/amd-debugging" (bits 0, 1, 2, 9, 16, 21, 25, 27 read
there; the others from memory of the driver), critical temperatures from "driver-api/thermal/sysfs-api", machine
checks and throttling from the x86 code as the lines are printed (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from verifyrig.system.history.entries import LogEntry

_INVALID_RESET = 0xFFFFFFFF  # the register reads all ones where it holds nothing


class KernelLine(NamedTuple):
    """One line of a log: when, s since 1970 or None, and its text."""

    utc_s: float | None
    text: str


_RESET = re.compile(r"Previous system reset reason \[0x([0-9a-fA-F]{1,8})\]")
_BANK = re.compile(r"\[Hardware Error\]: CPU (\d+): Machine Check(?: Exception)?: ?\S* Bank (\d+)")
_EDAC = re.compile(r"EDAC \S*?MC(\d+): (\d+) (CE|UE) ")
# block/blk-core.c prints "I/O error, dev sda, sector 2048 op 0x0:(READ) ...", or "critical medium error" (from memory).
_DISK = re.compile(r"(?:I/O|critical medium|critical target) error, dev (?P<disk>[a-z0-9]+), sector (?P<sector>\d+)")
_OOM = re.compile(r"Out of memory: Killed process (\d+)")

# Text that a line must hold, and the id that it gets.
_PLAIN = (
    (re.compile(r"critical temperature reached"), "critical-temperature"),
    (re.compile(r"HARDWARE PROTECTION shutdown \(Temperature"), "critical-temperature"),
    (re.compile(r"temperature above threshold, cpu clock (?:is )?throttled"), "throttled-by-heat"),
    (re.compile(r"Kernel panic - not syncing"), "kernel-panic"),
    (re.compile(r"watchdog: BUG: soft lockup|Watchdog detected hard LOCKUP"), "lockup"),
    (re.compile(r"PM: suspend entry"), "sleep"),
    (re.compile(r"PM: suspend exit"), "wake"),
    (re.compile(r"\[Hardware Error\]: Machine check events logged"), "machine-check-logged"),
)


def kernel_entries(lines: Iterable[KernelLine]) -> Iterator[LogEntry]:
    """Yield what the lines say of shut-downs, heat and hardware errors, in their order."""
    for line in lines:
        entry = _entry(line)
        if entry is not None:
            yield entry


def _entry(line: KernelLine) -> LogEntry | None:
    if reset := _RESET.search(line.text):
        return LogEntry(utc_s=line.utc_s, id="reset-reason", code=_reset_code(int(reset[1], 16)))
    if bank := _BANK.search(line.text):
        return LogEntry(utc_s=line.utc_s, id="machine-check", code=f"cpu={bank[1]} bank={bank[2]}")
    if edac := _EDAC.search(line.text):
        return LogEntry(utc_s=line.utc_s, id=f"memory-{edac[3].lower()}", code=f"controller={edac[1]} count={edac[2]}")
    if oom := _OOM.search(line.text):
        return LogEntry(utc_s=line.utc_s, id="out-of-memory", code=f"pid={oom[1]}")
    if disk := _DISK.search(line.text):
        return LogEntry(utc_s=line.utc_s, id="disk-error", code=f"disk={disk['disk']} sector={disk['sector']}")
    named = next((name for pattern, name in _PLAIN if pattern.search(line.text)), None)
    return None if named is None else LogEntry(utc_s=line.utc_s, id=named)


def _reset_code(value: int) -> str:
    if value == _INVALID_RESET:
        return "invalid"
    bits = [str(bit) for bit in range(32) if value >> bit & 1]
    return "bits=" + ",".join(bits) if bits else "none"


_BOOT_TIME = re.compile(r"^\[ *(\d+\.\d+)(?:,\s*\d+)?\] (.*)$")
_ISO_TIME = re.compile(r"^(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:[.,]\d+)?(?:Z|[+-]\d\d:?\d\d)?) (.*)$")


def lines_of_text(text: str, boot_utc_s: float | None = None) -> Iterator[KernelLine]:
    """Yield the lines of a saved log: ISO times, or seconds since boot in brackets (`dmesg`), or none."""
    from datetime import datetime

    for raw in text.splitlines():
        if since_boot := _BOOT_TIME.match(raw):
            utc_s = None if boot_utc_s is None else boot_utc_s + float(since_boot[1])
            yield KernelLine(utc_s, since_boot[2])
        elif iso := _ISO_TIME.match(raw):
            try:
                yield KernelLine(datetime.fromisoformat(iso[1].replace(",", ".")).timestamp(), iso[2])
            except ValueError:
                yield KernelLine(None, raw)
        else:
            yield KernelLine(None, raw)


def lines_of_kmsg(text: str, boot_utc_s: float) -> Iterator[KernelLine]:
    """Yield the records of `/dev/kmsg`: "priority,number,µs since boot,flags;text" (kernel document "dev-kmsg")."""
    for raw in text.splitlines():
        head, _, message = raw.partition(";")
        fields = head.split(",")
        if len(fields) >= 3 and fields[2].isdigit():
            yield KernelLine(boot_utc_s + int(fields[2]) / 1e6, message)
