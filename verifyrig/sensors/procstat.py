"""Busy share of all processors from differences of `proc/stat` (manual page proc_stat(5))."""

from __future__ import annotations

from pathlib import Path

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.sensors.files import HeldFile, why_not

_IDLE = (3, 4)  # idle, iowait
_TIMES = 8  # user to steal; guest times are already counted in user


def busy_share(before: tuple[int, ...], after: tuple[int, ...]) -> float | None:
    """Return the share of time not idle between two lines of counts, 0 to 1; None where no tick went by."""
    steps = [max(0, b - a) for a, b in zip(before, after, strict=True)]
    total = sum(steps)
    return 1.0 - sum(steps[i] for i in _IDLE) / total if total > 0 else None


def parse_times(text: bytes) -> tuple[int, ...]:
    """Return the times of the line for all processors, in ticks; raise `ValueError` where it is another line."""
    words = text.split(b"\n", 1)[0].split()
    if not words or words[0] != b"cpu" or len(words) <= _IDLE[-1] + 1:
        raise ValueError("no line for all processors")
    return tuple(int(word) for word in words[1 : 1 + _TIMES])


class BusyShare:
    """Share of processor time in use since the reading before."""

    __slots__ = ("_before", "_file", "_last", "info")

    def __init__(self, info: ChannelInfo, file: HeldFile) -> None:
        self.info = info
        self._file = file
        self._last: float | None = None
        self._before = self._times()

    def _times(self) -> tuple[int, ...]:
        try:
            return parse_times(self._file.read())
        except OSError as error:
            what, mend = why_not(error)
            raise SensorError(what, where=self.info.source, mend=mend) from error
        except ValueError as error:
            raise SensorError(
                f"it cannot be understood ({error})", where=self.info.source, mend="Check /proc."
            ) from error

    def read(self) -> Taken:
        """Return the share since the last reading; the same again where no tick went by."""
        now = self._times()
        if len(now) == len(self._before):
            share = busy_share(self._before, now)
            self._last = share if share is not None else self._last
        self._before = now
        if self._last is None:
            raise SensorError("a share needs two readings", where=self.info.source, mend="The next sample has one.")
        return Taken(self._last)

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def find(root: Path) -> list[BusyShare]:
    """Return the busy share, or nothing where there is no `proc/stat`."""
    info = ChannelInfo(
        channel=None,
        label="all processors",
        device="procstat:proc:busy",
        source="proc/stat",
        quantity="share",
        unit="1",
        driver="procstat",
    )
    try:
        return [BusyShare(info, HeldFile(root / "proc/stat", size=512))]
    except SensorError:
        return []
