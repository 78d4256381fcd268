"""What may be wrong: mechanisms, and the causes of the contract that they belong to."""

from __future__ import annotations

from enum import StrEnum


class Mechanism(StrEnum):
    """How a fault acts. Several mechanisms may share one cause of the contract."""

    NONE = "none"
    PASTE = "paste"
    FILM = "film"
    FLOW_SLOW = "flow-slow"
    FLOW_STOPPED = "flow-stopped"
    FAN_STOPPED = "fan-stopped"
    SINK_BLOCKED = "sink-blocked"
    CASE_CHOKED = "case-choked"
    WARM_ROOM = "warm-room"
    SENSOR_OFFSET = "sensor-offset"
    SENSOR_STUCK = "sensor-stuck"
    AMBIENT_PROBE = "room-probe"
    SUPPLY = "supply"
    BOARD_POWER = "board-power"
    MEMORY = "memory"
    PROCESSOR = "processor"
    GRAPHICS = "graphics"
    FIRMWARE_LIMIT = "firmware-limit"
    WIRING = "wiring"
    OTHER = "other"


MECHANISMS = tuple(Mechanism)

CAUSE_OF: dict[Mechanism, str] = {
    Mechanism.PASTE: "contact",
    Mechanism.FILM: "contact",
    Mechanism.FLOW_SLOW: "coolant-flow",
    Mechanism.FLOW_STOPPED: "coolant-flow",
    Mechanism.FAN_STOPPED: "airflow",
    Mechanism.SINK_BLOCKED: "airflow",
    Mechanism.CASE_CHOKED: "airflow",
    Mechanism.SENSOR_OFFSET: "sensor",
    Mechanism.SENSOR_STUCK: "sensor",
    Mechanism.AMBIENT_PROBE: "sensor",
    Mechanism.OTHER: "unknown",
}
CAUSES = (
    "none",
    "contact",
    "coolant-flow",
    "airflow",
    "warm-room",
    "sensor",
    "supply",
    "board-power",
    "memory",
    "processor",
    "graphics",
    "firmware-limit",
    "wiring",
    "unknown",
)
LIQUID_ONLY = (Mechanism.FLOW_SLOW, Mechanism.FLOW_STOPPED)


def cause_of(mechanism: Mechanism) -> str:
    """Return the contract's cause of a mechanism."""
    return CAUSE_OF.get(mechanism, mechanism.value)


def mechanisms_of(name: str) -> tuple[Mechanism, ...]:
    """Return the mechanisms meant by a mechanism's or a cause's name; raise `KeyError` where there is none."""
    found = tuple(m for m in MECHANISMS if name in (m.value, cause_of(m)))
    if not found:
        raise KeyError(name)
    exact = tuple(m for m in found if m.value == name)
    return exact or found
