"""A load that holds a power or a temperature: which reading steers it, and whether its target is out of reach."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal

from verifyrig.core.channels import is_temperature
from verifyrig.core.heat_sources import highest_of
from verifyrig.core.interfaces import Reading
from verifyrig.core.profile import Hold
from verifyrig.core.reason import Reason

if TYPE_CHECKING:
    from verifyrig.loads.hold import HoldController

_CHANNELS = (
    ("power_w", "package_power_w"),
    ("die_temp_c", "die_temp_c"),
    ("gpu_power_w", "gpu_power_w"),
    ("gpu_temp_c", "gpu_temp_c"),
)


class Holding:
    """Steers a share to the target of a hold."""

    def __init__(self, hold: Hold, share: float) -> None:
        """Take the target, and the share to begin with."""
        key, self._channel = next((key, channel) for key, channel in _CHANNELS if getattr(hold, key) is not None)
        self._controller = _controller(self._channel, getattr(hold, key), share)
        self._limited: Reason | None = None

    @property
    def share(self) -> float:
        """The share that is wanted now."""
        return self._controller.share

    def update(self, t_s: float, readings: Mapping[str, Reading]) -> float:
        """Take one sample; return the share that is wanted from now."""
        return self._controller.update(t_s, self._held_value(readings))

    def newly_limited(self) -> Reason | None:
        """Return why the target is out of reach, once for each reason; None otherwise."""
        limited = self._controller.limited
        if limited == self._limited:
            return None
        self._limited = limited
        return limited

    def _held_value(self, readings: Mapping[str, Reading]) -> float | None:
        """Return what steers: of several dies or cards the hottest, so that none goes above the target."""
        if is_temperature(self._channel):
            return highest_of(self._channel, readings)
        reading = readings.get(self._channel)
        return reading.value if reading is not None and reading.ok else None


def _controller(channel: str, target: float, share: float) -> HoldController:
    from verifyrig.loads.hold import HoldController

    kind: Literal["power", "temperature"] = "power" if channel.endswith("_w") else "temperature"
    return HoldController(target, kind=kind, initial_share=share)
