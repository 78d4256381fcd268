"""Two network namespaces and a cable between them that delays, drops, swaps and is cut, packet by packet.

The kernel's own emulator (`sch_netem`) is not everywhere; a TUN device in each namespace (kernel document "Universal
TUN/TAP device driver") and a thread that carries the packets do the same, and what TCP makes of it is real.
"""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import heapq
import os
import random
import select
import shutil
import struct
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

# linux/if_tun.h, linux/sched.h
_TUNSETIFF, _IFF_TUN, _IFF_NO_PI, _CLONE_NEWNET = 0x400454CA, 0x0001, 0x1000, 0x40000000
MACHINE_HOST, BENCH_HOST = "169.254.19.1", "169.254.19.2"  # link-local (RFC 3927), as on a direct cable


def why_not() -> str:
    """Return why there can be no namespaces here; empty where there can."""
    if os.geteuid() != 0:
        return "network namespaces need root"
    if shutil.which("ip") is None:
        return "the program ip is absent"
    if not Path("/dev/net/tun").exists():
        return "the kernel has no TUN device"
    name = f"vr-try-{os.getpid()}"
    made = subprocess.run(["ip", "netns", "add", name], capture_output=True, check=False)
    subprocess.run(["ip", "netns", "del", name], capture_output=True, check=False)
    return "" if made.returncode == 0 else f"no network namespace can be made ({made.stderr.decode().strip()})"


@dataclass(slots=True)
class Cable:
    """How the cable is now.

    Attributes:
        delay_s: Of every packet, one way.
        dropped: Share of packets that get lost.
        swapped: Share of packets that come later than those behind them.
        cut: Whether nothing gets through.
        carried: Packets that arrived so far.
    """

    delay_s: float = 0.0
    dropped: float = 0.0
    swapped: float = 0.0
    cut: bool = False
    carried: int = 0

    def as_new(self) -> None:
        """A good cable again."""
        self.delay_s, self.dropped, self.swapped, self.cut = 0.0, 0.0, 0.0, False


@dataclass(frozen=True)
class TwoNetworks:
    """The names of the namespaces, and the cable between them."""

    machine: str
    bench: str
    cable: Cable


@contextlib.contextmanager
def two_networks(seed: int = 19) -> Iterator[TwoNetworks]:
    """Yield two namespaces that see each other over one cable, and nothing else; they are gone afterwards."""
    names = [f"vr-{side}-{os.getpid()}" for side in ("m", "b")]
    cable, stop = Cable(), threading.Event()
    try:
        for name in names:
            _ip("netns", "add", name)
            _ip("-n", name, "link", "set", "lo", "up")
        carrier = _Carrier(names, cable, stop, random.Random(seed))
        carrier.start()
        carrier.opened.wait(10)
        for name, own in zip(names, (MACHINE_HOST, BENCH_HOST), strict=True):
            _ip("-n", name, "addr", "add", f"{own}/30", "dev", "cable0")
            _ip("-n", name, "link", "set", "cable0", "up")
        yield TwoNetworks(names[0], names[1], cable)
    finally:
        stop.set()
        for name in names:
            subprocess.run(["ip", "netns", "del", name], capture_output=True, check=False)


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)


class _Carrier(threading.Thread):
    """Carries packets from one end to the other; only this thread moves between namespaces."""

    def __init__(self, names: list[str], cable: Cable, stop: threading.Event, rng: random.Random) -> None:
        super().__init__(daemon=True, name="cable")
        self._names, self._cable, self._stopped, self._rng = names, cable, stop, rng
        self.opened = threading.Event()

    def run(self) -> None:
        ends = [_tun_in(name) for name in self._names]
        self.opened.set()
        waiting: list[tuple[float, int, int, bytes]] = []
        number = 0
        try:
            while not self._stopped.is_set():
                wait_s = min(0.1, max(0.0, waiting[0][0] - time.monotonic())) if waiting else 0.1
                for fd in select.select(ends, [], [], wait_s)[0]:
                    packet, number = os.read(fd, 65535), number + 1
                    other, cable = ends[1 - ends.index(fd)], self._cable
                    if cable.cut or self._rng.random() < cable.dropped:
                        continue
                    late_s = 0.03 if self._rng.random() < cable.swapped else 0.0
                    heapq.heappush(waiting, (time.monotonic() + cable.delay_s + late_s, number, other, packet))
                while waiting and waiting[0][0] <= time.monotonic():
                    _, _, fd, packet = heapq.heappop(waiting)
                    if not self._cable.cut:
                        with contextlib.suppress(OSError):
                            os.write(fd, packet)
                            self._cable.carried += 1
        finally:
            for fd in ends:
                os.close(fd)


def _tun_in(name: str) -> int:
    libc = ctypes.CDLL(None, use_errno=True)
    with Path("/var/run/netns", name).open("rb") as namespace:
        if libc.setns(namespace.fileno(), _CLONE_NEWNET) != 0:
            raise OSError(ctypes.get_errno(), "setns")
    fd = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK)
    fcntl.ioctl(fd, _TUNSETIFF, struct.pack("16sH22x", b"cable0", _IFF_TUN | _IFF_NO_PI))
    return fd
