"""Which bench computer is meant: by name or address, or the paired one found on this computer or its network."""

from __future__ import annotations

import contextlib
import ipaddress
import json
import socket
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from verifyrig.core.errors import UsageError
from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.link.keys import BenchComputer, Known, address_of, chosen, link_folder, read_known
from verifyrig.link.neighbours import neighbours

AUTO = "auto"
SERVICE = "_verifyrig._tcp.local."
_BROWSE_S = 2.5
_AT_CABLE_S = 2.0


def serving_path() -> Path:
    """Return where a bench computer that runs on this very computer says where it listens."""
    return link_folder() / "serving.json"


def find_bench_computer(named: str, *, direct_cable_only: bool = False) -> BenchComputer:
    """Return the paired bench computer that is meant, with the address at which it is now.

    Args:
        named: `auto`, or a name, host or `HOST:PORT`.
        direct_cable_only: Only link-local addresses are gone to, and this computer itself: no network of a shop.

    Raises:
        UsageError: It was never paired, or is not found.
    """
    known = read_known()
    found = _own(known) if named == AUTO else None
    if found is None and named == AUTO and direct_cable_only:
        found = _at_the_cable(known)
    if found is None and named == AUTO:
        found = _browsed(known, direct_cable_only=direct_cable_only)
    elif found is None:
        found = chosen(known.bench_computers, named) or _at_address(known, named)
    if direct_cable_only:
        check_direct(found.host, found.port)
    return found


def check_direct(host: str, port: int) -> None:
    """Raise `UsageError` unless a host is this computer, or is reached over the direct cable and nothing else.

    A link-local address alone is not enough: without a cable that has one, what is sent to it would leave by the way
    to the shop's network.
    """
    if not (is_direct(host) and is_direct(_own_address_towards(host, port))):
        raise UsageError(
            "it is not reached over a direct cable (link-local addresses), and nothing else is allowed here",
            where=f"bench computer {host}",
            mend="Connect both by one cable, or take link_local_only out of bench.toml; the bench stick keeps to it.",
        )


def _own_address_towards(host: str, port: int) -> str:
    """Return the address of this computer that would speak to a host, empty where none would; nothing is sent."""
    try:
        family, kind, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
        with socket.socket(family, kind) as speaker:
            speaker.connect(address)
            return str(speaker.getsockname()[0])
    except OSError:
        return ""


def is_direct(host: str) -> bool:
    """Return whether an address is reached over one cable (RFC 3927, RFC 4291) or is this computer itself."""
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return host == "localhost"
    return address.is_link_local or address.is_loopback


def _own(known: Known) -> BenchComputer | None:
    """Return the bench computer that runs here, for the same user, where one does."""
    try:
        data = json.loads(read_text(serving_path(), FileKind.NOTE))
        one = next(b for b in known.bench_computers if b.fingerprint == data["fingerprint"])
        with socket.create_connection((data["host"], int(data["port"])), timeout=1.0):
            return replace(one, host=str(data["host"]), port=int(data["port"]))
    except (OSError, ValueError, KeyError, TypeError, StopIteration):
        return None


def _at_the_cable(known: Known) -> BenchComputer | None:
    """Return a paired one that is at the cable: where it was last, else whoever answers there with its certificate."""
    from verifyrig.link.session import fingerprint_at

    for one in known.bench_computers:
        if is_direct(one.host):
            with contextlib.suppress(OSError), socket.create_connection((one.host, one.port), timeout=_AT_CABLE_S):
                return one
    for host in neighbours() if known.bench_computers else []:
        for one in known.bench_computers:
            with contextlib.suppress(UsageError):
                if fingerprint_at(host, one.port) == one.fingerprint:
                    return replace(one, host=host)
    return None


def _at_address(known: Known, named: str) -> BenchComputer:
    """Return the paired one that answers at an address it had not before: its certificate says which it is."""
    from verifyrig.link.session import fingerprint_at

    host, port = address_of(named)
    shown = fingerprint_at(host, port)
    one = next((b for b in known.bench_computers if b.fingerprint == shown), None)
    if one is None:
        raise UsageError(
            "this machine was not paired with it",
            where=f"bench computer {named}",
            mend=f"Show a code there (verifyrig bench code), then here: verifyrig bench pair {named}.",
        )
    return replace(one, host=host, port=port)


def _browsed(known: Known, *, direct_cable_only: bool) -> BenchComputer:
    """Return the paired bench computer that announces itself; what is announced is only where to look."""
    from zeroconf import ServiceBrowser, Zeroconf

    found: list[tuple[str, int, str]] = []

    class Listener:
        def add_service(self, zc: Zeroconf, kind: str, name: str) -> None:
            info = zc.get_service_info(kind, name, timeout=1000)
            if info is None or info.port is None:
                return
            digits: Any = info.properties.get(b"id") or b""
            found.extend(
                (host, info.port, digits.decode("ascii", "replace")) for host in info.parsed_scoped_addresses()
            )

        update_service = remove_service = add_service

    if known.bench_computers:
        zeroconf = Zeroconf()
        try:
            ServiceBrowser(zeroconf, SERVICE, Listener())  # type: ignore[arg-type]
            end_s = time.monotonic() + _BROWSE_S
            while time.monotonic() < end_s:
                for host, port, digits in list(found):
                    for one in known.bench_computers:
                        fits = len(digits) >= 16 and one.fingerprint.startswith(digits)
                        if fits and (is_direct(host) or not direct_cable_only):
                            return replace(one, host=host, port=port)
                time.sleep(0.05)
        finally:
            zeroconf.close()
    raise UsageError(
        "no bench computer that this machine was paired with is found",
        where="--bench-computer auto",
        mend="Start it there with `verifyrig bench serve`, or name its address; `verifyrig bench pair HOST` pairs.",
    )
