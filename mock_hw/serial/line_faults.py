"""How the line of a simulated thermometer goes wrong, seeded: what is sent instead of a plain message."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

_FLOOD_MESSAGES = 4000
_ENDLESS_BYTES = 64 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Sending:
    """What happens at one due time: bytes to write, each item in one write; or the line drops for a while."""

    writes: tuple[bytes, ...] = ()
    drops_for_s: float = 0.0


def _silence(_message: bytes, _rng: random.Random) -> Sending:
    return Sending()


def _garbage(_message: bytes, rng: random.Random) -> Sending:
    return Sending(writes=(rng.randbytes(rng.randint(1, 40)),))


def _cut(message: bytes, rng: random.Random) -> Sending:
    """The end of the line is lost, its newline too, so the next message follows on the same line."""
    return Sending(writes=(message[: rng.randint(1, len(message) - 1)],))


def _nul(message: bytes, rng: random.Random) -> Sending:
    place = rng.randint(0, len(message) - 1)
    return Sending(writes=(message[:place] + b"\0" * rng.randint(1, 4) + message[place:],))


def _zero(message: bytes, _rng: random.Random) -> Sending:
    name = message.split(b"=")[0]
    return Sending(writes=(name + b"=0.00 C\n",))


def _disconnect(_message: bytes, rng: random.Random) -> Sending:
    return Sending(drops_for_s=rng.uniform(0.5, 2.0))


def _two_in_one(message: bytes, _rng: random.Random) -> Sending:
    return Sending(writes=(message * 2,))


def _split(message: bytes, rng: random.Random) -> Sending:
    place = rng.randint(1, len(message) - 1)
    return Sending(writes=(message[:place], message[place:]))


def _flood(message: bytes, _rng: random.Random) -> Sending:
    return Sending(writes=(message * _FLOOD_MESSAGES,))


def _endless(_message: bytes, _rng: random.Random) -> Sending:
    return Sending(writes=(b"8" * _ENDLESS_BYTES,))


FAULTS: dict[str, Callable[[bytes, random.Random], Sending]] = {
    "silence": _silence,
    "garbage": _garbage,
    "cut-lines": _cut,
    "nul-bytes": _nul,
    "zero": _zero,
    "disconnect": _disconnect,
    "two-in-one": _two_in_one,
    "split": _split,
    "flood": _flood,
    "endless-line": _endless,
}
"""Each way of going wrong, by name."""


class FaultPlan:
    """Decides for each message whether and how it goes wrong.

    Args:
        names: Keys of `FAULTS`; none means a sound line.
        share: How many messages are hit, 0 to 1.
        seed: The same seed gives the same course.

    Raises:
        ValueError: No such fault, or a share outside 0 to 1.
    """

    def __init__(self, names: tuple[str, ...] = (), *, share: float = 0.2, seed: int = 0) -> None:
        for name in names:
            if name not in FAULTS:
                raise ValueError(f"no line fault {name!r}; there are: {', '.join(FAULTS)}")
        if not 0 <= share <= 1:
            raise ValueError(f"the share of faults is {share}, and must lie between 0 and 1")
        self._names = names
        self._share = share
        self._random = random.Random(f"{seed}/line")

    def send(self, message: bytes) -> Sending:
        """Return what is sent for a message."""
        if not self._names or self._random.random() >= self._share:
            return Sending(writes=(message,))
        return FAULTS[self._random.choice(self._names)](message, self._random)
