"""Fans that follow their curve with a lag, and the speeds that tachometers show."""

from __future__ import annotations

import math

from mock_hw.physics.network import FAN_LEVELS
from mock_hw.physics.parts import Fans

_CASE_FAN_GENTLER = 0.8  # the chassis fan's duty over the cooler fan's


class FanRegulator:
    """The controller averages the die's temperature, sets the duty, and the fans spin up behind it.

    Attributes:
        duty_share: What the cooler's fan is commanded, 0 to 1.
        case_duty_share: What the chassis fan is commanded.
    """

    def __init__(self, fans: Fans) -> None:
        self._fans = fans
        self.duty_share = self.case_duty_share = fans.low_share
        self.settle(25.0)

    def settle(self, die_c: float) -> None:
        """Put duty and speed where they settle for a die temperature."""
        self._seen_c = die_c
        self._set_duty()
        self._speed_share = self.duty_share

    def stop(self) -> None:
        """Power is off: nothing turns."""
        self.duty_share = self.case_duty_share = self._speed_share = 0.0

    def _set_duty(self) -> None:
        self.duty_share = self._fans.duty_share(self._seen_c)
        self.case_duty_share = _CASE_FAN_GENTLER * self.duty_share

    def advance(self, die_c: float, dt_s: float) -> None:
        """Move on by `dt_s` with the die at a temperature."""
        self._seen_c += (die_c - self._seen_c) * (1 - math.exp(-dt_s / self._fans.control_time_s))
        self._set_duty()
        lag = 1 - math.exp(-dt_s / self._fans.spin_time_s)
        self._speed_share += (self.duty_share - self._speed_share) * lag

    @property
    def levels(self) -> tuple[int, int]:
        """Air speed at cooler and case in the network's steps: (cooler fan, case fan)."""
        level = round(self._speed_share * FAN_LEVELS)
        return (0 if self._fans.cpu_fan_stopped else level), level

    @property
    def cpu_fan_rpm(self) -> float:
        """True speed of the fan on the cooler, rpm."""
        return 0.0 if self._fans.cpu_fan_stopped else self._speed_share * self._fans.cpu_max_rpm

    @property
    def case_fan_rpm(self) -> float:
        """True speed of the chassis fan, rpm."""
        return _CASE_FAN_GENTLER * self._speed_share * self._fans.case_max_rpm
