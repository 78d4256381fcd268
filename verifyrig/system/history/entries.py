"""One thing that a system's log remembers, reduced to time, id and code."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypedDict


class LogEntryObject(TypedDict):
    """An entry as JSON holds it."""

    utc_s: float | None
    id: str
    code: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEntry:
    """One entry.

    Attributes:
        utc_s: When, s since 1970; None where the source gives no time.
        id: Where it comes from and what it is, such as `kernel-power-41`, `reset-reason`, `boot-end`.
        code: The figures that belong to it, such as `bugcheck=0 button=0` or `bit 0`; no text of the log.
    """

    utc_s: float | None
    id: str
    code: str = ""

    def as_json(self) -> LogEntryObject:
        """Return it as JSON can hold it."""
        return {"utc_s": self.utc_s, "id": self.id, "code": self.code}
