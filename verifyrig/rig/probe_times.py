"""When probes of a second computer were read, on the run's own time axis; the record says it, a bunch at a time.

A sample holds the newest reading that had come, which is as old as its instrument and the way make it. With the moment
of each reading beside it, probe and machine stand on one axis within the uncertainty of the two clocks.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import ChannelInfo, Reading
from verifyrig.link.probes import DRIVER
from verifyrig.rig.run_notes import RunNotes

_AT_ONCE = 50  # samples a bunch: few events, and not much is missing where the machine dies


class ProbeTimes:
    """Notes the moments of one run's readings from afar.

    Args:
        infos: Channels of the run; without one over the link nothing is noted.
    """

    def __init__(self, infos: Mapping[str, ChannelInfo], notes: RunNotes) -> None:
        self._notes = notes
        self._times: dict[str, list[tuple[float, float]]] = {
            channel: [] for channel, info in infos.items() if info.driver == DRIVER
        }

    def take(self, t_s: float, readings: Mapping[str, Reading]) -> None:
        """Take the readings of one sample."""
        for channel, times in self._times.items():
            reading = readings.get(channel)
            if reading is not None and reading.value is not None:
                times.append((round(t_s, 6), round(t_s - reading.age_s, 4)))
            if len(times) >= _AT_ONCE:
                self.write()

    def write(self) -> None:
        """Write what was not written yet; at the run's end, too."""
        for detail in self._bunches():
            self._notes.event(EventKind.PROBE_TIMES, **detail)

    def _bunches(self) -> Iterator[dict[str, Any]]:
        for channel, times in self._times.items():
            if times:
                yield {"channel": channel, "at_s": [at for at, _ in times], "read_s": [read for _, read in times]}
                times.clear()
