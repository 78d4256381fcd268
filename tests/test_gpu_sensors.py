"""Graphics cards through the management library, with a stand-in for the library at its lowest seam."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from verifyrig.core.errors import SensorError
from verifyrig.sensors import nvml, roles


class NVMLError(Exception):
    pass


class FakeLibrary:
    """Answers as NVML does; what is in `refused` raises its error for "not supported"."""

    NVMLError = NVMLError
    NVML_TEMPERATURE_GPU = 0
    NVML_TEMPERATURE_THRESHOLD_SLOWDOWN = 1
    NVML_TEMPERATURE_THRESHOLD_MEM_MAX = 2
    NVML_CLOCK_SM = 1
    NVML_MEMORY_ERROR_TYPE_CORRECTED, NVML_MEMORY_ERROR_TYPE_UNCORRECTED = 0, 1
    NVML_VOLATILE_ECC = 0
    NVML_PAGE_RETIREMENT_CAUSE_MULTIPLE_SINGLE_BIT_ECC_ERRORS = 0
    NVML_PAGE_RETIREMENT_CAUSE_DOUBLE_BIT_ECC_ERROR = 1

    def __init__(self, cards: int = 1, refused: tuple[str, ...] = (), reasons: int = 0) -> None:
        self.cards, self.refused, self.reasons = cards, refused, reasons

    def __getattribute__(self, name: str) -> Any:
        if name.startswith("nvml") and name in object.__getattribute__(self, "refused"):

            def refuse(*_: Any) -> None:
                raise NVMLError("Not Supported")

            return refuse
        return object.__getattribute__(self, name)

    def nvmlDeviceGetCount(self) -> int:  # noqa: N802 - the library's own names
        return self.cards

    def nvmlDeviceGetHandleByIndex(self, index: int) -> int:  # noqa: N802
        return index

    def nvmlDeviceGetPciInfo(self, handle: int) -> Any:  # noqa: N802
        return SimpleNamespace(busId=f"00000000:0{handle}:00.0")

    def nvmlDeviceGetUUID(self, handle: int) -> bytes:  # noqa: N802
        return f"GPU-{handle}".encode()

    def nvmlDeviceGetTemperature(self, handle: int, sensor: int) -> int:  # noqa: N802
        return 61

    def nvmlDeviceGetTemperatureThreshold(self, handle: int, which: int) -> int:  # noqa: N802
        return {1: 89, 2: 95}[which]

    def nvmlDeviceGetMarginTemperature(self, handle: int) -> int:  # noqa: N802
        return 26

    def nvmlDeviceGetFieldValues(self, handle: int, fields: list[int]) -> list[Any]:  # noqa: N802
        values = {82: 70}
        return [SimpleNamespace(nvmlReturn=0, value=SimpleNamespace(uiVal=values[fields[0]]))]

    def nvmlDeviceGetPowerUsage(self, handle: int) -> int:  # noqa: N802
        return 345_600

    def nvmlDeviceGetEnforcedPowerLimit(self, handle: int) -> int:  # noqa: N802
        return 700_000

    def nvmlDeviceGetClockInfo(self, handle: int, kind: int) -> int:  # noqa: N802
        return 1980

    def nvmlDeviceGetUtilizationRates(self, handle: int) -> Any:  # noqa: N802
        return SimpleNamespace(gpu=98)

    def nvmlDeviceGetFanSpeed(self, handle: int) -> int:  # noqa: N802
        return 55

    def nvmlDeviceGetCurrentClocksEventReasons(self, handle: int) -> int:  # noqa: N802
        return self.reasons

    def nvmlDeviceGetTotalEccErrors(self, handle: int, kind: int, counter: int) -> int:  # noqa: N802
        return 1

    def nvmlDeviceGetRetiredPages(self, handle: int, cause: int) -> list[int]:  # noqa: N802
        return [1] if cause else []

    def nvmlDeviceGetRemappedRows(self, handle: int) -> tuple[int, int, int, int]:  # noqa: N802
        return (2, 0, 0, 0)


def by_role(api: FakeLibrary) -> dict[str, Any]:
    sensors = nvml.find(Path("/"), api=api)
    infos = roles.assign([sensor.info for sensor in sensors], {})
    return {info.channel: sensor for info, sensor in zip(infos, sensors, strict=True) if info.channel}


# Units of the NVML API reference: mW, °C, MHz, %.
def test_a_card_gives_its_quantities_in_our_units() -> None:
    found = {name: sensor.read().value for name, sensor in by_role(FakeLibrary()).items()}
    assert found["gpu_temp_c"] == 61 and found["gpu_memory_temp_c"] == 70
    assert found["gpu_power_w"] == pytest.approx(345.6)
    assert found["gpu_clock_mhz"] == 1980
    assert (found["gpu_busy_share"], found["gpu_fan_duty_share"]) == (0.98, 0.55)


@pytest.mark.parametrize(
    ("reasons", "limited"),
    [
        (0x0, set()),
        (0x1, set()),  # idle is no limit
        (0x20, {"gpu_heat_limited_share"}),
        (0x40, {"gpu_heat_limited_share"}),
        (0x4, {"gpu_power_limited_share"}),
        (0x80, {"gpu_brake_limited_share"}),
    ],
)
def test_reasons_that_hold_the_clocks_down_are_told_apart(reasons: int, limited: set[str]) -> None:
    found = by_role(FakeLibrary(reasons=reasons))
    assert {name for name, s in found.items() if name.endswith("limited_share") and s.read().value == 1} == limited


def test_a_limit_given_as_a_margin_counts_from_the_temperature_now() -> None:
    card = by_role(FakeLibrary(refused=("nvmlDeviceGetTemperatureThreshold",)))["gpu_temp_c"]
    assert card.info.limit == 61 + 26


def test_what_a_card_does_not_support_is_missing_with_the_reason() -> None:
    fan = next(s for s in nvml.find(Path("/"), api=FakeLibrary(refused=("nvmlDeviceGetFanSpeed",)))
               if s.info.label == "fan duty")  # fmt: skip
    assert "Not Supported" in fan.info.unreadable
    with pytest.raises(SensorError):
        fan.read()


def test_two_cards_of_one_kind_keep_identities_of_their_own() -> None:
    sensors = nvml.find(Path("/"), api=FakeLibrary(cards=2))
    devices = [sensor.info.device for sensor in sensors]
    assert len(set(devices)) == len(devices)
    names = {info.channel for info in roles.assign([sensor.info for sensor in sensors], {})}
    assert {"gpu_temp_c", "gpu_2_temp_c", "gpu_2_power_w"} <= names


def test_a_card_that_remaps_rows_reports_them_in_place_of_pages() -> None:
    api = FakeLibrary(refused=("nvmlDeviceGetRetiredPages",))
    pages = next(s for s in nvml.find(Path("/"), api=api) if s.info.label == "retired pages")
    assert pages.read().value == 2


def test_a_tree_of_another_machine_has_no_cards_of_this_one(tmp_path: Path) -> None:
    assert nvml.find(tmp_path) == []
