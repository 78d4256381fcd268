"""The errors that a person at the bench can mend: what, where, how.

One type for each remedy. `ValueError` is left for mistakes of a programmer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from enum import IntEnum
from pathlib import Path

from verifyrig.core.contract import ErrorObject
from verifyrig.core.plain_text import plain_line, plain_lines


class ExitCode(IntEnum):
    """Exit codes of every command; where several apply, the first in the order of `PRECEDENCE` wins."""

    DONE = 0
    FAILED = 1
    BAD_INPUT = 2
    TRIPPED = 3
    NOT_PROVEN = 4
    OWN_FAULT = 5
    ENDED = 130


PRECEDENCE = (
    ExitCode.OWN_FAULT,
    ExitCode.BAD_INPUT,
    ExitCode.ENDED,
    ExitCode.TRIPPED,
    ExitCode.FAILED,
    ExitCode.NOT_PROVEN,
    ExitCode.DONE,
)


def first_code(*codes: ExitCode) -> ExitCode:
    """Return the code that takes precedence; `DONE` for none."""
    return next((code for code in PRECEDENCE if code in codes), ExitCode.DONE)


class RigError(Exception):
    """Base of every error that the person at the bench can mend.

    Attributes:
        what: What is wrong, one clause without a final full stop.
        where: The file, key, port, channel or command-line word that it concerns.
        mend: One sentence that says how to mend it; where several things are wrong, lines.

    Where and what often quote text from outside: as a sentence the error is harmless, the attributes are as given.
    """

    exit_code = ExitCode.BAD_INPUT

    def __init__(self, what: str, *, where: str, mend: str | Sequence[str]) -> None:
        steps = [mend] if isinstance(mend, str) else mend
        super().__init__(plain_lines([f"{plain_line(where)}: {plain_line(what)}. {steps[0]}", *steps[1:]]))
        self.what = what
        self.where = where
        self.mend = "\n".join(steps)

    def as_json(self) -> ErrorObject:
        """Return the `error` object of the contract."""
        return {"what": self.what, "where": self.where, "mend": self.mend}


class UsageError(RigError):
    """A word on the command line does not fit."""


class ProfileError(RigError):
    """A profile cannot be used as it is written."""


class BenchError(RigError):
    """`bench.toml` or the bench folder cannot be used as it is."""


class JobError(RigError):
    """A job cannot be found, read or changed as asked."""


class NotReleasable(JobError):
    """The machine may not leave as fit for use."""

    exit_code = ExitCode.NOT_PROVEN


class RecordError(RigError):
    """A record cannot be found, opened or written.

    Attributes:
        cause: What the disk or SQLite said of it, else `what`.
    """

    def __init__(self, what: str, *, where: str, mend: str, cause: str = "") -> None:
        super().__init__(what, where=where, mend=mend)
        self.cause = cause or what


class FaultWithRecord(RecordError):
    """A fault of this program that shows with one record; the others are none the worse for it."""

    exit_code = ExitCode.OWN_FAULT


@contextmanager
def kept_to(record: Path | str) -> Iterator[None]:
    """Keep a fault of this program to the one record with which it shows: it is raised as `FaultWithRecord`."""
    try:
        yield
    except RigError:
        raise
    except Exception as error:
        raise FaultWithRecord(
            f"no figures can be computed from it, by a fault of this program ({type(error).__name__}: {error})",
            where=str(record),
            mend="Send the record to the makers; the other records are none the worse for it.",
        ) from error


class ImportFault(RigError):
    """A file to import does not hold what the command line says."""


class SensorError(RigError):
    """A sensor gives no reading now; the run goes on without it."""


class NoTemperature(SensorError):
    """No temperature guards what would be heated: it can be measured from outside, with a probe."""


class SerialError(SensorError):
    """A serial instrument is silent, gone, or taken by another program."""


class FrameError(SensorError):
    """A serial instrument answers, but what it sends is garbled or its checksum is wrong."""


class LoadError(RigError):
    """A load cannot be started as asked."""


class SafetyRefusal(RigError):
    """The load is refused: a question about the physical world is unanswered, or a rule forbids it."""

    exit_code = ExitCode.TRIPPED
