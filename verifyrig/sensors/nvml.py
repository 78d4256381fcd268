"""Graphics cards through the vendor's management library (NVML, package nvidia-ml-py of the extra `gpu`).

What a card does not support is listed as missing with the reason, never as 0. A card is known by its PCI address and
UUID, not by its number. Source of fields, units and reasons: the NVML API reference (mW, °C, MHz, %; clocks event
reasons: software thermal 0x20, hardware thermal 0x40, software power cap 0x4, hardware power brake 0x80).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Quantity, Taken
from verifyrig.system.machine import is_live

# Bits of the clocks event reasons, by what limits the card.
HEAT_BITS = 0x20 | 0x40
POWER_BITS = 0x04
BRAKE_BITS = 0x80
# Field ids of nvmlDeviceGetFieldValues.
_MEMORY_TEMP_FIELD = 82


@dataclass(frozen=True, slots=True)
class _Field:
    """One quantity of a card: how it is labelled, what it is, and how it is read."""

    label: str
    quantity: Quantity
    unit: str
    read: Callable[[Any, Any], float]
    limit: Callable[[Any, Any], float | None] | None = None
    resolution: float | None = None


class NvmlSensor:
    """One quantity of one card."""

    __slots__ = ("_api", "_field", "_handle", "info")

    def __init__(self, api: Any, handle: Any, field: _Field, device: str, unreadable: str = "") -> None:
        self._api, self._handle, self._field = api, handle, field
        self.info = ChannelInfo(
            channel=None,
            label=field.label,
            device=f"{device}:{field.label.replace(' ', '-')}",
            source=f"NVML {device}",
            quantity=field.quantity,
            unit=field.unit,
            driver="nvml",
            limit=_quietly(field.limit, api, handle) if field.limit is not None else None,
            resolution=field.resolution,
            unreadable=unreadable,
        )

    def read(self) -> Taken:
        """Return the value now; raise `SensorError` where the card gives none."""
        try:
            return Taken(float(self._field.read(self._api, self._handle)))
        except self._api.NVMLError as error:
            raise SensorError(
                f"no {self._field.label} ({error})", where=self.info.source, mend="It is tried again on every sample."
            ) from error

    def close(self) -> None:
        """Nothing is held: the library stays open for the life of the process."""


def _memory_temp(api: Any, handle: Any) -> float:
    return _field_value(api, handle, _MEMORY_TEMP_FIELD)


def _power_w(api: Any, handle: Any) -> float:
    """Return the power, W: the driver's average over a second on newer cards.

    The instant reading was tried on a data-centre card: with a duty cycle of tens of milliseconds it swings between
    idle and full power, and says nothing of the mean.
    """
    return float(api.nvmlDeviceGetPowerUsage(handle)) / 1000


def _field_value(api: Any, handle: Any, field: int) -> float:
    (found,) = api.nvmlDeviceGetFieldValues(handle, [field])
    if found.nvmlReturn != 0:
        raise api.NVMLError(found.nvmlReturn)
    return float(found.value.uiVal)


def _slowdown_c(api: Any, handle: Any) -> float | None:
    """Return where the card slows itself, °C: given as such, or as a margin to the temperature now."""
    try:
        return float(api.nvmlDeviceGetTemperatureThreshold(handle, api.NVML_TEMPERATURE_THRESHOLD_SLOWDOWN))
    except api.NVMLError:
        margin = api.nvmlDeviceGetMarginTemperature(handle)
        return float(api.nvmlDeviceGetTemperature(handle, api.NVML_TEMPERATURE_GPU)) + float(margin)


def _memory_max_c(api: Any, handle: Any) -> float | None:
    return float(api.nvmlDeviceGetTemperatureThreshold(handle, api.NVML_TEMPERATURE_THRESHOLD_MEM_MAX))


def _enforced_limit_w(api: Any, handle: Any) -> float | None:
    return float(api.nvmlDeviceGetEnforcedPowerLimit(handle)) / 1000


def _limited(bits: int) -> Callable[[Any, Any], float]:
    def read(api: Any, handle: Any) -> float:
        return 1.0 if api.nvmlDeviceGetCurrentClocksEventReasons(handle) & bits else 0.0

    return read


def _wrong_bits(api: Any, handle: Any) -> float:
    """Return errors of the card's memory since the driver came up, corrected and not."""
    kinds = (api.NVML_MEMORY_ERROR_TYPE_CORRECTED, api.NVML_MEMORY_ERROR_TYPE_UNCORRECTED)
    return float(sum(api.nvmlDeviceGetTotalEccErrors(handle, kind, api.NVML_VOLATILE_ECC) for kind in kinds))


