"""A simulated thermometer on a serial line: it sends a line of text such as "T1=45.3 C" each period, or on request."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from mock_hw.serial.line_faults import FaultPlan, Sending
from mock_hw.serial.ports import Port

Source = Callable[[], float | None]

_LONGEST_SLEEP_S = 0.02
_MOST_REQUEST_BYTES = 1024


def constant(temp_c: float) -> Source:
    """Return a source that always shows one temperature, °C."""
    return lambda: temp_c


def follow(file: Path) -> Source:
    """Return a source that shows a kernel-shaped channel file (m°C), such as one of a simulated machine.

    It has nothing to show (None) while the file cannot be read.
    """

    def read() -> float | None:
        try:
            return int(file.read_text()) / 1000
        except (OSError, ValueError):
            return None

    return read


@dataclass(slots=True, kw_only=True)
class Thermometer:
    """Simulated hardware: an instrument with one or more sensors, T1, T2 and so on.

    Attributes:
        port: Its end of the line; the thermometer unplugs it at the end.
        sources: One a sensor.
        period_s: How often it sends by itself; with a `query` it speaks only when asked.
        query: The line that asks for all sensors; empty for none.
        faults: What goes wrong on the line.
    """

    port: Port
    sources: Sequence[Source]
    period_s: float = 1.0
    query: str = ""
    faults: FaultPlan = field(default_factory=FaultPlan)
    _request: bytes = b""
    _back_s: float = 0.0

    def serve(self, stop: threading.Event) -> None:
        """Speak until asked to stop, then unplug."""
        due_s = time.monotonic()
        try:
            while not stop.is_set():
                now_s = time.monotonic()
                self._plug_in_when_due(now_s)
                asked = self._was_asked()
                if self.query:
                    due = asked
                elif due := now_s >= due_s:
                    due_s += self.period_s * (1 + (now_s - due_s) // self.period_s)
                if due:
                    self._send_all(now_s)
                stop.wait(min(_LONGEST_SLEEP_S, self.period_s))
        finally:
            self.port.unplug()

    def _plug_in_when_due(self, now_s: float) -> None:
        if self._back_s and now_s >= self._back_s:
            self.port.plug_in()
            self._back_s = 0.0

    def _was_asked(self) -> bool:
        """Read the line in any pieces; say whether a whole request line came. Other lines are not answered."""
        received = (self._request + self.port.receive()).replace(b"\r", b"\n")
        *lines, rest = received.split(b"\n")
        self._request = rest[-_MOST_REQUEST_BYTES:]
        return self.query.encode() in [line.strip() for line in lines] if self.query else False

    def _send_all(self, now_s: float) -> None:
        for number, source in enumerate(self.sources, start=1):
            temp_c = source()
            if temp_c is None or self._back_s:
                continue
            self._perform(self.faults.send(f"T{number}={temp_c:.1f} C\n".encode()), now_s)

    def _perform(self, sending: Sending, now_s: float) -> None:
        for data in sending.writes:
            self.port.send(data)
        if sending.drops_for_s:
            self.port.unplug()
            self._back_s = now_s + sending.drops_for_s
