"""One wired port for a cable to a bench computer, where `[bench_computer]` of the stick's bench.toml asks for it.

The drivers of network ports lie in a tree of modules of their own, in which neither the kernel nor udev looks. One of
them is loaded at a time: the first whose port has a cable in it stays, and where none has one, none stays. The port
gets the link-local address that the kernel makes of its own number (RFC 4291, 2.5.6), and takes no other address, no
route and no name server from whoever is at the other end (RFC 4861: router advertisements are not heard).
"""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, Protocol

from verifyrig.files.atomic_write import write_whole
from verifyrig.link.neighbours import CABLE_PORT

TREE = "/usr/lib/verifyrig-stick/cable"
_FILE = "cable.json"
# Two ends settle how they speak within some seconds (IEEE 802.3, clause 28, at 1000BASE-T); cheap ports take longer.
_CARRIER_S = 8.0
_LOOK_S = 0.2
# Linux, include/uapi/linux/if_addr.h: not yet known to be alone with the address, or known not to be.
_TENTATIVE, _NOT_ALONE = 0x40, 0x08
_LINK_SCOPE = 0x20
_DEAF = ("accept_ra", "autoconf", "accept_redirects")


class CableFinding(StrEnum):
    """What became of the cable."""

    NO_DRIVER = "no-driver"  # no wired port that the stick has a driver for
    NO_CABLE = "no-cable"  # ports, and a cable in none of them
    READY = "ready"


@dataclass(frozen=True, slots=True, kw_only=True)
class CableWord:
    """What became of the cable: the driver that is loaded and the port's address, or the drivers that were tried."""

    finding: CableFinding
    driver: str = ""
    address: str = ""
    tried: tuple[str, ...] = ()


class DriverNotes(Protocol):
    """Where a driver's name is written before it is loaded."""

    def names(self) -> list[str]: ...
    def begin(self, name: str) -> None: ...
    def done(self) -> None: ...


Run = Callable[..., str]


def is_switched_on(config: Mapping[str, Any]) -> bool:
    """Return whether bench.toml names a bench computer: then the stick may load the driver of a wired port."""
    table = config.get("bench_computer")
    return isinstance(table, dict) and bool(table.get("name"))


class Cable:
    """The machine's wired ports.

    Args:
        run: Starts a program and returns what it printed.
        noted: Where each driver is named before it is loaded.
        root: The system's root folder.
        carrier_s: How long a port is given to find the other end.
    """

    def __init__(self, run: Run, noted: DriverNotes, root: Path = Path("/"), carrier_s: float = _CARRIER_S) -> None:
        self._run, self._noted, self._root, self._carrier_s = run, noted, root, carrier_s

    def bring_up(self, aliases: Sequence[str]) -> CableWord:
        """Load the driver of the port that has a cable in it; return what became of it.

        Args:
            aliases: The ids of the machine's devices, as the kernel shows them.
        """
        self.take_down()
        self._hear_no_router("default")
        self._run("busybox", "ip", "link", "set", "lo", "up")
        resolved = self._run("modprobe", "-d", TREE, "-R", "-a", "-q", *aliases).split() if aliases else []
        drivers = [name for name in dict.fromkeys(resolved) if name not in self._noted.names()]
        for name in drivers:
            self._noted.begin(name)
            self._run("modprobe", "-d", TREE, "-q", name)
            self._noted.done()
            port = self._with_carrier()
            if port:
                return CableWord(finding=CableFinding.READY, driver=name, address=self._address_of(port))
            self._run("modprobe", "-d", TREE, "-r", "-q", name)
        finding = CableFinding.NO_CABLE if drivers else CableFinding.NO_DRIVER
        return CableWord(finding=finding, tried=tuple(drivers))

    def take_down(self) -> None:
        """Unload the driver of every port."""
        for port in self._ports():
            with contextlib.suppress(OSError):
                driver = (self._root / "sys/class/net" / port / "device/driver/module").resolve().name
                self._run("busybox", "ip", "link", "set", port, "down")
                self._run("modprobe", "-d", TREE, "-r", "-q", driver)

    def _ports(self) -> list[str]:
        return sorted(path.name for path in (self._root / "sys/class/net").glob("*") if path.name != "lo")

    def _with_carrier(self) -> str:
        """Return the port that has a cable in it, named as the cable's and the only one that is up; empty for none."""
        ports = self._ports()
        if len(ports) == 1:
            ports = [self._named(ports[0])]
        for port in ports:
            self._start(port)
        found = self._wait_for_carrier(ports)
        for port in ports:
            if port != found:
                self._run("busybox", "ip", "link", "set", port, "down")
        if found and found != CABLE_PORT:
            self._run("busybox", "ip", "link", "set", found, "down")
            found = self._named(found)
            self._start(found)
            self._wait_for_carrier([found])
        return found

    def _named(self, port: str) -> str:
        """Give a port the cable's name, by which a bench computer's address is kept whatever the machine."""
        if port != CABLE_PORT:
            self._run("busybox", "ip", "link", "set", port, "name", CABLE_PORT)
        return CABLE_PORT

    def _start(self, port: str) -> None:
        self._hear_no_router(port)
        self._run("busybox", "ip", "link", "set", port, "up")

    def _hear_no_router(self, port: str) -> None:
        for key in _DEAF:
            with contextlib.suppress(OSError):
                (self._root / "proc/sys/net/ipv6/conf" / port / key).write_text("0")

    def _wait_for_carrier(self, ports: Sequence[str]) -> str:
        until_s = time.monotonic() + self._carrier_s
        while True:
            found = next((port for port in ports if has_carrier(port, self._root)), "")
            if found or time.monotonic() > until_s:
                return found
            time.sleep(_LOOK_S)

    def _address_of(self, port: str) -> str:
        """Return the port's link-local address once nobody else at the cable has it; empty where that does not come."""
        until_s = time.monotonic() + self._carrier_s
        while True:
            found = link_local_address(port, self._root)
            if found or time.monotonic() > until_s:
                return found
            time.sleep(_LOOK_S)


def has_carrier(port: str = CABLE_PORT, root: Path = Path("/")) -> bool:
    """Return whether a port that is up sees another end."""
    try:
        return (root / "sys/class/net" / port / "carrier").read_text().strip() == "1"
    except OSError:
        return False


def link_local_address(port: str = CABLE_PORT, root: Path = Path("/")) -> str:
    """Return the IPv6 address of a port (proc(5), if_inet6), written short; empty where it may not be used yet."""
    import ipaddress

    try:
        lines = (root / "proc/net/if_inet6").read_text().splitlines()
    except OSError:
        return ""
    for line in lines:
        digits, _, _, scope, flags, name = line.split()
        settled = not int(flags, 16) & (_TENTATIVE | _NOT_ALONE)
        if name == port and int(scope, 16) == _LINK_SCOPE and settled:
            return str(ipaddress.IPv6Address(int(digits, 16)))
    return ""


def keep(folder: Path, word: CableWord | None) -> None:
    """Leave word for the first screen; None where nothing is switched on."""
    if word is None:
        (folder / _FILE).unlink(missing_ok=True)
        return
    told = {"finding": word.finding.value, "driver": word.driver, "address": word.address, "tried": list(word.tried)}
    write_whole(folder / _FILE, json.dumps(told))


def kept(folder: Path) -> CableWord | None:
    """Return what became of the cable; None while nothing is known."""
    try:
        told = json.loads((folder / _FILE).read_text())
        return CableWord(
            finding=CableFinding(told["finding"]), driver=str(told["driver"]), address=str(told["address"]),
            tried=tuple(map(str, told["tried"])),
        )  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError):
        return None
