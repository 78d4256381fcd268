"""How far each reading can be believed, from its own past. Pure: no clock, no files.

What is judged here: impossible values and the codes that drivers and converters show in place of one,
leaps that no mass can make, age, and values that stand where they would have to move. A coarse reading
that stands while idle cannot be distinguished from a steady one, and stays `ok`.
"""

from __future__ import annotations

import math

from verifyrig.core.channels import base_name, number_of
from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading, Taken
from verifyrig.sensors.step_watch import StepWatch
from verifyrig.sensors.wavering import RefreshMeter, Turns


class Implausible(SensorError):
    """A value arrived that cannot be true."""


# What each kind of channel can be, in its unit; outside it is no reading. Common practice, no source, except:
# 8-bit chips end at -128 and 127 °C (hwmon documents), and ATX rails below these bounds run no machine.
_RANGES: dict[str, tuple[float, float]] = {
    "temperature": (-40.0, 126.0),
    "speed": (0.0, 30_000.0),
    "voltage": (0.0, 30.0),
    "power": (0.0, 3000.0),
    "clock": (1.0, 10_000.0),
    "share": (0.0, 1.05),
    "count": (0.0, math.inf),
}
_CHANNEL_RANGES: dict[str, tuple[float, float]] = {
    "ambient_temp_c": (-30.0, 70.0),
    "rail_12v_v": (8.0, 16.0),
    "rail_5v_v": (3.5, 6.5),
    "rail_3v3_v": (2.3, 4.3),
    "power_limit_w": (1.0, 4000.0),
}
_SENTINELS = {
    127.0: "127 °C is what an 8-bit chip shows for an input that is not connected",
    128.0: "128 °C is what an 8-bit chip shows for an input that is not connected",
    -128.0: "-128 °C is what an 8-bit chip shows for an input that is not connected",
    -127.0: "-127 °C is what a one-wire bus shows for a probe that does not answer",
    255.0: "255 is an empty register",
    -256.0: "-256 °C is what a zone without power shows",
    -273.15: "-273.15 °C is a value never set",
    65535.0: "65535 rpm is an empty register, as when the fan's power is off",
}
_POWER_ON_C = 85.0  # DS18B20 data sheet: the scratchpad's value at power-on
_NEAR_K = 3.0
# The dies move by tens of kelvin within a second; what has more mass does not.
_FAST = ("die_temp_c", "core_temp_c", "gpu_temp_c", "gpu_hotspot_temp_c", "gpu_memory_temp_c")
_LEAP_K = 15.0
_LEAP_K_PER_S = 5.0
_LEAP_CONFIRM_S = 3.0

# What must have moved so long after a power step of half share or more, s. Radiator and coolant are left out: that they
# stay is a finding. The die is moved by 0.1 K and more for each watt within ten seconds (trade figures: die to lid 0.07
# to 0.2 K/W, and no more than 200 J/K to be warmed below it), which is three of its steps from 30 W a kelvin on.
_STEP_WAIT_S = {"die_temp_c": 45.0, "core_temp_c": 45.0, "plate_temp_c": 45.0}
_SOON_S = {"die_temp_c": 10.0, "core_temp_c": 10.0, "plate_temp_c": 15.0}
_SOON_W_PER_K = 30.0
# The plate takes all heat of the die, later: through the worst of pastes three tenths of a kelvin within 15 s of 30 W.
_PLATE_STEP_K = 0.1
# A core, or a second die, may be left out by a load on a few cores; not where all of the processor is busy.
_ALL_BUSY_SHARE = 0.9


