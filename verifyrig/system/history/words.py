"""What an entry means, in words, and what it speaks for; made from id and code alone, for no text of a log is kept."""

from __future__ import annotations

import re
from enum import StrEnum

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


# Bit: (words, what it speaks for).
_RESET_BITS: dict[int, tuple[str, Speaks]] = {
    0: ("the processor's thermal pin cut the power: too hot", Speaks.HEAT),
    1: ("the power button was held for 4 seconds", Speaks.BUTTON),
    2: ("the shut-down pin was pulled", Speaks.POWER),
    4: ("power off by remote management", Speaks.ORDERLY),
    9: ("the processor's inner thermal limit cut the power: too hot", Speaks.HEAT),
    16: ("the reset line was pulled: reset button, its lead, or the board", Speaks.BUTTON),
    17: ("software asked for a reset", Speaks.ORDERLY),
    18: ("software asked for a reset", Speaks.ORDERLY),
    19: ("software asked for a reset", Speaks.ORDERLY),
    20: ("software asked for a reset with a power cycle", Speaks.ORDERLY),
    21: ("switched off or asleep by the system itself", Speaks.ORDERLY),
    22: ("reset over the keyboard line", Speaks.ORDERLY),
    23: ("the processor shut itself down after a fault that it could not handle", Speaks.CRASH),
    24: ("the firmware's boot timer ran out", Speaks.WATCHDOG),
    25: ("the hardware watchdog ran out: the system hung", Speaks.WATCHDOG),
    26: ("reset by remote management", Speaks.ORDERLY),
    27: ("an uncorrected error stopped the data fabric", Speaks.HARDWARE_ERROR),
    29: ("a warm reset did not get through", Speaks.NOTHING),
    30: ("a parity error", Speaks.HARDWARE_ERROR),
    31: ("a fault stopped the data fabric at the system's wish", Speaks.CRASH),
}

_PLAIN: dict[str, tuple[str, Speaks]] = {
    "critical-temperature": ("the system switched itself off: critical temperature reached", Speaks.HEAT),
    "throttled-by-heat": ("the processor slowed down because of heat", Speaks.NOTHING),
    "kernel-panic": ("the kernel crashed", Speaks.CRASH),
    "crash-record": (
        "the kernel crashed and could still write a record of it; that is no cut of the power",
        Speaks.CRASH,
    ),
    "lockup": ("a processor core hung", Speaks.WATCHDOG),
    "sleep": ("the system went to sleep", Speaks.SLEEP),
    "wake": ("the system woke up", Speaks.NOTHING),
    "machine-check": ("the processor reported a hardware error", Speaks.HARDWARE_ERROR),
    "machine-check-logged": ("hardware errors were reported by the processor", Speaks.HARDWARE_ERROR),
    "memory-ce": ("memory errors, corrected", Speaks.NOTHING),
    "memory-ue": ("a memory error that could not be corrected", Speaks.HARDWARE_ERROR),
    "out-of-memory": ("a program was ended because memory ran out", Speaks.KILLED),
    "boot": ("the system started", Speaks.NOTHING),
    "end-orderly": ("shut down in order", Speaks.ORDERLY),
    "end-abrupt": ("ended without a shut-down: lost power, a reset, or a hang", Speaks.POWER),
    "end-asleep": ("ended while asleep", Speaks.SLEEP),
    "eventlog-6006": ("shut down in order", Speaks.ORDERLY),
    "eventlog-6008": ("the shut-down before this start was unexpected", Speaks.NOTHING),
    "user32-1074": ("a person or program asked for the shut-down or restart", Speaks.ORDERLY),
    "kernel-power-86": ("the system switched itself off: critical temperature", Speaks.HEAT),
    "whea-17": ("a hardware error, corrected", Speaks.NOTHING),
    "whea-18": ("a fatal hardware error: heat, poor voltage, processor or memory", Speaks.HARDWARE_ERROR),
    "whea-19": ("a hardware error of the processor, corrected", Speaks.NOTHING),
    "whea-47": ("a memory error, corrected", Speaks.NOTHING),
    "firmware-limit-37": ("the firmware holds the processor's speed down", Speaks.NOTHING),
}


def words_of(entry: LogEntry) -> str:
    """Return one clause for a person."""
    if entry.id == "reset-reason":
        return _reset_words(entry.code)
    if entry.id == "kernel-power-41":
        return _words_of_41(entry.code)
    if entry.id in ("memory-ce-total", "memory-ue-total"):
        kind = "corrected" if entry.id == "memory-ce-total" else "not corrected"
        return f"memory errors since the start, {kind}: {numbers_in(entry.code).get('count', '?')}"
    return _PLAIN.get(entry.id, (entry.id, Speaks.NOTHING))[0]


def speaks_for(entry: LogEntry) -> Speaks:
    """Return what the entry speaks for."""
    if entry.id == "reset-reason":
        return next((_RESET_BITS[bit][1] for bit in _bits(entry.code) if bit in _RESET_BITS), Speaks.NOTHING)
    if entry.id == "kernel-power-41":
        return _speaks_41(numbers_in(entry.code))
    if entry.id == "memory-ue-total":
        return Speaks.HARDWARE_ERROR if numbers_in(entry.code).get("count", 0) else Speaks.NOTHING
    return _PLAIN.get(entry.id, ("", Speaks.NOTHING))[1]


def numbers_in(code: str) -> dict[str, int]:
    """Return the `name=number` pairs of a code."""
    return {name: int(number) for name, number in re.findall(r"([a-z]+)=(-?\d+)\b", code)}


def _bits(code: str) -> list[int]:
    return [int(bit) for bit in code.removeprefix("bits=").split(",")] if code.startswith("bits=") else []


def _reset_words(code: str) -> str:
    if code == "invalid":
        return "the reset reason was not kept (the register holds nothing)"
    known = [_RESET_BITS[bit][0] if bit in _RESET_BITS else f"bit {bit}" for bit in _bits(code)]
    return f"last reset: {', '.join(known)}" if known else "last reset: no reason given"


def _speaks_41(codes: dict[str, int]) -> Speaks:
    if codes.get("bugcheck"):
        return Speaks.CRASH
    if codes.get("button"):
        return Speaks.BUTTON
    if codes.get("asleep"):
        return Speaks.SLEEP
    return Speaks.POWER if "bugcheck" in codes and "button" in codes else Speaks.NOTHING


def _words_of_41(code: str) -> str:
    codes = numbers_in(code)
    if codes.get("bugcheck"):
        return f"started again after a crash with code 0x{codes['bugcheck']:X}: software, driver or hardware"
    if codes.get("button"):
        return "started again after the power button was held"
    if codes.get("asleep"):
        return "started again after losing power while asleep"
    if "bugcheck" in codes and "button" in codes:
        return (
            "started again after losing power or a reset: no crash code, no button; look at the path of the power first"
        )
    return "started again without a shut-down before; this export lacks the two codes that tell why"
