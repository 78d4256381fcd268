"""One connection from a machine to its bench computer, from the TLS handshake to the last row."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any

from verifyrig.link.keys import BenchComputer, fingerprint_of, proof, same
from verifyrig.link.messages import LARGEST_BYTES, PATH_LINK, Kind, Malformed, decode, encode

if TYPE_CHECKING:
    from websockets.asyncio.client import ClientConnection

_OPEN_S = 6.0
_ANY_NAME = "verifyrig"  # the certificate is known by its fingerprint, whatever the host is called
ANSWER_S = 10.0  # a bench computer that takes longer to write is asked anew


class NotWanted(Exception):
    """The bench computer does not want this, or is not the one that it was paired with; trying again is in vain."""


class NotNow(Exception):
    """The bench computer cannot do this just now: a full disk, say."""


class Session:
    """An open, mutually known connection.

    Attributes:
        name: What the bench computer calls itself.
        probes: What it can lend, as it describes them.
    """

    def __init__(self, socket: ClientConnection, welcome: dict[str, Any]) -> None:
        self._socket = socket
        self._number = 0
        self._turn = asyncio.Lock()
        self.name = str(welcome.get("name", ""))[:60]
        offered = welcome.get("probes", [])
        self.probes = [one for one in offered if isinstance(one, dict)] if isinstance(offered, list) else []

    async def send(self, kind: Kind, **fields: Any) -> None:
        """Send a message with the next number."""
        async with self._turn:  # numbers go out in their order
            self._number += 1
            await self._socket.send(encode(kind, n=self._number, **fields))

    async def receive(self) -> dict[str, Any]:
        """Return the next message; raise `NotWanted` or `NotNow` where it is that."""
        message = decode(await self._socket.recv())
        if message["kind"] is Kind.REFUSED:
            why = str(message.get("why", ""))[:200]
            raise NotNow(why) if message.get("again") is True else NotWanted(why)
        return message

    async def ask(self, kind: Kind, answer: Kind, **fields: Any) -> dict[str, Any]:
        """Send a message and return its answer; what comes before that is passed over."""
        await self.send(kind, **fields)
        async with asyncio.timeout(ANSWER_S):
            while (message := await self.receive())["kind"] is not answer:
                pass
        return message


def tls_of_a_pinned_side() -> ssl.SSLContext:
    """Return a context that encrypts; whom it talks to is decided by the certificate's fingerprint, not by names."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context


@asynccontextmanager
async def socket_to(host: str, port: int, path: str) -> AsyncIterator[tuple[ClientConnection, str]]:
    """Yield an encrypted connection to whoever answers there, and the fingerprint of its certificate."""
    from websockets.asyncio.client import connect

    async with connect(
        f"wss://{_ANY_NAME}{path}",
        host=host,
        port=port,
        ssl=tls_of_a_pinned_side(),
        server_hostname=_ANY_NAME,
        compression=None,
        ping_interval=None,
        proxy=None,
        max_size=LARGEST_BYTES,
        open_timeout=_OPEN_S,
        close_timeout=1.0,
    ) as socket:
        shown = socket.transport.get_extra_info("ssl_object").getpeercert(binary_form=True)
        yield socket, fingerprint_of(shown)


@asynccontextmanager
async def session_with(
    bench_computer: BenchComputer, on_socket: Callable[[ClientConnection], None] = lambda _socket: None
) -> AsyncIterator[Session]:
    """Yield a session with the bench computer that this machine was paired with.

    Raises:
        NotWanted: Another one answers there, or it does not know this machine any more.
        OSError, TimeoutError, WebSocketException: It does not answer.
    """
    async with socket_to(bench_computer.host, bench_computer.port, PATH_LINK) as (socket, fingerprint):
        on_socket(socket)
        if not same(fingerprint, bench_computer.fingerprint):
            raise NotWanted("another computer answers there than the one that was paired")
        async with asyncio.timeout(ANSWER_S):
            challenge = decode(await socket.recv())
            nonce = challenge.get("nonce")
            if challenge["kind"] is not Kind.CHALLENGE or not isinstance(nonce, str):
                raise Malformed("no challenge")
            told = proof(bench_computer.secret, "machine", nonce, fingerprint)
            await socket.send(encode(Kind.HELLO, machine=bench_computer.machine, proof=told))
            welcome = decode(await socket.recv())
        if welcome["kind"] is Kind.REFUSED:
            raise NotWanted(str(welcome.get("why", ""))[:200])
        expected = proof(bench_computer.secret, "bench", nonce, fingerprint)
        if welcome["kind"] is not Kind.WELCOME or not same(welcome.get("proof"), expected):
            raise NotWanted("it does not know the key of this pair")
        yield Session(socket, welcome)


def fingerprint_at(host: str, port: int) -> str:
    """Return the fingerprint of the certificate that is shown at an address.

    Raises:
        UsageError: Nobody answers there.
    """
    import socket

    from verifyrig.core.errors import UsageError

    try:
        with (
            socket.create_connection((host, port), timeout=_OPEN_S) as plain,
            tls_of_a_pinned_side().wrap_socket(plain, server_hostname=_ANY_NAME) as secured,
        ):
            return fingerprint_of(secured.getpeercert(binary_form=True) or b"")
    except OSError as error:
        raise UsageError(
            f"no bench computer answers there ({error.strerror or type(error).__name__})",
            where=f"{host}:{port}",
            mend="Start it there with: verifyrig bench serve --listen ADDRESS. Then check the cable and the address.",
        ) from error