def _retired_pages(api: Any, handle: Any) -> float:
    """Return pages that the card gave up: retired ones, or remapped rows on cards that remap."""
    try:
        causes = (
            api.NVML_PAGE_RETIREMENT_CAUSE_MULTIPLE_SINGLE_BIT_ECC_ERRORS,
            api.NVML_PAGE_RETIREMENT_CAUSE_DOUBLE_BIT_ECC_ERROR,
        )
        return float(sum(len(api.nvmlDeviceGetRetiredPages(handle, cause)) for cause in causes))
    except api.NVMLError:
        corrected, uncorrected, *_ = api.nvmlDeviceGetRemappedRows(handle)
        return float(corrected + uncorrected)


FIELDS = (
    _Field(
        "gpu", "temperature", "°C", lambda api, h: api.nvmlDeviceGetTemperature(h, api.NVML_TEMPERATURE_GPU),
        limit=_slowdown_c, resolution=1.0,
    ),
    _Field("memory", "temperature", "°C", _memory_temp, limit=_memory_max_c, resolution=1.0),
    _Field("board power", "power", "W", _power_w, limit=_enforced_limit_w),
    _Field("graphics", "clock", "MHz", lambda api, h: api.nvmlDeviceGetClockInfo(h, api.NVML_CLOCK_SM)),
    _Field("busy", "share", "1", lambda api, h: api.nvmlDeviceGetUtilizationRates(h).gpu / 100),
    _Field("fan duty", "share", "1", lambda api, h: api.nvmlDeviceGetFanSpeed(h) / 100),
    _Field("limited by heat", "share", "1", _limited(HEAT_BITS)),
    _Field("limited by power", "share", "1", _limited(POWER_BITS)),
    _Field("limited by power brake", "share", "1", _limited(BRAKE_BITS)),
    _Field("memory errors", "count", "1", _wrong_bits),
    _Field("retired pages", "count", "1", _retired_pages),
)  # fmt: skip


def find(root: Path, *, api: Any = None) -> list[NvmlSensor]:
    """Return every quantity of every card of this system; none where the library or its driver is not there.

    Args:
        root: Only `/` has cards that this library shows.
        api: Stands in for the library in tests.
    """
    if api is None:
        if not is_live(root):
            return []
        api = _library()
        if api is None:
            return []
    return [sensor for index in range(api.nvmlDeviceGetCount()) for sensor in _of_card(api, index)]


def card_names(*, api: Any = None) -> list[str]:
    """Return the names of the cards that this library shows; none where it or its driver is not there.

    Args:
        api: Stands in for the library in tests.
    """
    api = _library() if api is None else api
    if api is None:
        return []
    try:
        handles = [api.nvmlDeviceGetHandleByIndex(index) for index in range(api.nvmlDeviceGetCount())]
        return [_text(api.nvmlDeviceGetName(handle)) for handle in handles]
    except api.NVMLError:
        return []


def _library() -> Any:
    try:
        import pynvml
    except ImportError:
        return None
    try:
        pynvml.nvmlInit()
    except pynvml.NVMLError:
        # No driver, or one without this library: `channels` says what is missing in general.
        return None
    return pynvml


def _of_card(api: Any, index: int) -> list[NvmlSensor]:
    handle = api.nvmlDeviceGetHandleByIndex(index)
    device = f"nvml/{_text(api.nvmlDeviceGetPciInfo(handle).busId)}/{_text(api.nvmlDeviceGetUUID(handle))}"
    found = []
    for field in FIELDS:
        try:
            field.read(api, handle)
            why = ""
        except api.NVMLError as error:
            why = f"this card does not give it ({error})"
        found.append(NvmlSensor(api, handle, field, device, unreadable=why))
    return found


def _text(value: Any) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def _quietly(read: Callable[[Any, Any], float | None], api: Any, handle: Any) -> float | None:
    try:
        return read(api, handle)
    except (api.NVMLError, AttributeError):
        return None
