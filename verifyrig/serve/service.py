"""The service as a process: its two doors, who may find it, and an orderly end."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import json
import os
import secrets
import signal
import socket
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import uvicorn

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import UsageError
from verifyrig.files.atomic_write import replacing
from verifyrig.link.find import SERVICE, serving_path
from verifyrig.link.keys import (
    OWN,
    BenchComputer,
    Certificate,
    PairedMachine,
    new_secret,
    own_certificate,
    read_known,
    write_known,
)
from verifyrig.link.messages import LARGEST_BYTES
from verifyrig.serve.app import Doors
from verifyrig.serve.hub import Hub

if TYPE_CHECKING:
    from starlette.applications import Starlette


@dataclass(frozen=True, slots=True, kw_only=True)
class Listening:
    """Where the service listens: the secured door, and the plain one of the loopback."""

    host: str
    port: int
    page_port: int
    fingerprint: str
    code: str


def serve(bench: Bench, host: str, port: int, page_port: int, ready: Callable[[Listening], None]) -> None:
    """Serve until a signal ends it.

    Args:
        bench: Its folder takes what comes, in `received/`.
        host, port: Where machines and phones reach it.
        page_port: Of the page for a browser on this computer.
        ready: Called once, when both doors are open.

    Raises:
        UsageError: An address or port cannot be had.
    """
    certificate = own_certificate()
    _know_own_runs(certificate, host, port)
    with contextlib.closing(_bound(host, port)) as outer, contextlib.closing(_bound("127.0.0.1", page_port)) as inner:
        asyncio.run(_serve(bench, certificate, host, outer, inner, ready))


async def _serve(
    bench: Bench,
    certificate: Certificate,
    host: str,
    outer: socket.socket,
    inner: socket.socket,
    ready: Callable[[Listening], None],
) -> None:
    hub, local_key = Hub(bench, certificate), secrets.token_hex(16)
    hub.restore()
    doors = Doors(hub, local_key)
    servers = [
        _Server(_config(doors.secured(), certificate)),
        _Server(_config(doors.plain(), None)),
    ]
    _obey_signals(servers)
    port, page_port = outer.getsockname()[1], inner.getsockname()[1]
    with _said_where(host, port, page_port, certificate, local_key):
        beside = [asyncio.create_task(hub.watch()), asyncio.create_task(_announce(hub, host, port))]
        serving = [
            asyncio.create_task(server.serve(sockets=[bound]))
            for server, bound in zip(servers, (outer, inner), strict=True)
        ]
        while not all(server.started for server in servers) and not any(task.done() for task in serving):
            await asyncio.sleep(0.01)
        ready(Listening(host=host, port=port, page_port=page_port, fingerprint=certificate.fingerprint,
                        code=hub.codes.new()))  # fmt: skip
        await asyncio.gather(*serving)
        for task in beside:
            task.cancel()
        await asyncio.gather(*beside, return_exceptions=True)
    for twin in list(hub.twins.values()):
        twin.leave()
    for seen in hub.seen.values():
        seen.flush()
        seen.close()
    hub.stand.close()


class _Server(uvicorn.Server):
    """One door; both end by the same signals, which neither takes for itself."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def _config(app: Starlette, certificate: Certificate | None) -> uvicorn.Config:
    return uvicorn.Config(
        app,
        ws="websockets-sansio",
        ws_max_size=LARGEST_BYTES,
        ws_ping_interval=None,
        http="h11",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=1,
        ssl_certfile=certificate.certificate if certificate else None,
        ssl_keyfile=certificate.key if certificate else None,
    )


def _obey_signals(servers: list[_Server]) -> None:
    def end() -> None:
        for server in servers:
            server.should_exit = True

    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):  # Windows
            loop.add_signal_handler(number, end)


def _bound(host: str, port: int) -> socket.socket:
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        bound = socket.socket(family[0], socket.SOCK_STREAM)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind(family[4])
        bound.listen(64)
        return bound
    except OSError as error:
        raise UsageError(
            f"this address cannot be listened on ({error.strerror or error})",
            where=f"{host}:{port}",
            mend="Name an address of this computer with --listen, or another --port; perhaps it is serving already.",
        ) from error


def _know_own_runs(certificate: Certificate, host: str, port: int) -> None:
    """Pair this computer with itself, so that runs of the same user here are seen without a code."""
    known = read_known()
    own = known.machine(OWN)
    as_seen = next((b for b in known.bench_computers if b.fingerprint == certificate.fingerprint), None)
    if own is not None and as_seen is not None and as_seen.secret == own.secret:
        return
    secret = new_secret()
    now = datetime.now(UTC).isoformat(timespec="seconds")
    known = known.with_machine(PairedMachine(machine=OWN, name="this computer", secret=secret, paired=now))
    write_known(
        known.with_bench_computer(
            BenchComputer(
                machine=OWN,
                name="this computer",
                fingerprint=certificate.fingerprint,
                secret=secret,
                host=host,
                port=port,
            )
        )
    )


@contextlib.contextmanager
def _said_where(host: str, port: int, page_port: int, certificate: Certificate, local_key: str) -> Iterator[None]:
    """Say in a file that only this user reads where the service listens, for as long as it does."""
    path = serving_path()
    reached = "127.0.0.1" if host in ("0.0.0.0", "localhost") else "::1" if host == "::" else host
    told = {"host": reached, "port": port, "page_port": page_port, "fingerprint": certificate.fingerprint,
            "local_key": local_key, "pid": os.getpid()}  # fmt: skip
    with replacing(path) as file:
        if os.name != "nt":
            os.fchmod(file.fileno(), 0o600)
        file.write(json.dumps(told).encode())
    try:
        yield
    finally:
        path.unlink(missing_ok=True)


async def _announce(hub: Hub, host: str, port: int) -> None:
    """Announce the service to its network (RFC 6763) until cancelled, unless it listens on the loopback alone."""
    addresses = _announced_addresses(host)
    if not addresses:
        return
    from zeroconf import ServiceInfo
    from zeroconf.asyncio import AsyncZeroconf

    properties: dict[str | bytes, Any] = {"id": hub.certificate.fingerprint[:16], "v": "1"}
    info = ServiceInfo(
        SERVICE, f"{hub.certificate.fingerprint[:16]}.{SERVICE}", port=port, properties=properties,
        parsed_addresses=addresses,
    )  # fmt: skip
    with contextlib.suppress(OSError):  # a network without multicast: the address is typed there
        zeroconf = AsyncZeroconf(interfaces=addresses)
        try:
            await (await zeroconf.async_register_service(info))
            await asyncio.Event().wait()
        finally:
            await zeroconf.async_close()


def _announced_addresses(host: str) -> list[str]:
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return []
    if address.is_loopback:
        return []
    if not address.is_unspecified:
        return [host]
    import psutil

    found = [one.address for each in psutil.net_if_addrs().values() for one in each if one.family == socket.AF_INET]
    return [one for one in found if not ipaddress.ip_address(one).is_loopback]
