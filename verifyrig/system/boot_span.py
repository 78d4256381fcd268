"""One boot of a system, from its first to its last log entry."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class BootSpan:
    """One boot as the system's log remembers it.

    Attributes:
        boot_id: The kernel's id, without hyphens.
        first_utc_s, last_utc_s: First and last entry of the log in that boot.
        orderly: Whether it ends in an orderly shut-down; None where that cannot be determined.
        asleep: Whether it ends on the way into sleep.
    """

    boot_id: str
    first_utc_s: float
    last_utc_s: float
    orderly: bool | None = None
    asleep: bool = False
