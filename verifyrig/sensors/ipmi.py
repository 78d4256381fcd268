"""Sensors of a board's management controller, read by its standard commands through the kernel's device.

Three commands are sent, and none that changes anything: Reserve SDR Repository, Get SDR, Get Sensor Reading.
Source: IPMI v2.0, sections 33.11, 33.12, 35.14; Linux, include/uapi/linux/ipmi.h, drivers/char/ipmi.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import select
import threading
from pathlib import Path

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.sensors.ipmi_records import SensorRecord, parse_record, reading_byte
from verifyrig.system.machine import is_live

_DEVICE = Path("/dev/ipmi0")
_STORAGE, _SENSOR = 0x0A, 0x04
_RESERVE, _GET_SDR, _GET_READING = 0x22, 0x23, 0x2D
_ANSWER_S = 2.0
_HEADER_BYTES, _PIECE_BYTES = 5, 16  # every controller hands out this many at once
_MOST_RECORDS = 512
_LAST = 0xFFFF
_LIMIT_RANGE_C = (40.0, 126.0)


class _Address(ctypes.Structure):
    _fields_ = (("kind", ctypes.c_int), ("channel", ctypes.c_short), ("lun", ctypes.c_ubyte))


class _Message(ctypes.Structure):
    _fields_ = (
        ("netfn", ctypes.c_ubyte),
        ("command", ctypes.c_ubyte),
        ("length", ctypes.c_ushort),
        ("data", ctypes.c_void_p),
    )


class _Request(ctypes.Structure):
    _fields_ = (
        ("address", ctypes.c_void_p),
        ("address_length", ctypes.c_uint),
        ("number", ctypes.c_long),
        ("message", _Message),
    )


class _Received(ctypes.Structure):
    _fields_ = (("kind", ctypes.c_int), *_Request._fields_)


def _ioctl_number(direction: int, number: int, size: int) -> int:
    """Return an ioctl's number (Linux, include/uapi/asm-generic/ioctl.h)."""
    return direction << 30 | size << 16 | ord("i") << 8 | number


_SEND = _ioctl_number(2, 13, ctypes.sizeof(_Request))
_RECEIVE = _ioctl_number(3, 11, ctypes.sizeof(_Received))
_CONTROLLER = (0x0C, 0x0F)  # IPMI_SYSTEM_INTERFACE_ADDR_TYPE, IPMI_BMC_CHANNEL


class Controller:
    """The open device; one command at a time, whoever asks."""

    def __init__(self, device: Path = _DEVICE) -> None:
        """Open it; raise OSError where there is none or it may not be opened."""
        self._handle = os.open(device, os.O_RDWR | os.O_CLOEXEC)
        self._lock = threading.Lock()
        self._number = 0
        self._users = 0

    def ask(self, netfn: int, command: int, data: bytes = b"", lun: int = 0) -> bytes:
        """Return the answer without its completion code; raise OSError where there is none or it is a refusal."""
        import fcntl

        with self._lock:
            self._number += 1
            sent = ctypes.create_string_buffer(data, max(1, len(data)))
            address = _Address(*_CONTROLLER, lun)
            message = _Message(netfn, command, len(data), ctypes.addressof(sent))
            request = _Request(ctypes.addressof(address), ctypes.sizeof(address), self._number, message)
            fcntl.ioctl(self._handle, _SEND, request)
            while True:
                if not select.select([self._handle], [], [], _ANSWER_S)[0]:
                    raise TimeoutError(f"no answer within {_ANSWER_S:g} s")
                buffer, sender = ctypes.create_string_buffer(80), ctypes.create_string_buffer(40)
                received = _Received(
                    0, ctypes.addressof(sender), len(sender), 0, _Message(0, 0, len(buffer), ctypes.addressof(buffer))
                )
                fcntl.ioctl(self._handle, _RECEIVE, received)
                if received.number == self._number:
                    break  # an earlier one's answer came too late
        answer = buffer.raw[: received.message.length]
        if not answer or answer[0]:
            raise OSError(f"the controller refuses (code {answer[0] if answer else -1:#04x})")
        return answer[1:]

    def share(self) -> Controller:
        """Count one more user."""
        self._users += 1
        return self

    def close(self) -> None:
        """Close it with its last user."""
        self._users -= 1
        if self._users <= 0 and self._handle >= 0:
            os.close(self._handle)
            self._handle = -1


class ControllerSensor:
    """One sensor behind the controller."""

    def __init__(self, controller: Controller, record: SensorRecord) -> None:
        self._controller = controller.share()
        self._record = record
        self.info = info_of(record)

    def read(self) -> Taken:
        """Ask for the value now."""
        record = self._record
        try:
            raw = reading_byte(self._controller.ask(_SENSOR, _GET_READING, bytes([record.number]), record.lun))
        except OSError as error:
            raise _no_reading(str(error), record) from error
        value = record.value(raw) if raw is not None else None
        if value is None:
            raise _no_reading("the controller has no reading of it now", record)
        return Taken(value)

    def close(self) -> None:
        """Let go of the device."""
        self._controller.close()


def _no_reading(why: str, record: SensorRecord) -> SensorError:
    return SensorError(why, where=f"controller sensor {record.name or record.number}", mend="Use another sensor.")


def info_of(record: SensorRecord) -> ChannelInfo:
    """Return what is known of a sensor before it is read."""
    limit = record.value(record.critical) if record.critical is not None else None
    plausible = limit is not None and _LIMIT_RANGE_C[0] <= limit <= _LIMIT_RANGE_C[1]
    return ChannelInfo(
        channel=None,
        label=record.name,
        device=f"ipmi:{record.lun}.{record.entity}.{record.number}",
        source=f"dev/ipmi0#{record.number}",
        quantity=record.quantity,
        unit=record.unit,
        driver="ipmi",
        limit=limit if plausible and record.quantity == "temperature" else None,
        resolution=abs(record.m) * 10.0**record.r_exponent if record.function == 0 else None,
    )


def find(root: Path) -> list[ControllerSensor]:
    """Return the controller's sensors; empty on a tree of files, without a controller, and without the right to ask."""
    if not is_live(root) or not _DEVICE.exists():
        return []
    try:
        controller = Controller()
    except OSError:
        return []
    sensors: list[ControllerSensor] = []
    with contextlib.suppress(OSError):
        sensors = [ControllerSensor(controller, record) for record in records(controller)]
    if not sensors:
        controller.close()
    return sensors


def records(controller: Controller) -> list[SensorRecord]:
    """Return all sensors of the repository; raise OSError where it cannot be read."""
    found, number = [], 0
    for _ in range(_MOST_RECORDS):
        following, data = _record(controller, number)
        record = parse_record(data)
        found += [record] if record is not None else []
        if following in (_LAST, number):
            break
        number = following
    return found


def _record(controller: Controller, number: int) -> tuple[int, bytes]:
    """Return the number of the record that follows, and this one's bytes, fetched in pieces."""
    reservation = controller.ask(_STORAGE, _RESERVE)[:2]
    following, data, length = 0, b"", _HEADER_BYTES
    while len(data) < length:
        wanted = min(_PIECE_BYTES, length - len(data))
        answer = controller.ask(
            _STORAGE, _GET_SDR, reservation + number.to_bytes(2, "little") + bytes([len(data), wanted])
        )
        if len(answer) <= 2:
            break
        following, data = int.from_bytes(answer[:2], "little"), data + answer[2:]
        if len(data) >= _HEADER_BYTES:
            length = _HEADER_BYTES + data[4]
    return following, data
