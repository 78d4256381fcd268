"""A bench computer's service in this process, and a machine's end of a connection to it."""

from __future__ import annotations

import json
import warnings
from pathlib import Path
from typing import Any

from verifyrig.bench.folder import Bench
from verifyrig.link import keys
from verifyrig.link.keys import PairedMachine, proof
from verifyrig.link.messages import Kind, encode
from verifyrig.record.tail import Tail
from verifyrig.serve.app import Doors
from verifyrig.serve.hub import Hub

with warnings.catch_warnings():  # its newer form wants another client library than its older one
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

SECRET = "11" * 32


def known_to_one(folder: Path) -> Hub:
    """Return a bench computer that knows one machine, `m1`; `XDG_CONFIG_HOME` says where keys lie."""
    known = keys.Known().with_machine(PairedMachine(machine="m1", name="left", secret=SECRET, paired="2026-01-01"))
    keys.write_known(known)
    (folder / "bench").mkdir()
    return Hub(Bench(root=folder / "bench"), keys.own_certificate())


def client_of(hub: Hub, plain_at: str = "") -> TestClient:
    """Return what connects to its secured door, or under an address to its plain one."""
    doors = Doors(hub, "local")
    return TestClient(doors.plain() if plain_at else doors.secured(), base_url=plain_at or "https://bench")


def hello(link: Any, hub: Hub, secret: str = SECRET) -> dict[str, Any]:
    """Say who one is; return the answer."""
    nonce = json.loads(link.receive_text())["nonce"]
    told = proof(secret, "machine", nonce, hub.certificate.fingerprint)
    link.send_text(encode(Kind.HELLO, machine="m1", proof=told))
    answer: dict[str, Any] = json.loads(link.receive_text())
    return answer


def following(link: Any, kind: Kind) -> dict[str, Any]:
    """Return the next message of a kind; what comes before is passed over."""
    while True:
        message: dict[str, Any] = json.loads(link.receive_text())
        if message["kind"] == kind:
            return message


def sent_whole(link: Any, hub: Hub, record: Path, **shown: Any) -> None:
    """Send a record as far as it goes."""
    hello(link, hub)
    link.send_text(encode(Kind.RUN, n=1, run=record.stem, channels=list(Tail(record).channels()), shown=shown))
    following(link, Kind.HAVE)
    link.send_text(encode(Kind.ROWS, n=2, **Tail(record).after(0).as_json()))
    following(link, Kind.ACK)
