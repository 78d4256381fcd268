"""Instruments that speak Modbus RTU (MODBUS over Serial Line V1.02), polled by a thread of their own."""

from __future__ import annotations

import threading
from typing import Any

from verifyrig.bench.instruments import InstrumentSpec, Register
from verifyrig.core.channels import quantity_of
from verifyrig.core.errors import FrameError, SensorError, SerialError
from verifyrig.core.interfaces import Taken
from verifyrig.sensors.ages import boot_time_s
from verifyrig.sensors.quality import Implausible
from verifyrig.sensors.serial_decoder import NOT_OPENED
from verifyrig.sensors.serial_filter import SerialFault, ValueFilter, in_channel_unit
from verifyrig.sensors.serial_port import PortThread

# Ends of the 16-bit range, which transmitters send for an open or short-circuited probe (common practice, no source).
_NO_PROBE = (32767, -32768, 65535)
_FUNCTIONS = {"holding": 3, "input": 4}  # MODBUS Application Protocol V1.1b3, 6.3 and 6.4


class ModbusInstrument:
    """Polls one register for each key; only answers with a right checksum count."""

    def __init__(self, spec: InstrumentSpec) -> None:
        self._spec = spec
        self._where = f"instrument {spec.id}"
        self._link_down = NOT_OPENED
        self._device: Any = None
        self._filters = {key: ValueFilter(quantity_of(channel)) for key, channel in spec.format.channels.items()}
        self._states: dict[str, Taken | SensorError] = {}
        self._thread = PortThread(spec.address, self)

    @property
    def may_answer(self) -> bool:
        """Whether the port is open, or about to be for the first time."""
        return self._link_down in ("", NOT_OPENED)

    def start(self, *, strict: bool) -> None:
        """Begin to poll; raise `SerialError` where the port cannot be opened and `strict` is set."""
        self._thread.start(strict=strict)

    def opened(self, now_s: float) -> None:
        """Note that the port is open."""
        self._device = None
        self._link_down = ""

    def lost(self, why: str) -> None:
        """Note that the port is gone, and why."""
        self._link_down = why
        self._states.clear()

    def step(self, port: Any, stop: threading.Event) -> None:
        """Poll every register once, then wait for the next time."""
        if self._device is None:
            self._device = _speaker(port, self._spec.unit_address)
        end_s = boot_time_s() + self._spec.query_period_s
        for key in self._spec.format.channels:
            if not stop.is_set():
                self._states[key] = self._poll(key, self._spec.registers[key])
        stop.wait(max(0.0, end_s - boot_time_s()))

    def _poll(self, key: str, register: Register) -> Taken | SensorError:
        import minimalmodbus

        try:
            raw = self._device.read_register(
                register.register, functioncode=_FUNCTIONS[register.kind], signed=register.signed
            )
        except minimalmodbus.NoResponseError:
            return SerialError("no answer", where=self._where, mend="Check address, wiring, speed and parity.")
        except minimalmodbus.SlaveReportedException as error:
            return FrameError(
                f"the instrument refuses register {register.register} ({error})",
                where=self._where,
                mend="Correct registers in bench.toml.",
            )
        except minimalmodbus.ModbusException as error:
            return FrameError(
                f"the answer is garbled ({type(error).__name__})",
                where=self._where,
                mend="Check speed, parity, wiring and termination.",
            )
        return self._judge(key, raw, register)

    def _judge(self, key: str, raw: int, register: Register) -> Taken | SensorError:
        if raw in _NO_PROBE:
            return SensorError(
                f"the register stands at the end of its range ({raw})", where=self._where, mend="Check the probe."
            )
        quantity = self._filters[key].quantity
        unit = self._spec.format.unit or ("C" if quantity == "temperature" else "")
        value = in_channel_unit(raw * register.scale, unit, quantity)
        if value is None:
            return FrameError("the unit does not fit the channel", where=self._where, mend="Set unit in bench.toml.")
        taken = self._filters[key].take(value, checked=True)
        if taken is SerialFault.NOT_CONVERTED:
            return Implausible(
                "exactly 0 or 85 °C, as converters say when they did not convert",
                where=self._where,
                mend="Check the probe's connection.",
            )
        if isinstance(taken, SerialFault):
            return SensorError("no reading", where=self._where, mend="Check the probe.")
        return Taken(taken, boot_time_s())

    def reading(self, key: str) -> Taken:
        """Return the newest value of a key with its age; raise `SensorError` where the last poll gave none."""
        if self._link_down:
            raise SerialError(self._link_down, where=self._where, mend="It is opened again as soon as it is back.")
        state = self._states.get(key)
        if state is None:
            raise SerialError("it has not answered yet", where=self._where, mend="Wait for the first poll.")
        if isinstance(state, SensorError):
            raise state.with_traceback(None)
        return Taken(state.value, max(0.0, boot_time_s() - state.age_s))

    def close(self) -> None:
        """Stop polling and close the port."""
        self._thread.close()


def _speaker(port: Any, address: int) -> Any:
    import minimalmodbus

    device = minimalmodbus.Instrument(port, address, mode=minimalmodbus.MODE_RTU)
    device.serial.timeout = 0.2
    return device
