"""How a run and each of its stages ended, and why it was interrupted: the words that records and the JSON hold."""

from __future__ import annotations

from enum import StrEnum


class Outcome(StrEnum):
    """How a run ended."""

    RUNNING = "running"
    COMPLETED = "completed"
    TRIPPED = "tripped"  # a trip limit was crossed
    STOPPED = "stopped"  # for safety: a gate, a load that is refused or lost, a full disk, nobody present
    INTERRUPTED = "interrupted"  # all else that ends early; a `CauseClass` says what


class CauseClass(StrEnum):
    """What interrupted a run."""

    OPERATOR = "operator"
    TERMINATED = "terminated"
    KILLED = "killed"
    POWER_OFF = "power-off"
    HANG = "hang"
    SUSPEND = "suspend"
    LOAD_FAILED = "load-failed"  # a load did not come up: nothing was unsafe, and nothing was measured under it
    UNKNOWN = "unknown"


class StageEnd(StrEnum):
    """How a stage ended."""

    SETTLED = "settled"  # its settled value was known well enough
    TIME = "time"
    GATE = "gate"
    TRIPPED = "tripped"
    SKIPPED = "skipped"  # it never began, or its load did not come up
    STOPPED = "stopped"
    INTERRUPTED = "interrupted"
