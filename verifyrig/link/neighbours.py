"""Who is at the other end of a bench stick's cable: all that answer there are asked by one echo request.

Source: RFC 4443, section 4 (echo request and reply); RFC 4291, section 2.7.1 (all nodes of a link).
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import struct
import time

CABLE_PORT = "cable0"
_EVERYBODY = "ff02::1"
_REQUEST, _REPLY = 128, 129
_WAIT_S = 1.5


def neighbours(port: str = CABLE_PORT) -> list[str]:
    """Return the link-local addresses that answer at a port, with its name; empty where there is no such port."""
    found: dict[str, None] = {}
    with contextlib.suppress(OSError):
        index = socket.if_nametoindex(port)
        # The kernel puts the sum in (RFC 3542, section 3.1).
        with socket.socket(socket.AF_INET6, socket.SOCK_RAW, socket.IPPROTO_ICMPV6) as line:
            line.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_LOOP, 0)
            asked = os.getpid() & 0xFFFF
            line.sendto(struct.pack("!BBHHH", _REQUEST, 0, 0, asked, 1), (_EVERYBODY, 0, 0, index))
            until_s = time.monotonic() + _WAIT_S
            while select.select([line], [], [], max(0.0, until_s - time.monotonic()))[0]:
                told, (host, *_) = line.recvfrom(256)
                if len(told) >= 8 and told[0] == _REPLY and told[4:6] == struct.pack("!H", asked):
                    found[f"{host.partition('%')[0]}%{port}"] = None
    return list(found)
