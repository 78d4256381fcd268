"""Short codes for pairing: one at a time, few tries, a few minutes; then somebody must show a new one."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass

TRIES = 3
LASTS_S = 300.0
_DIGITS = 6  # three tries of a million


@dataclass(slots=True)
class _Code:
    digits: str
    made_s: float
    tries_left: int


class Codes:
    """The code that is shown now, if any.

    Attributes:
        wrong: How often a wrong code was tried, all in all.
    """

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._code: _Code | None = None
        self.wrong = 0

    def new(self) -> str:
        """Return a new code, digits; the one before it is void."""
        digits = "".join(secrets.choice("0123456789") for _ in range(_DIGITS))
        self._code = _Code(digits, self._now_s(), TRIES)
        return digits

    def take_try(self) -> str | None:
        """Return the code for one try and count it, whatever comes of it; None where there is none to try."""
        code = self._code
        if code is None or self._now_s() - code.made_s > LASTS_S:
            self._code = None
            return None
        code.tries_left -= 1
        if code.tries_left <= 0:
            self._code = None
        return code.digits

    def used(self) -> None:
        """The code did its work: it is void."""
        self._code = None


def spoken(digits: str) -> str:
    """Return a code as it is read out: 482 137."""
    return f"{digits[:3]} {digits[3:]}"
