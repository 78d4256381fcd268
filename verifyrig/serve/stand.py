"""The probes on the bench computer, lent to one run at a time: a probe lies on one machine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.link.probes import OfferedProbe
from verifyrig.sensors.corrections import corrected
from verifyrig.sensors.instruments import InstrumentSensor, open_instruments


class ProbeStand:
    """The instruments of the bench computer's bench.toml as probes to lend."""

    def __init__(self, config: Mapping[str, Any]) -> None:
        self._sensors: dict[str, InstrumentSensor] = {}
        for sensor in open_instruments(config, strict=False):
            channel = sensor.info.channel
            if channel is not None:
                table = config.get("channel", {}).get(channel, {})
                sensor.info = corrected(sensor.info, table, date.today())
                self._sensors[channel] = sensor
        self._lent: dict[str, tuple[str, str]] = {}  # by channel: to which run, and over which of its connections

    def offered(self) -> list[OfferedProbe]:
        """Return what can be lent, for the link."""
        return [_described(channel, sensor.info) for channel, sensor in self._sensors.items()]

    def lend(self, wanted: Sequence[str], borrower: str, session: str) -> str:
        """Lend probes to a run's newest connection; return why that cannot be, empty where it can."""
        for channel in wanted:
            if channel not in self._sensors:
                return f"there is no probe {channel} on the bench computer"
            if self._lent.get(channel, (borrower, session))[0] != borrower:
                return f"the probe {channel} is lent to another run"
        self._lent.update(dict.fromkeys(wanted, (borrower, session)))
        return ""

    def give_back(self, session: str) -> None:
        """Take back what is lent over a connection."""
        self._lent = {channel: lent for channel, lent in self._lent.items() if lent[1] != session}

    def read(self, channel: str) -> Taken | None:
        """Return the newest value as the instrument gives it, with its age; None where there is none to be believed."""
        try:
            return self._sensors[channel].read()
        except SensorError:
            return None

    def close(self) -> None:
        """Release the ports."""
        for sensor in self._sensors.values():
            sensor.close()


def _described(channel: str, info: ChannelInfo) -> OfferedProbe:
    return {
        "channel": channel,
        "label": info.label,
        "resolution": info.resolution,
        "expanded_uncertainty": info.expanded_uncertainty,
        "correction": info.correction,
        "correction_slope": info.correction_slope,
        "correction_at": info.correction_at,
    }