class ChannelJudge:
    """Follows one channel from reading to reading.

    Args:
        info: The channel; one without a role is judged by its quantity.
        stale_after_s: Age above which a reading is stale, s.
    """

    __slots__ = (
        "_changed_s",
        "_counts_energy",
        "_fast",
        "_high",
        "_info",
        "_is_power",
        "_is_temp",
        "_last",
        "_last_s",
        "_leap_level",
        "_leap_since_s",
        "_low",
        "_memo",
        "_one_of_several",
        "_one_wire",
        "_quantity",
        "_refresh",
        "_soon_s",
        "_stale_after_s",
        "_step_k",
        "_step_wait_s",
        "_turns",
    )

    def __init__(self, info: ChannelInfo, *, stale_after_s: float) -> None:
        base = base_name(info.channel) if info.channel is not None else ""
        self._info = info
        self._quantity = info.quantity
        self._low, self._high = _CHANNEL_RANGES.get(base) or _RANGES.get(info.quantity, (-math.inf, math.inf))
        self._is_temp = info.quantity == "temperature"
        self._is_power = base == "package_power_w"
        self._counts_energy = self._is_power or info.device.endswith(":energy_uj")
        self._fast = base in _FAST
        self._one_wire = info.driver.startswith("w1_")
        is_one_of_several = base == "core_temp_c" or (info.channel is not None and number_of(info.channel) > 1)
        self._one_of_several = is_one_of_several
        self._step_wait_s = None if is_one_of_several and base != "core_temp_c" else _STEP_WAIT_S.get(base)
        self._soon_s = _SOON_S.get(base)
        self._step_k = info.resolution or 1.0
        if base == "plate_temp_c" and self._step_k > _PLATE_STEP_K:
            self._soon_s = None
        self._stale_after_s = stale_after_s
        self._last: float | None = None
        self._last_s = 0.0
        self._changed_s = 0.0
        self._leap_since_s: float | None = None
        self._leap_level = 0.0
        self._turns = Turns() if info.quantity in ("temperature", "power") else None
        self._refresh = RefreshMeter()
        self._memo = Reading(value=None, quality=Quality.MISSING)

    @property
    def refresh_s(self) -> float | None:
        """Measured interval between fresh values, s; None until enough changes were seen."""
        return self._refresh.interval_s()

    def judge(self, t_s: float, taken: Taken | SensorError, step: StepWatch) -> Reading:
        """Return the reading with its quality.

        Args:
            t_s: Time of the sample, s, never falling.
            taken: What the sensor gave.
            step: How long a power step has stood.
        """
        if isinstance(taken, SensorError):
            return _not_given(taken)
        value, age_s = taken
        if not self._low <= value <= self._high:
            return self._outside(value, age_s)
        doubt = self._doubt(t_s, value) if self._is_temp else ""
        if doubt:
            return Reading(value=value, quality=Quality.IMPLAUSIBLE, age_s=age_s, note=doubt)
        self._follow(t_s, value)
        if age_s > self._stale_after_s:
            return Reading(value=value, quality=Quality.STALE, age_s=age_s, note=f"the value is {age_s:.1f} s old")
        stuck = self._stuck(t_s, value, step)
        if stuck:
            return Reading(value=value, quality=Quality.STUCK, age_s=age_s, note=stuck)
        if value != self._memo.value or age_s != self._memo.age_s:
            self._memo = Reading(value=value, age_s=age_s)
        return self._memo

    def judge_again(self, taken: Taken | SensorError) -> Reading:
        """Judge a second reading of the same tick by value and age alone: it is no new point in time."""
        if isinstance(taken, SensorError):
            return _not_given(taken)
        value, age_s = taken
        if not self._low <= value <= self._high:
            return self._outside(value, age_s)
        quality = Quality.STALE if age_s > self._stale_after_s else Quality.OK
        return Reading(value=value, quality=quality, age_s=age_s)

    def _outside(self, value: float, age_s: float) -> Reading:
        if not math.isfinite(value):
            return Reading(value=None, quality=Quality.IMPLAUSIBLE, age_s=age_s, note="it is no number")
        note = _SENTINELS.get(value) or self._range_note(value)
        return Reading(value=value, quality=Quality.IMPLAUSIBLE, age_s=age_s, note=note)

    def _range_note(self, value: float) -> str:
        if self._quantity == "power" and value > self._high and (self._info.channel or "").startswith("power_limit"):
            return "no limit is set: the register holds its largest value"
        if self._quantity == "voltage":
            return f"{value:.2f} V cannot be this rail; the board's divider may not be known to the driver"
        return f"outside of what such a reading can be ({self._low:g} to {self._high:g})"

    def _doubt(self, t_s: float, value: float) -> str:
        """Return why a temperature within the range is not believed, empty where it is."""
        last = self._last
        if value == 0.0 and (last is None or abs(last) > _NEAR_K):
            return "exactly 0 °C, as drivers show where nothing was measured"
        if self._one_wire and value == _POWER_ON_C and (last is None or abs(last - value) > _NEAR_K):
            return "exactly 85 °C, what a one-wire probe shows before its first conversion"
        if self._fast or last is None:
            return ""
        return self._leap(t_s, value, last)

    def _leap(self, t_s: float, value: float, last: float) -> str:
        allowed_k = _LEAP_K + _LEAP_K_PER_S * (t_s - self._last_s)
        if abs(value - last) <= allowed_k:
            self._leap_since_s = None
            return ""
        if self._leap_since_s is None or abs(value - self._leap_level) > _LEAP_K:
            self._leap_since_s = t_s
        self._leap_level = value
        if t_s - self._leap_since_s >= _LEAP_CONFIRM_S:
            self._leap_since_s = None
            return ""
        return f"it leapt from {last:.1f} °C, faster than anything with mass can"

    def _follow(self, t_s: float, value: float) -> None:
        if self._last is None:
            self._changed_s = t_s
        elif value != self._last:
            gap_s = t_s - self._changed_s
            self._refresh.changed(gap_s)
            if self._turns is not None:
                self._turns.changed(value - self._last, gap_s)
            self._changed_s = t_s
        self._last, self._last_s = value, t_s

    def _stuck(self, t_s: float, value: float, step: StepWatch) -> str:
        if self._counts_energy and value == 0.0:
            return "the energy counter stands still: this part is not counted here, or has no power at all"
        quiet_s = t_s - self._changed_s
        wait_s = self._wait_s(step)
        if wait_s is not None:
            # A change in the very sample that first saw the step is an answer: the step came before that sample.
            if wait_s <= step.loaded_s < quiet_s:
                return f"it has not moved in {step.loaded_s:.0f} s of load"
            if wait_s <= step.idle_s < quiet_s:
                return f"it has not moved in the {step.idle_s:.0f} s since the load ended"
        if self._turns is not None and self._turns.is_silent(quiet_s):
            return f"it used to waver and has stood for {quiet_s:.0f} s"
        return ""

    def _wait_s(self, step: StepWatch) -> float | None:
        """Return within which time a step of the load must show here, s; None where it need not."""
        if self._soon_s is None:
            return self._step_wait_s
        all_busy = step.busy_share is not None and step.busy_share >= _ALL_BUSY_SHARE
        strong = step.step_w is None or step.step_w >= _SOON_W_PER_K * self._step_k
        reached = all_busy or not self._one_of_several
        return self._soon_s if strong and reached else self._step_wait_s


def _not_given(error: SensorError) -> Reading:
    quality = Quality.IMPLAUSIBLE if isinstance(error, Implausible) else Quality.MISSING
    return Reading(value=None, quality=quality, note=f"{error.what}. {error.mend}")
