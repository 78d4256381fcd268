"""A notice by HTTP POST, signed: the receiver can tell who sent it, when, and whether it had it before.

    Verifyrig-Notice: ID                        the same at every attempt
    Verifyrig-Time: SECONDS                     since 1970, of this attempt
    Verifyrig-Signature: sha256=HEX             HMAC (RFC 2104) with SHA-256 over TIME, a full stop, and the body

An answer of 200 to 299 takes the notice; redirections are not followed, for the signature is meant for one receiver.
"""

from __future__ import annotations

import hashlib
import hmac
import http.client
import socket
import ssl
import threading
import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

from verifyrig.bench.notice_targets import NoticeTarget
from verifyrig.core.plain_text import plain_line
from verifyrig.notify.attempt import NotDelivered, secret_of
from verifyrig.notify.spool import Waiting

__all__ = ["send_by_webhook", "signature_of"]

_MOST_READ = 65_536


def signature_of(key: bytes, time_text: str, body: bytes) -> str:
    """Return the value of `Verifyrig-Signature`."""
    return "sha256=" + hmac.new(key, time_text.encode() + b"." + body, hashlib.sha256).hexdigest()


def send_by_webhook(
    target: NoticeTarget, notice: Waiting, root: Path, *, wall: Callable[[], float] = time.time
) -> None:
    """Post the notice; the whole attempt, answer included, has `timeout_s`."""
    key, body, now = secret_of(target, root), notice.body.encode("utf-8"), str(int(wall()))
    headers = {
        "Content-Type": "application/json",
        "Connection": "close",
        "User-Agent": "verifyrig",
        "Verifyrig-Notice": notice.id,
        "Verifyrig-Time": now,
        "Verifyrig-Signature": signature_of(key, now, body),
    }
    parts = urlsplit(target.url)
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    ends_s = time.monotonic() + target.timeout_s
    try:
        connection = _connection(target, root)
        connection.connect()
    except (OSError, ValueError) as error:
        raise NotDelivered(f"{parts.hostname} cannot be reached ({_why(error)})") from error
    # A server that sends a byte now and then outlasts every limit of a single read.
    late = threading.Event()
    cut = threading.Timer(max(0.0, ends_s - time.monotonic()), _cut, [connection.sock, late])
    cut.daemon = True
    cut.start()
    try:
        connection.request("POST", path, body, headers)
        answer = connection.getresponse()
        answer.read(_MOST_READ)
    except (OSError, http.client.HTTPException) as error:
        timed_out = late.is_set() or isinstance(error, TimeoutError)
        raise NotDelivered(
            f"{parts.hostname} did not answer within {target.timeout_s:g} s"
            if timed_out
            else f"{parts.hostname} gave no whole answer ({_why(error)})"
        ) from error
    finally:
        cut.cancel()
        connection.close()
    if late.is_set():  # what was cut in the middle of its head may read like an answer
        raise NotDelivered(f"{parts.hostname} did not answer within {target.timeout_s:g} s")
    if not 200 <= answer.status < 300:
        raise NotDelivered(
            f"{parts.hostname} answered {answer.status} {plain_line(answer.reason, 60)}", _asked_wait_s(answer)
        )


def _connection(target: NoticeTarget, root: Path) -> http.client.HTTPConnection:
    parts = urlsplit(target.url)
    if parts.scheme == "http":
        return http.client.HTTPConnection(str(parts.hostname), parts.port, timeout=target.timeout_s)
    context = ssl.create_default_context(cafile=str(root / target.ca_file) if target.ca_file else None)
    return http.client.HTTPSConnection(str(parts.hostname), parts.port, timeout=target.timeout_s, context=context)


def _cut(sock: socket.socket, late: threading.Event) -> None:
    late.set()
    try:
        sock.shutdown(socket.SHUT_RDWR)
    except OSError:
        sock.close()


def _asked_wait_s(answer: http.client.HTTPResponse) -> float:
    """Return what `Retry-After` asks for, s (RFC 9110, 10.2.3); a date there is not read."""
    text = answer.getheader("Retry-After", "").strip()
    return float(text) if text.isdigit() and len(text) < 8 else 0.0


def _why(error: Exception) -> str:
    return plain_line(str(getattr(error, "strerror", None) or error or type(error).__name__), 120)
