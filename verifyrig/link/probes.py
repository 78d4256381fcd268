"""Probes of the bench computer as sensors of a run: their last value and how old it is, the way included."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypedDict

from verifyrig.core.channels import is_channel, quantity_of, unit_of
from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.record.shape import is_number
from verifyrig.sensors.ages import boot_time_s

DRIVER = "over-link"


class ProbeValues:
    """The newest values that came over the link; written by one thread, read by others."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._values: dict[str, tuple[float, float]] = {}

    def take(self, values: Mapping[str, Any], age_s: float) -> None:
        """Keep values that were so old when they came."""
        taken_s = boot_time_s() - age_s
        with self._lock:
            for channel, value in values.items():
                before = self._values.get(channel)
                # What was on its way while the link hung must not look like news.
                if is_number(value) and (before is None or taken_s >= before[1]):
                    self._values[channel] = (float(value), taken_s)

    def newest(self, channel: str) -> Taken | None:
        """Return the newest value and its age, None where none came yet."""
        with self._lock:
            found = self._values.get(channel)
        return None if found is None else Taken(found[0], max(0.0, boot_time_s() - found[1]))


class LinkSensor:
    """One probe of the bench computer; it grows old while the link is silent, and the stale rule does the rest."""

    def __init__(self, info: ChannelInfo, newest: Callable[[], Taken | None]) -> None:
        self.info = info
        self._newest = newest

    def read(self) -> Taken:
        """Return the newest value and its age; raise `SensorError` where none came yet."""
        taken = self._newest()
        if taken is None:
            raise SensorError(
                "nothing came over the link yet",
                where=self.info.label or str(self.info.channel),
                mend="Check the probe on the bench computer, and the cable between.",
            )
        return taken

    def close(self) -> None:
        """Nothing to close: the link is the run's."""


class OfferedProbe(TypedDict):
    """A probe as the bench computer offers it; the quantities in the channel's unit, None where they are unknown."""

    channel: str
    label: str
    resolution: float | None
    expanded_uncertainty: float | None
    correction: float
    correction_slope: float
    correction_at: float


def link_sensors(
    offered: Sequence[Mapping[str, object]], granted: list[str], name: str, values: ProbeValues
) -> list[LinkSensor]:
    """Return the granted probes as sensors; what the bench computer says of them is text from outside."""
    sensors = []
    for one in offered:
        channel = one.get("channel")
        if channel not in granted or not isinstance(channel, str) or not is_channel(channel):
            continue
        info = ChannelInfo(
            channel=channel,
            label=str(one.get("label", channel))[:80],
            device=f"{DRIVER}:{channel}",
            source=f"bench computer {name}",
            quantity=quantity_of(channel),
            unit=unit_of(channel),
            driver=DRIVER,
            expanded_uncertainty=_number(one.get("expanded_uncertainty")),
            resolution=_number(one.get("resolution")),
            # The reading comes as the instrument gave it: an error code must not be corrected into a temperature.
            correction=_number(one.get("correction")) or 0.0,
            correction_slope=_number(one.get("correction_slope")) or 0.0,
            correction_at=_number(one.get("correction_at")) or 0.0,
        )
        sensors.append(LinkSensor(info, lambda channel=channel: values.newest(channel)))  # type: ignore[misc]
    return sensors


def _number(value: Any) -> float | None:
    return float(value) if is_number(value) else None
