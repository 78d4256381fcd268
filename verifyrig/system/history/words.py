"""What an entry means and what it speaks for; made from id and code alone, for no text of a log is kept."""

from __future__ import annotations

import re
from enum import StrEnum

from verifyrig.core.reason import Reason, reason
from verifyrig.system.history.entries import LogEntry


class Speaks(StrEnum):
    """What an entry speaks for as the reason of an end."""

    HEAT = "heat"
    POWER = "power"
    CRASH = "crash"
    BUTTON = "button"
    WATCHDOG = "watchdog"
    HARDWARE_ERROR = "hardware-error"
    ORDERLY = "orderly"
    KILLED = "killed"
    SLEEP = "sleep"
    NOTHING = "nothing"


# What a bit of the reset register speaks for.
_RESET_BITS: dict[int, Speaks] = {
    0: Speaks.HEAT,
    1: Speaks.BUTTON,
    2: Speaks.POWER,
    4: Speaks.ORDERLY,
    9: Speaks.HEAT,
    16: Speaks.BUTTON,
    17: Speaks.ORDERLY,
    18: Speaks.ORDERLY,
    19: Speaks.ORDERLY,
    20: Speaks.ORDERLY,
    21: Speaks.ORDERLY,
    22: Speaks.ORDERLY,
    23: Speaks.CRASH,
    24: Speaks.WATCHDOG,
    25: Speaks.WATCHDOG,
    26: Speaks.ORDERLY,
    27: Speaks.HARDWARE_ERROR,
    29: Speaks.NOTHING,
    30: Speaks.HARDWARE_ERROR,
    31: Speaks.CRASH,
}
_BY_SOFTWARE = (17, 18, 19)

# What an entry that says one thing only speaks for; its sentence is the reason `log-` and this id.
_PLAIN: dict[str, Speaks] = {
    "critical-temperature": Speaks.HEAT,
    "throttled-by-heat": Speaks.NOTHING,
    "kernel-panic": Speaks.CRASH,
    "crash-record": Speaks.CRASH,
    "lockup": Speaks.WATCHDOG,
    "sleep": Speaks.SLEEP,
    "wake": Speaks.NOTHING,
    "machine-check": Speaks.HARDWARE_ERROR,
    "machine-check-logged": Speaks.HARDWARE_ERROR,
    "memory-ce": Speaks.NOTHING,
    "memory-ue": Speaks.HARDWARE_ERROR,
    "out-of-memory": Speaks.KILLED,
    "boot": Speaks.NOTHING,
    "end-orderly": Speaks.ORDERLY,
    "end-abrupt": Speaks.POWER,
    "end-asleep": Speaks.SLEEP,
    "eventlog-6006": Speaks.ORDERLY,
    "eventlog-6008": Speaks.NOTHING,
    "user32-1074": Speaks.ORDERLY,
    "kernel-power-86": Speaks.HEAT,
    "whea-17": Speaks.NOTHING,
    "whea-18": Speaks.HARDWARE_ERROR,
    "whea-19": Speaks.NOTHING,
    "whea-47": Speaks.NOTHING,
    "firmware-limit-37": Speaks.NOTHING,
}


def meaning_of(entry: LogEntry) -> Reason:
    """Return what an entry says, as one clause."""
    if entry.id == "reset-reason":
        return _reset_meaning(entry.code)
    if entry.id == "kernel-power-41":
        return reason(f"log-restart-{_restart(numbers_in(entry.code))}", **_bugcheck(entry.code))
    if entry.id in ("memory-ce-total", "memory-ue-total"):
        return reason(f"log-{entry.id}", count=numbers_in(entry.code).get("count", "?"))
    if entry.id == "disk-error":
        return reason("log-disk-error", disk=_word_in(entry.code, "disk"))
    return reason(f"log-{entry.id}") if entry.id in _PLAIN else reason("log-other", id=entry.id)


def speaks_for(entry: LogEntry) -> Speaks:
    """Return what the entry speaks for."""
    if entry.id == "reset-reason":
        return next((_RESET_BITS[bit] for bit in _bits(entry.code) if bit in _RESET_BITS), Speaks.NOTHING)
    if entry.id == "kernel-power-41":
        return _RESTARTS[_restart(numbers_in(entry.code))]
    if entry.id == "memory-ue-total":
        return Speaks.HARDWARE_ERROR if numbers_in(entry.code).get("count", 0) else Speaks.NOTHING
    return _PLAIN.get(entry.id, Speaks.NOTHING)


def numbers_in(code: str) -> dict[str, int]:
    """Return the `name=number` pairs of a code."""
    return {name: int(number) for name, number in re.findall(r"([a-z]+)=(-?\d+)\b", code)}


def _word_in(code: str, name: str) -> str:
    found = re.search(rf"\b{name}=([a-z0-9]+)", code)
    return found[1] if found else "?"


def _bits(code: str) -> list[int]:
    return [int(bit) for bit in code.removeprefix("bits=").split(",")] if code.startswith("bits=") else []


def _reset_meaning(code: str) -> Reason:
    if code == "invalid":
        return reason("reset-not-kept")
    why = tuple(_bit_meaning(bit) for bit in _bits(code))
    return reason("last-reset", why=why) if why else reason("last-reset-unknown")


def _bit_meaning(bit: int) -> Reason:
    if bit in _BY_SOFTWARE:
        return reason("reset-by-software")
    return reason(f"reset-bit-{bit}") if bit in _RESET_BITS else reason("reset-bit-other", bit=bit)


_RESTARTS = {
    "after-crash": Speaks.CRASH,
    "after-button": Speaks.BUTTON,
    "after-sleep": Speaks.SLEEP,
    "after-power": Speaks.POWER,
    "codes-missing": Speaks.NOTHING,
}


def _restart(codes: dict[str, int]) -> str:
    """Return which of `_RESTARTS` the codes of a start without a shut-down before stand for."""
    if codes.get("bugcheck"):
        return "after-crash"
    if codes.get("button"):
        return "after-button"
    if codes.get("asleep"):
        return "after-sleep"
    return "after-power" if "bugcheck" in codes and "button" in codes else "codes-missing"


def _bugcheck(code: str) -> dict[str, str]:
    return {"bugcheck": f"{numbers_in(code).get('bugcheck', 0):X}"}
