"""One load a machine: whoever heats it holds a claim that all users and bench folders see, and that dies with them.

The claim is a socket that only one process can be bound to: on Linux an abstract name (unix(7)), which needs no file
and no rights, elsewhere a port of the loopback. The system takes it away with the process, however that ends. Who asks
hears from the holder which run it is; process and user come from the kernel where it shows them.

Programs in containers with a network of their own do not see each other's claims.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import struct
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from verifyrig.core.errors import LoadError
from verifyrig.core.plain_text import plain_line

LINUX_NAME = "\0verifyrig-load"
LOOPBACK_PORT = ("127.0.0.1", 47_195)  # no service is registered for it
ADDRESS: str | tuple[str, int] = LINUX_NAME if sys.platform == "linux" else LOOPBACK_PORT
_ANSWER_S = 0.5
_LONGEST_ANSWER_BYTES = 1024


@dataclass(slots=True)
class LoadClaim:
    """The claim of this process; `run` is given to whoever asks, and may be filled in later."""

    run: str = ""
    pid: int = field(default_factory=os.getpid)


@contextlib.contextmanager
def machine_claimed(run: str = "", *, address: str | tuple[str, int] = ADDRESS) -> Iterator[LoadClaim]:
    """While inside, no other program of ours can load this machine.

    Args:
        run: Who it is for: a run id, or what else heats.
        address: Name of a socket, or host and port; another one only in tests.

    Raises:
        LoadError: Another program loads this machine; it is named.
    """
    claim = LoadClaim(run=run)
    listener = _listener(address)
    answering = threading.Thread(target=_answer, args=(listener, claim), name="claim", daemon=True)
    answering.start()
    try:
        yield claim
    finally:
        with contextlib.suppress(OSError):
            listener.shutdown(socket.SHUT_RDWR)  # wakes the thread that waits for somebody to ask
        listener.close()
        # The kernel keeps the address while that thread still waits at it: until then nobody could claim anew.
        answering.join(_ANSWER_S)


def _listener(address: str | tuple[str, int]) -> socket.socket:
    listener = _socket(address)
    try:
        if isinstance(address, tuple):
            # Alone on the port, and not kept off it by connections that have just ended (Windows, and all others).
            exclusive = getattr(socket, "SO_EXCLUSIVEADDRUSE", None)
            listener.setsockopt(socket.SOL_SOCKET, exclusive or socket.SO_REUSEADDR, 1)
        listener.bind(address)
        listener.listen()
    except OSError as error:
        listener.close()
        raise LoadError(
            f"{_holder(address)} loads this machine already",
            where="this machine",
            mend="Two loads would heat it beyond the forecast of either: wait for the end of that run, or end it.",
        ) from error
    return listener


def _socket(address: str | tuple[str, int]) -> socket.socket:
    return socket.socket(socket.AF_INET if isinstance(address, tuple) else socket.AF_UNIX, socket.SOCK_STREAM)


def _answer(listener: socket.socket, claim: LoadClaim) -> None:
    """Answer everybody who asks for whom the machine is held."""
    while True:
        try:
            asker, _ = listener.accept()
        except OSError:  # closed: the claim is given back
            return
        with asker, contextlib.suppress(OSError):
            asker.settimeout(_ANSWER_S)
            asker.sendall(json.dumps({"run": claim.run, "pid": claim.pid}).encode())


def _holder(address: str | tuple[str, int]) -> str:
    """Return who holds the claim, in words; a holder that hangs does not answer, and is still known to the kernel."""
    holder: dict[str, Any] = {}
    pid, user = 0, ""
    with contextlib.suppress(OSError, ValueError), _socket(address) as asker:
        asker.settimeout(_ANSWER_S)
        asker.connect(address)
        pid, user = _peer(asker)
        found = json.loads(asker.recv(_LONGEST_ANSWER_BYTES))
        holder = found if isinstance(found, dict) else {}
    run = plain_line(holder.get("run") or "", 64)
    pid = pid or (holder["pid"] if isinstance(holder.get("pid"), int) else 0)
    process = ", ".join([*([f"process {pid}"] if pid else []), *([f"user {user}"] if user else [])])
    return (f"run {run}" if run else "another program") + (f" ({process})" if process else "")


def _peer(asker: socket.socket) -> tuple[int, str]:
    """Return process id and user name of the other side, 0 and empty where the kernel does not say (unix(7))."""
    if not hasattr(socket, "SO_PEERCRED") or asker.family != socket.AF_UNIX:
        return 0, ""
    kind = struct.Struct("3i")
    pid, uid, _ = kind.unpack(asker.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, kind.size))
    import pwd

    try:
        return pid, pwd.getpwuid(uid).pw_name
    except KeyError:
        return pid, str(uid)
