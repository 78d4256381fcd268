"""What goes over the link: JSON objects, one a message, each with its `kind`.

    bench computer: challenge {nonce}
    machine: hello {machine, proof}
    bench computer: welcome {name, proof, probes: [{channel, label, resolution, expanded_uncertainty}]}, or
        refused {why, again}; with again it may be otherwise later, and the machine tries again
    machine: probes {want: [channel], borrower}  answered by probes {granted: [channel]} or refused {why, again};
        the connections of one run are one borrower
    machine: run {run, channels, period_s, shown}    answered by have {samples, closed}
    machine: rows {first, samples, tables}       answered by ack {samples, closed}, once it is on the medium
    machine: beat {t1, wall_ahead_s}             answered by beat {t1, t2, t3, wall_ahead_s}
    machine: view {...}                          what the run shows of itself now; the newest counts
    machine: signed {text}                       the signatures of a record that is whole there; answered by ack
    machine: after {note}                        what the machine's own system remembered, once it came back
    machine: gone {}                             the run's program is gone, its machine is not
    machine: load-ended {number}
    bench computer: end-load {number}            the only thing that can be asked of a run from afar
    bench computer: probe {at_s, values: {channel: value}}, by its steady clock

After `hello` every message of a machine carries `n`, from 1, one more each time: what is sent twice is refused.
"""

from __future__ import annotations

import json
from enum import StrEnum
from typing import Any

VERSION = 1
PATH_LINK, PATH_PAIR = "/link", "/pair"
TRY_AGAIN = 1013  # a connection is closed so where it is no refusal (WebSocket Close Code Number Registry, IANA)
LARGEST_BYTES = 4 * 1024 * 1024
BEAT_EVERY_S = 0.25
# The bench computer answers each beat: a machine that hears none for so long counts the link as silent. The load is to
# be off within 2 s; the rest is for a busy processor.
OBEYED_WITHIN_S = 1.3
RECONNECT_AFTER_S = 3.0


class Kind(StrEnum):
    """The kind of a message."""

    CHALLENGE = "challenge"
    HELLO = "hello"
    WELCOME = "welcome"
    PROBES = "probes"
    RUN = "run"
    HAVE = "have"
    ROWS = "rows"
    ACK = "ack"
    BEAT = "beat"
    VIEW = "view"
    SIGNED = "signed"
    AFTER = "after"
    GONE = "gone"
    LOAD_ENDED = "load-ended"
    END_LOAD = "end-load"
    PROBE = "probe"
    REFUSED = "refused"
    PAIR = "pair"
    PAIRED = "paired"


class Malformed(ValueError):
    """What came is no message of this link."""


def encode(kind: Kind, **fields: Any) -> str:
    """Return a message as text."""
    return json.dumps({"kind": kind, **fields}, allow_nan=False, separators=(",", ":"))


def decode(text: object) -> dict[str, Any]:
    """Return a message with its kind; raise `Malformed` for anything else."""
    try:
        if not isinstance(text, str) or len(text) > LARGEST_BYTES:
            raise Malformed("no text")
        data = json.loads(text, parse_constant=_no_constant)
        if not isinstance(data, dict):
            raise Malformed("no object")
        return {**data, "kind": Kind(str(data.get("kind")))}
    except (ValueError, TypeError, RecursionError) as error:
        raise Malformed("no message of this link") from error


def _no_constant(word: str) -> float:
    raise Malformed(f"{word} is no number")
