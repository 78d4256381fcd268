"""What readings say of one another: colder than the room, plate hotter than the die, cores above their package."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from verifyrig.core.ambient import AMBIENT_CHANNEL, AMBIENT_CHANNELS, ambient_channel
from verifyrig.core.channels import THERMAL_PATH, base_name, is_temperature
from verifyrig.core.heat_sources import of_same_chip
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading

# A contradiction has to last, so that the lag of one sensor behind another is none.
_LASTS_S = 10.0
# Nothing that makes heat is colder than the room; die sensors are poor at the cold end (coretemp document:
# the register counts down from the limit), the others are good to a few kelvin.
_DIE_MARGIN_K = 8.0
_MARGIN_K = 5.0
_PLATE_OVER_DIE_K = 3.0
_CORE_OVER_DIE_K = 8.0
_DIE_OVER_CORE_K = 25.0
_LOADED_SHARE = 0.5
_ONE_BELOW = "it reads below the room ({ambient_c:.1f} °C), or the room's probe is warm"
_SEVERAL_BELOW = "several sensors read below it: the probe is warm, or the machine came in from the cold"

COLD_START_WITHIN_K = 3.0
# So long after power-on the cold start still shows; by then a die has warmed itself by its power while idle.
_JUST_ON_S = 120.0
_SELF_HEATED = ("die_temp_c", "core_temp_c", "plate_temp_c")
_SELF_HEATING_K = 15.0
# Drives, memory and regulators warm themselves within the first minute; what lies on the thermal path does not.
_COLD_BASES = ("core_temp_c", *(base for _, bases in THERMAL_PATH for base in bases))


def _device(info: ChannelInfo) -> str:
    return info.device.rpartition(":")[0]


@dataclass(slots=True)
class CrossCheck:
    """Follows contradictions between channels of one machine."""

    infos: Mapping[str, ChannelInfo]
    _since_s: dict[str, float] = field(default_factory=dict)
    _loaded_since_s: float | None = None
    _warm: tuple[str, ...] = ()
    _cores: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        temps = [channel for channel in self.infos if is_temperature(channel)]
        self._warm = tuple(channel for channel in temps if base_name(channel) not in AMBIENT_CHANNELS)
        devices = {channel: info.device for channel, info in self.infos.items()}
        self._cores = of_same_chip("die_temp_c", "core_temp_c", devices)

    def apply(self, t_s: float, readings: dict[str, Reading], load_share: float) -> None:
        """Mark in `readings` what a lasting contradiction makes implausible."""
        if load_share < _LOADED_SHARE:
            self._loaded_since_s = None
        elif self._loaded_since_s is None:
            self._loaded_since_s = t_s
        for channel, note in (
            *self._below_ambient(t_s, readings),
            *self._plate_above_die(t_s, readings),
            *self._core_against_package(t_s, readings),
        ):
            reading = readings[channel]
            if reading.ok:
                readings[channel] = Reading(
                    value=reading.value, quality=Quality.IMPLAUSIBLE, age_s=reading.age_s, note=note
                )

    def _lasts(self, name: str, holds: bool, t_s: float) -> bool:
        if not holds:
            self._since_s.pop(name, None)
            return False
        return t_s - self._since_s.setdefault(name, t_s) >= _LASTS_S

    def _below_ambient(self, t_s: float, readings: Mapping[str, Reading]) -> Iterable[tuple[str, str]]:
        ambient = _value(readings, "ambient_temp_c")
        if ambient is None:
            return
        below = []
        for channel in self._warm:
            value = _value(readings, channel)
            if value is not None and self._lasts(channel, value < ambient - _margin_k(channel), t_s):
                below.append(channel)
        if not below:
            return
        if len({_device(self.infos[channel]) for channel in below}) > 1:
            yield "ambient_temp_c", _SEVERAL_BELOW
        else:
            yield from ((channel, _ONE_BELOW.format(ambient_c=ambient)) for channel in below)

    def _plate_above_die(self, t_s: float, readings: Mapping[str, Reading]) -> Iterable[tuple[str, str]]:
        die, plate = _value(readings, "die_temp_c"), _value(readings, "plate_temp_c")
        if die is None or plate is None:
            return
        loaded = self._loaded_since_s is not None and t_s - self._loaded_since_s >= _LASTS_S
        if self._lasts("plate>die", loaded and plate > die + _PLATE_OVER_DIE_K, t_s):
            note = f"under load the plate ({plate:.1f} °C) cannot be hotter than the die ({die:.1f} °C): one is wrong"
            yield from (("die_temp_c", note), ("plate_temp_c", note))

    def _core_against_package(self, t_s: float, readings: Mapping[str, Reading]) -> Iterable[tuple[str, str]]:
        die = _value(readings, "die_temp_c")
        cores = [value for channel in self._cores if (value := _value(readings, channel)) is not None]
        if die is None or not cores:
            return
        hottest = max(cores)
        apart = not hottest - _CORE_OVER_DIE_K <= die <= hottest + _DIE_OVER_CORE_K
        if self._lasts("core|die", apart, t_s):
            yield ("die_temp_c", f"it does not agree with its hottest core ({hottest:.1f} °C)")


def below_ambient(seen: Sequence[tuple[ChannelInfo, Reading]]) -> dict[int, str]:
    """Return which temperatures of one look cannot be, for they lie below the room, by position, with the reason.

    Sensors without a role count too. Where those of several devices lie below it, it is the room's probe that is in
    doubt, or a machine that came in from the cold.
    """
    ambients = [reading.value for info, reading in seen if info.channel == AMBIENT_CHANNEL and reading.ok]
    ambient_c = next((value for value in ambients if value is not None), None)
    if ambient_c is None:
        return {}
    below = [
        at
        for at, (info, reading) in enumerate(seen)
        if info.quantity == "temperature"
        and base_name(info.channel or "") not in AMBIENT_CHANNELS
        and reading.ok
        and reading.value is not None
        and reading.value < ambient_c - _margin_k(info.channel or "")
    ]
    if len({_device(seen[at][0]) for at in below}) > 1:
        return {at: _SEVERAL_BELOW for at, (info, _) in enumerate(seen) if info.channel == AMBIENT_CHANNEL}
    return dict.fromkeys(below, _ONE_BELOW.format(ambient_c=ambient_c))


def _value(readings: Mapping[str, Reading], channel: str) -> float | None:
    reading = readings.get(channel)
    return reading.value if reading is not None and reading.quality is Quality.OK else None


def _margin_k(channel: str) -> float:
    return _DIE_MARGIN_K if base_name(channel) in ("die_temp_c", "core_temp_c") else _MARGIN_K


def cold_start_disagreement(
    readings: Mapping[str, Reading], ambient_c: float, *, within_k: float = COLD_START_WITHIN_K
) -> dict[str, float]:
    """Return the channels that are not at the room's temperature at the moment of power-on after standing, with K.

    Args:
        readings: The first readings after a night without power.
        room_c: Room temperature, °C.
        within_k: How far apart is still agreement, K.
    """
    differences = {
        channel: reading.value - ambient_c
        for channel, reading in readings.items()
        if base_name(channel) in _COLD_BASES and reading.ok and reading.value is not None
    }
    return {channel: difference for channel, difference in differences.items() if abs(difference) > within_k}


def cold_start_notes(readings: Mapping[str, Reading], uptime_s: float | None) -> dict[str, str]:
    """Return what a machine that has just been switched on says of its sensors, if it stood before; by channel.

    Args:
        readings: What it shows now.
        uptime_s: Time since it was switched on, s; None where not known.
    """
    channel = ambient_channel(lambda name: _value(readings, name) is not None)
    ambient = _value(readings, channel) if channel is not None else None
    if ambient is None or uptime_s is None or uptime_s > _JUST_ON_S:
        return {}
    off = cold_start_disagreement(readings, ambient)
    return {
        channel: f"if the machine stood without power for hours, this is off: {difference_k:+.0f} K from the room"
        for channel, difference_k in off.items()
        if base_name(channel) not in _SELF_HEATED or not 0 < difference_k < _SELF_HEATING_K
    }
