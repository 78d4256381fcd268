"""Thermal zones of Windows: the performance counters (any user) and the ACPI zones (administrator), through CIM.

One PowerShell process answers in lines of JSON; a thread reads them, so that sampling never waits for it.
Documented fields: class Win32_PerfFormattedData_Counters_ThermalZoneInformation with Temperature (K),
HighPrecisionTemperature (tenths of a kelvin), PercentPassiveLimit (%), ThrottleReasons (bits); class
MSAcpi_ThermalZoneTemperature in root/wmi with CurrentTemperature and CriticalTripPoint (tenths of a kelvin).
Not tried on a real Windows machine; the parsers are tested on output composed from the documented fields.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.sensors.ages import boot_time_s

_KELVIN = 273.15
_EVERY_S = 2
_FIRST_LINE_S = 15.0
_NOTE = "a zone of the firmware, not the die; many show a constant (`verifyrig channels --prove` shows which)"
_NEEDS = "Give an administrator's terminal for the ACPI zones, or lay a probe: that is the honest way on Windows."
_SCRIPT = (
    "[Console]::OutputEncoding=[Text.Encoding]::UTF8; while($true){"
    "$c=@(Get-CimInstance Win32_PerfFormattedData_Counters_ThermalZoneInformation -ErrorAction SilentlyContinue"
    " | Select-Object Name,Temperature,HighPrecisionTemperature,PercentPassiveLimit,ThrottleReasons);"
    "$a=@(Get-CimInstance -Namespace root/wmi MSAcpi_ThermalZoneTemperature -ErrorAction SilentlyContinue"
    " | Select-Object InstanceName,CurrentTemperature,CriticalTripPoint);"
    "@{counters=$c;acpi=$a} | ConvertTo-Json -Compress -Depth 3; Start-Sleep -Seconds " + str(_EVERY_S) + "}"
)
COMMAND = ("powershell.exe", "-NoProfile", "-NonInteractive", "-Command", _SCRIPT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone:
    """One zone as Windows gives it.

    Attributes:
        kind: `counter` or `acpi`.
        name: As Windows calls it.
        temp_c: °C, None where the field is empty or 0 K.
        limit_c: Critical trip point, °C, if plausible.
        passive_share: What the passive limit leaves of the performance, 0 to 1; 1 is no limit.
    """

    kind: str
    name: str
    temp_c: float | None
    limit_c: float | None = None
    passive_share: float | None = None


def parse_line(line: str) -> list[Zone] | None:
    """Return the zones of one line of JSON; None where the line is none.

    PowerShell writes one object where there is one, a list where there are several, null or nothing for none.
    """
    try:
        data = json.loads(line.strip().lstrip("\ufeff"))
    except ValueError:
        return None
    if not isinstance(data, dict):
        return None
    return [*map(_counter, _objects(data.get("counters"))), *map(_acpi, _objects(data.get("acpi")))]


def _objects(value: Any) -> Iterator[Mapping[str, Any]]:
    yield from (one for one in (value if isinstance(value, list) else [value]) if isinstance(one, dict))


def _counter(one: Mapping[str, Any]) -> Zone:
    tenths = _number(one.get("HighPrecisionTemperature"))
    kelvin = tenths / 10 if tenths else _number(one.get("Temperature"))
    percent = _number(one.get("PercentPassiveLimit"))
    return Zone(
        kind="counter",
        name=str(one.get("Name") or "zone"),
        temp_c=_celsius(kelvin),
        passive_share=None if percent is None else percent / 100,
    )


def _acpi(one: Mapping[str, Any]) -> Zone:
    tenths, critical = _number(one.get("CurrentTemperature")), _number(one.get("CriticalTripPoint"))
    limit_c = _celsius(critical / 10) if critical else None
    return Zone(
        kind="acpi",
        name=str(one.get("InstanceName") or "zone"),
        temp_c=_celsius(tenths / 10 if tenths else None),
        limit_c=limit_c if limit_c is not None and 40.0 <= limit_c <= 126.0 else None,
    )


def _number(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return None
    try:
        return float(value)
    except ValueError:
        return None


def _celsius(kelvin: float | None) -> float | None:
    return round(kelvin - _KELVIN, 2) if kelvin else None


class ZoneFollower:
    """Runs the command and keeps the zones of its last line."""

    def __init__(self, command: Sequence[str] = COMMAND) -> None:
        self._zones: dict[tuple[str, str], Zone] = {}
        self._at_s = 0.0
        self._first = threading.Event()
        self._users = 0
        self._process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, encoding="utf-8", errors="replace"
        )
        self._thread = threading.Thread(target=self._follow, name="thermal zones", daemon=True)
        self._thread.start()

    def _follow(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            zones = parse_line(line)
            if zones is not None:
                self._zones = {(zone.kind, zone.name): zone for zone in zones}
                self._at_s = boot_time_s()
                self._first.set()
        self._first.set()

    def zones(self, *, wait_s: float = _FIRST_LINE_S) -> list[Zone]:
        """Return the zones, after waiting for the first line."""
        self._first.wait(wait_s)
        return list(self._zones.values())

    def latest(self, kind: str, name: str) -> tuple[Zone, float]:
        """Return a zone and its age, s; raise `SensorError` where it is gone or the process ended."""
        zone = self._zones.get((kind, name))
        if zone is None or self._process.poll() is not None:
            raise SensorError("Windows no longer reports this zone", where=name, mend=_NEEDS)
        return zone, max(0.0, boot_time_s() - self._at_s)

    def acquire(self) -> None:
        """Count one more user."""
        self._users += 1

    def release(self) -> None:
        """Count one less; the last one ends the process."""
        self._users -= 1
        if self._users <= 0:
            self.close()

    def close(self) -> None:
        """End the process."""
        with suppress(OSError):
            self._process.kill()
        self._process.wait()
        self._thread.join(timeout=2.0)
        if self._process.stdout is not None:
            self._process.stdout.close()


class ZoneSensor:
    """Temperature of one zone."""

    __slots__ = ("_closed", "_follower", "_kind", "_name", "info")

    def __init__(self, zone: Zone, follower: ZoneFollower) -> None:
        self._kind, self._name, self._follower, self._closed = zone.kind, zone.name, follower, False
        follower.acquire()
        self.info = ChannelInfo(
            channel=None,
            label=zone.name,
            device=f"windows-zone:{zone.kind}:{zone.name}",
            source="CIM",
            quantity="temperature",
            unit="°C",
            driver="windows-zone",
            limit=zone.limit_c,
            refresh_s=float(_EVERY_S),
            note=_NOTE,
        )

    def read(self) -> Taken:
        """Return the last value and its age; raise `SensorError` where there is none."""
        zone, age_s = self._follower.latest(self._kind, self._name)
        if zone.temp_c is None:
            raise SensorError("Windows gives this zone no temperature", where=self._name, mend=_NEEDS)
        return Taken(zone.temp_c, age_s)

    def close(self) -> None:
        """Release the zone; the last one ends the process."""
        if not self._closed:
            self._closed = True
            self._follower.release()


def find(command: Sequence[str] = COMMAND, *, platform: str = sys.platform) -> list[ZoneSensor]:
    """Return the zones of this machine; nothing on another system, or where Windows reports none."""
    if platform != "win32":
        return []
    try:
        follower = ZoneFollower(command)
    except OSError:
        return []
    sensors = [ZoneSensor(zone, follower) for zone in follower.zones()]
    if not sensors:
        follower.close()
    return sensors
