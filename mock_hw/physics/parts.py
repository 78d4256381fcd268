"""What a simulated machine is made of, as plain numbers. All data, no behaviour beyond small readings of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Cooler = Literal["air", "liquid"]
DieDriver = Literal["coretemp", "k10temp"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalPath:
    """The heat's way from die to room.

    Air: die, lid, plate, fins, case air, room. Liquid: die, lid, plate, coolant, radiator, case air, room.

    Attributes:
        plate_to_next_k_per_w: Heat pipes (air) or the block's wall and water film (liquid), K/W.
        sink_to_air_k_per_w: Fins or radiator to case air with the fan at full speed, K/W.
        still_air_factor: How many times worse the sink gets when no fan turns.
        flow_l_per_min: Real coolant flow; 0 means it stands still, whatever the tachometer says.
        standing_k_per_w: Plate to coolant when the coolant stands still, K/W.
        case_to_ambient_k_per_w: Case air to room with the case fans at full speed, K/W.
        board_power_w: Heat of all other parts into the case air, W.
    """

    cooler: Cooler
    die_j_per_k: float
    lid_j_per_k: float
    plate_j_per_k: float
    coolant_j_per_k: float
    sink_j_per_k: float
    case_j_per_k: float
    die_to_lid_k_per_w: float
    paste_k_per_w: float
    plate_to_next_k_per_w: float
    sink_to_air_k_per_w: float
    still_air_factor: float
    flow_l_per_min: float
    standing_k_per_w: float
    coolant_to_radiator_k_per_w: float
    case_to_ambient_k_per_w: float
    board_power_w: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AmbientAir:
    """The room's air, and its slow drift (a sine of amplitude `drift_k`)."""

    temp_c: float
    drift_k: float
    drift_period_s: float
    drift_phase_rad: float

    def temp_at_c(self, t_s: float) -> float:
        """Return the room's temperature at a time after the machine's start, °C."""
        return self.temp_c + self.drift_k * math.sin(2 * math.pi * t_s / self.drift_period_s + self.drift_phase_rad)


@dataclass(frozen=True, slots=True, kw_only=True)
class Processor:
    """Power, clocks and limits of the processor.

    Attributes:
        idle_w: Power with nothing to do, at `leakage_reference_c`, W.
        load_w: Power at full share and full clock, at `leakage_reference_c`, W.
        leakage_per_k: Growth of the power with die temperature, 1/K.
        limit_c: Die temperature at which it throttles, °C.
        cut_above_limit_k: The system switches off at the limit plus this, K.
        gives_up_after_s: It also switches off once it has sat at its limit that long; infinite where it does not.
        floor_clock_share: Lowest clock that throttling can reach, over the full clock.
        clock_fall_per_s: How fast throttling can lower that share, 1/s.
        core_offsets_k_per_w: How far each core stays below the hottest point, K per W of package power.
        long_limit_w, short_limit_w: The power limits that the firmware states, W.
    """

    idle_w: float
    load_w: float
    leakage_per_k: float
    leakage_reference_c: float
    limit_c: float
    cut_above_limit_k: float
    gives_up_after_s: float
    floor_clock_share: float
    clock_fall_per_s: float
    full_clock_mhz: float
    base_clock_mhz: float
    idle_clock_mhz: float
    cores: int
    threads_per_core: int
    core_offsets_k_per_w: tuple[float, ...]
    long_limit_w: float
    short_limit_w: float
    driver: DieDriver


@dataclass(frozen=True, slots=True, kw_only=True)
class Fans:
    """Fans on a curve over the die's temperature, and the pump's tachometer.

    Attributes:
        low_share: Duty up to `low_c`; from there it rises in a straight line to 1 at `high_c`.
        spin_time_s: Time constant of the speed behind the duty, s.
        control_time_s: Time constant of the controller's own averaging, s.
        cpu_fan_stopped: The fan on the cooler stands, whatever its duty.
    """

    low_share: float
    low_c: float
    high_c: float
    spin_time_s: float
    control_time_s: float
    cpu_max_rpm: float
    case_max_rpm: float
    pump_rpm: float
    cpu_fan_stopped: bool

    def duty_share(self, die_c: float) -> float:
        """Return the duty that the curve asks for at a die temperature, 0 to 1."""
        if die_c <= self.low_c:
            return self.low_share
        if die_c >= self.high_c:
            return 1.0
        return self.low_share + (1 - self.low_share) * (die_c - self.low_c) / (self.high_c - self.low_c)


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """The rails as the board sees them, and how the supply may give up.

    Attributes:
        droop_v_per_w: Fall of the 12 V rail per watt of package power, V/W.
        step_droop_v_per_w: Further fall per watt of a fresh step; it fades within `step_fades_s`.
        trip_power_w: A step to this power or more may switch the supply off; infinite where it cannot.
        trip_probability: How probable that is, at each such step.
    """

    rail_12v_v: float
    rail_5v_v: float
    rail_3v3_v: float
    droop_v_per_w: float
    step_droop_v_per_w: float
    step_fades_s: float
    trip_power_w: float
    trip_probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardPower:
    """The processor's voltage regulator: one node between its own losses and the case air.

    Attributes:
        loss_share: Its loss over the package power.
        pin_c, release_c: It asks for the floor clock above `pin_c` until it is below `release_c`, °C.
        cut_after_hot_s: It switches the machine off after that many seconds of asking; infinite where it does not.
    """

    loss_share: float
    resistance_k_per_w: float
    capacity_j_per_k: float
    pin_c: float
    release_c: float
    cut_after_hot_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistakes:
    """How often work goes wrong at full share, each a rate per second of full work.

    `faulty_core` is None where every core may be hit (memory).
    """

    error_per_s: float = 0.0
    freeze_per_s: float = 0.0
    reset_per_s: float = 0.0
    faulty_core: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorModel:
    """How one sensor shows its truth.

    Attributes:
        step: Size of one count in the channel's unit.
        refresh_s: A value is held at least this long.
        noise: Standard deviation before rounding.
        offset: Added to the truth.
        low, high: Readings stay within.
        zero_is_exact: A truth of exactly 0 reads 0: a standing fan gives no pulse, and no noise either.
        stuck_at: The reading from `stuck_from_s` on, where the sensor sticks.
    """

    step: float
    refresh_s: float
    noise: float
    offset: float = 0.0
    low: float = -math.inf
    high: float = math.inf
    zero_is_exact: bool = False
    stuck_at: float | None = None
    stuck_from_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineParameters:
    """One drawn machine.

    Attributes:
        case, cause: Name of the case and its true cause.
        idle_start_die_c: Where the machine cannot settle safely at idle: the die's temperature at which the
            story starts, on the way up after power-on; None where it starts settled.
        power_gain: What the energy counter shows over the truth.
        second_die_k_per_w: Resistance from a second die to the lid, K/W; None for a processor with one die.
        sensors: A model for each channel that has one.
    """

    case: str
    seed: int
    cause: str
    thermal: ThermalPath
    ambient: AmbientAir
    processor: Processor
    fans: Fans
    supply: Supply
    board_power: BoardPower
    mistakes: Mistakes
    sensors: Mapping[str, SensorModel]
    power_gain: float
    idle_start_die_c: float | None
    second_die_k_per_w: float | None = None

    @property
    def cooler(self) -> Cooler:
        """Either "air" or "liquid"."""
        return self.thermal.cooler
