"""The device's end of a serial line: a pseudo-terminal under a link of one's choice, or a TCP port."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import socket
import tty
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit


class Port(Protocol):
    """What a simulated instrument speaks through. Nothing here blocks; bytes that nobody takes are lost."""

    url: str

    def send(self, data: bytes) -> None:
        """Write what fits; a line that nobody listens to swallows everything."""

    def receive(self) -> bytes:
        """Return what has arrived, possibly nothing."""

    def unplug(self) -> None:
        """Vanish: whoever has the port open sees it go."""

    def plug_in(self) -> None:
        """Be there again, under the same address."""


class PtyPort:
    """A pseudo-terminal. While it is plugged in, `link` points to it."""

    def __init__(self, link: Path) -> None:
        self.url = str(link)
        self._link = link
        self._master = -1
        self.plug_in()

    def plug_in(self) -> None:
        if self._master >= 0:
            return
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        target = os.ttyname(slave)
        os.close(slave)  # so that the master sees whether anybody has the line open
        self._link.unlink(missing_ok=True)
        self._link.symlink_to(target)

    def unplug(self) -> None:
        if self._master < 0:
            return
        # The name first: a closed terminal's number goes to the next one that is opened, of any program.
        self._link.unlink(missing_ok=True)
        os.close(self._master)
        self._master = -1

    def _has_listener(self) -> bool:
        poller = select.poll()
        poller.register(self._master, select.POLLIN)
        return self._master >= 0 and not any(event & select.POLLHUP for _, event in poller.poll(0))

    def send(self, data: bytes) -> None:
        if self._master >= 0 and self._has_listener():
            with contextlib.suppress(OSError):
                os.write(self._master, data)

    def receive(self) -> bytes:
        if self._master >= 0:
            with contextlib.suppress(OSError):
                return os.read(self._master, 4096)
        return b""


class SocketPort:
    """A TCP port that talks to everybody who connects."""

    def __init__(self, host: str, port: int) -> None:
        self._address = (host, port)
        self._listener: socket.socket | None = None
        self._clients: list[socket.socket] = []
        self.plug_in()
        assert self._listener is not None
        self._address = (host, self._listener.getsockname()[1])
        self.url = f"socket://{host}:{self._address[1]}"

    def plug_in(self) -> None:
        if self._listener is None:
            self._listener = socket.create_server(self._address)
            self._listener.setblocking(False)

    def unplug(self) -> None:
        for client in self._clients:
            client.close()
        self._clients.clear()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _accept(self) -> None:
        if self._listener is None:
            return
        with contextlib.suppress(BlockingIOError):
            while True:
                client, _ = self._listener.accept()
                client.setblocking(False)
                self._clients.append(client)

    def send(self, data: bytes) -> None:
        self._accept()
        for client in list(self._clients):
            try:
                client.send(data)
            except BlockingIOError:
                pass  # the listener does not read: what does not fit is lost
            except OSError:
                self._forget(client)

    def _forget(self, client: socket.socket) -> None:
        client.close()
        self._clients.remove(client)

    def receive(self) -> bytes:
        self._accept()
        received = b""
        for client in list(self._clients):
            try:
                data = client.recv(4096)
            except BlockingIOError:
                continue
            except OSError:
                data = b""
            if not data:
                self._forget(client)
            received += data
        return received


def open_port(url: str) -> Port:
    """Open the device's end of a line.

    Args:
        url: "pty:/path/of/link", or "socket://host:port", where port 0 takes any free one.

    Raises:
        ValueError: The address is neither.
        OSError: The link or the port cannot be made.
    """
    if url.startswith("pty:"):
        link = Path(url.removeprefix("pty:"))
        if link.exists() and not link.is_symlink():
            raise ValueError(f"{link} exists and is no link; name a path that is free")
        return PtyPort(link)
    parts = urlsplit(url)
    if parts.scheme != "socket" or parts.hostname is None or parts.port is None:
        raise ValueError(f"{url!r} is no address of a simulated line; write pty:/path or socket://host:port")
    return SocketPort(parts.hostname, parts.port)
