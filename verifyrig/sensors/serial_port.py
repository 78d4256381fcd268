"""The port of a serial instrument: one thread owns it, reads it, and opens it again after it was gone."""

from __future__ import annotations

import contextlib
import errno
import os
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol

import serial

from verifyrig.bench.instruments import PortAddress
from verifyrig.core.errors import SerialError
from verifyrig.sensors.ages import boot_time_s

# A read ends when so many bytes are there, or so much time went by: latency against load under a flood.
_READ_BYTES = 65536
_READ_S = 0.1
_FIRST_BACK_OFF_S = 0.25
_LONGEST_BACK_OFF_S = 5.0


class PortLike(Protocol):
    """What is needed of an open port."""

    @property
    def in_waiting(self) -> int: ...

    def read(self, size: int) -> bytes: ...

    def write(self, data: bytes) -> int | None: ...

    def close(self) -> None: ...


class Conversation(Protocol):
    """What is said over the port: the protocol of the instrument."""

    def opened(self, now_s: float) -> None:
        """Note that the port is open, for the first time or again."""
        ...

    def lost(self, why: str) -> None:
        """Note that the port is gone, and why."""
        ...

    def step(self, port: Any, stop: threading.Event) -> None:
        """Exchange or receive once, within about a fifth of a second unless waiting for `stop`."""
        ...


@dataclass(frozen=True, slots=True)
class Adapter:
    """A USB adapter as the system lists it; two without a serial number differ by where they are plugged in."""

    device: str
    vid: int | None
    pid: int | None
    serial_number: str | None
    location: str | None


def locate(address: PortAddress, known: Adapter | None, listed: Iterable[Adapter]) -> str:
    """Return the device to open: after a USB reset the same adapter often comes back under another name."""
    adapters = list(listed)
    if address.usb_serial:
        return next((a.device for a in adapters if a.serial_number == address.usb_serial), address.url)
    if known is None or known.vid is None:
        return address.url
    same = [a for a in adapters if (a.vid, a.pid) == (known.vid, known.pid)]
    if known.serial_number:
        return next((a.device for a in same if a.serial_number == known.serial_number), address.url)
    return next((a.device for a in same if a.location == known.location), address.url)


def listed_adapters() -> list[Adapter]:
    """Return the serial adapters that the system lists now."""
    from serial.tools import list_ports

    return [Adapter(p.device, p.vid, p.pid, p.serial_number, p.location) for p in list_ports.comports()]


def adapter_of(device: str, listed: Iterable[Adapter]) -> Adapter | None:
    """Return the adapter behind a device name, links followed."""
    real = os.path.realpath(device)
    return next((adapter for adapter in listed if os.path.realpath(adapter.device) == real), None)


def open_port(address: PortAddress, device: str) -> Any:
    """Open a port, for us alone where the system can.

    Raises:
        SerialError: Absent, taken by another program, not allowed, or no such speed.
    """
    try:
        port = serial.serial_for_url(
            device,
            baudrate=address.baud,
            parity=address.parity,
            timeout=_READ_S,
            write_timeout=1.0,
            exclusive=True,
        )
    except (OSError, ValueError) as error:
        raise _open_error(device, error) from error
    if "://" not in device:
        # Bytes from before may have come at another speed. Where it cannot be done (the port library then
        # raises one of many kinds), the first fragment is dropped anyway.
        with contextlib.suppress(Exception):
            port.reset_input_buffer()
    return port


def _open_error(device: str, error: Exception) -> SerialError:
    number = getattr(error, "errno", None)
    text = str(error)
    if number in (errno.EAGAIN, errno.EBUSY, errno.EWOULDBLOCK) or "lock port" in text:
        return SerialError(
            "another program has this port", where=device, mend="Close that program, or name another port."
        )
    if number in (errno.EACCES, errno.EPERM) or "PermissionError" in text or "Access is denied" in text:
        return SerialError(
            "this port may not be opened by you, or another program has it",
            where=device,
            mend="Join the group that owns the device file (often dialout) and log in again, or close that program.",
        )
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFoundError" in text:
        return SerialError("there is no such port", where=device, mend="Plug the instrument in, or correct its url.")
    if device.startswith("socket:"):
        return SerialError("nobody answers there", where=device, mend="Start the server, or correct host and port.")
    if isinstance(error, ValueError):
        return SerialError(f"it cannot be opened so ({text})", where=device, mend="Correct url and baud in bench.toml.")
    return SerialError(f"it cannot be opened ({text})", where=device, mend="Check the cable and the url.")


