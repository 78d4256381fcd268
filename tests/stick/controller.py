"""A management controller whose sensors the emulator plays: their records as it reads them from a file.

Layout: Intelligent Platform Management Interface Specification v2.0, table 43-1 (full sensor record).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

# In the guest: gives a sensor a reading by section 35.17, Set Sensor Reading, which the emulator's controller takes.
SET_READING = """
import sys
from verifyrig.sensors.ipmi import Controller
number, byte = map(int, sys.argv[1:])
Controller().ask(0x04, 0x30, bytes([number, 1, byte]))
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """One sensor: its number, name, unit's code (table 43-15), and what one count of its reading is, m 10^exponent."""

    number: int
    name: str
    unit: int
    m: int = 1
    exponent: int = 0

    def record(self) -> bytes:
        """Return its record: readable upper critical limit at 95 counts, scanning switched on."""
        body = bytearray(48)
        body[0:5] = (self.number, 0, 0x51, 0x01, 48 + len(self.name) - 5)
        body[5], body[7], body[8], body[9] = 0x20, self.number, 0x07, 1
        body[10], body[11], body[12], body[13] = 0x7F, 0x68, self.unit, 0x01
        body[18], body[21], body[24] = 0x10, self.unit, self.m
        body[29], body[37] = (self.exponent & 0xF) << 4, 95
        body[47] = 0xC0 | len(self.name)
        return bytes(body) + self.name.encode()

    def compact_record(self) -> bytes:
        """Return its compact record (table 43-2): the emulator has sensors for these alone; the program reads none."""
        body = bytearray(32)
        body[0:5] = (0x40 + self.number, 0, 0x51, 0x02, 32 - 5)
        body[5], body[7], body[8], body[9] = 0x20, self.number, 0x07, 1
        body[10], body[11], body[12], body[13], body[31] = 0x7F, 0x68, self.unit, 0x01, 0xC0
        return bytes(body)


SENSORS = (
    Sensor(number=1, name="Board Temp", unit=1),
    Sensor(number=2, name="12 V rail", unit=4, m=63, exponent=-3),
    Sensor(number=3, name="Fan 1", unit=18, m=75),
)


def words(folder: Path) -> list[str]:
    """Return what the emulator is started with for a controller that has these sensors."""
    file = folder / "sensors.sdr"
    file.write_bytes(b"".join(one.record() + one.compact_record() for one in SENSORS))
    return ["-device", f"ipmi-bmc-sim,id=bmc,sdrfile={file}", "-device", "isa-ipmi-kcs,bmc=bmc"]