class TextFeed(Protocol):
    """What takes the bytes of a text instrument."""

    def opened(self, now_s: float) -> None: ...

    def lost(self, why: str) -> None: ...

    def feed(self, data: bytes, now_s: float) -> int: ...


def _arrived(port: PortLike) -> bytes:
    """Return what has come, as soon as something came.

    Asked for more than is there, the port library waits its whole time for the rest, and each reading would count as
    up to that much younger than it is.
    """
    data = port.read(1)
    while data and port.in_waiting and len(data) < _READ_BYTES:
        data += port.read(port.in_waiting)
    return data


class TextConversation:
    """Takes lines as they come, after asking for them where the instrument waits for a query."""

    def __init__(self, feed: TextFeed, *, query: str = "", query_period_s: float = 1.0) -> None:
        self._feed = feed
        self._query = query.encode("ascii", errors="replace")
        self._period_s = query_period_s
        self._next_query_s = 0.0

    def opened(self, now_s: float) -> None:
        """Begin anew: ask at once."""
        self._next_query_s = now_s
        self._feed.opened(now_s)

    def lost(self, why: str) -> None:
        """Pass on why the port is gone."""
        self._feed.lost(why)

    def step(self, port: PortLike, stop: threading.Event) -> None:
        """Ask if it is time, and hand on what has come."""
        now_s = boot_time_s()
        if self._query and now_s >= self._next_query_s:
            port.write(self._query + b"\n")
            self._next_query_s = max(self._next_query_s + self._period_s, now_s)
        data = _arrived(port)
        if data:
            self._feed.feed(data, boot_time_s())


@contextlib.contextmanager
def _closing(port: PortLike) -> Iterator[None]:
    # The port library leaves the socket of a connection open that the other side closed first.
    underneath = getattr(port, "_socket", None)
    try:
        yield
    finally:
        with contextlib.suppress(Exception):  # a device that vanished cannot be closed in order
            port.close()
        if underneath is not None:
            underneath.close()


class PortThread:
    """Owns one port for one conversation."""

    def __init__(self, address: PortAddress, conversation: Conversation) -> None:
        self._address = address
        self._conversation = conversation
        self._adapter: Adapter | None = None
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, *, strict: bool) -> None:
        """Begin to read; with `strict` a port that cannot be opened now is an error, else it is waited for.

        Raises:
            SerialError: `strict`, and the port is absent, taken or not allowed.
        """
        port = self._open() if strict else None
        self._thread = threading.Thread(target=self._run, args=(port,), name=f"port {self._address.url}", daemon=True)
        self._thread.start()

    def _open(self) -> PortLike:
        is_device = "://" not in self._address.url
        listed = listed_adapters() if is_device else []
        device = locate(self._address, self._adapter, listed)
        port: PortLike = open_port(self._address, device)
        if is_device:
            self._adapter = adapter_of(device, listed) or self._adapter
        self._conversation.opened(boot_time_s())
        return port

    def _run(self, port: PortLike | None) -> None:
        back_off_s = _FIRST_BACK_OFF_S
        while not self._stop.is_set():
            try:
                port = port or self._open()
                with _closing(port):
                    back_off_s = _FIRST_BACK_OFF_S
                    self._talk(port)
            except SerialError as error:
                self._conversation.lost(error.what)
            except Exception as error:  # the port library raises many kinds when a device vanishes
                self._conversation.lost(f"the connection was lost ({type(error).__name__})")
            port = None
            self._stop.wait(back_off_s)
            back_off_s = min(_LONGEST_BACK_OFF_S, 2 * back_off_s)

    def _talk(self, port: PortLike) -> None:
        while not self._stop.is_set():
            self._conversation.step(port, self._stop)

    def close(self) -> None:
        """Stop reading and close the port."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=3.0)
