"""A simulated machine: heat, clocks, fans, supply and sensors, moved on by explicit steps of time."""

from __future__ import annotations

import math
import random
import uuid
from collections.abc import Callable, Sequence
from typing import Literal

from mock_hw.physics.cooling import FanRegulator
from mock_hw.physics.counters import ENERGY_RANGE_UJ, Counters
from mock_hw.physics.governor import Governor
from mock_hw.physics.mistakes import MistakeMaker
from mock_hw.physics.network import steady_state
from mock_hw.physics.parts import MachineParameters
from mock_hw.physics.regulator import Regulator
from mock_hw.physics.sensors import SensorSet
from mock_hw.physics.supply import PowerSupply
from mock_hw.physics.thermal_state import ThermalState
from mock_hw.physics.truths import truths

Stop = Literal["thermal-cut", "supply-latch", "regulator-cut", "reset", "hang"]
PowerState = Literal["on", "off", "hung"]
PowerChoice = Callable[[float, float], float]

_LONGEST_STEP_US = 250_000  # while the die moves fast
_LONGEST_CALM_STEP_US = 1_000_000  # leakage and fans need no more than that once it moves slowly
_CALM_K = 0.1
_HALF = 0.5  # of the package power, for each of two dies
_CALM_W = 0.5
_WARM_UP_STEP_US = 1_000_000
_LONGEST_WARM_UP_S = 3600
_RESET_TAKES_S = 20.0
_SETTLED_UPTIME_S = 1200.0
_WAIT_S: dict[Stop, float] = {"thermal-cut": 180.0, "regulator-cut": 120.0, "supply-latch": 10.0}


class SimulatedMachine:
    """One machine under test.

    `power_state` is "on", "off" or "hung"; `last_stop` says why it last went off. A machine that is off cools on
    until `restart()`; after a supply latch a person would work the mains switch first. A reset comes back by itself.

    Attributes:
        die_c, case_c: True temperatures of the die's hottest point and of the case air, °C.
        second_die_c: That of a second die, °C; that of the first where there is only one.
        power_w: True package power now, W.
        share, busy_cores: What it was last given to do.
        boot_id: New with each power-on.
        thermal, governor, fans, supply, regulator, mistakes, counters: Its parts, with their own truths.
    """

    def __init__(self, parameters: MachineParameters, *, seed: int, start: Literal["rest", "cold"] = "rest") -> None:
        self.parameters = parameters
        # A stream for each purpose, so that one part's chances never shift another's.
        boots, supply, mistakes = (
            random.Random(f"{seed}/{parameters.case}/{part}") for part in ("boots", "supply", "mistakes")
        )
        self._random = boots
        cpu = parameters.processor
        self.thermal = ThermalState(parameters.thermal, parameters.ambient.temp_at_c(0.0))
        self.governor = Governor(cpu)
        self.fans = FanRegulator(parameters.fans)
        self.supply = PowerSupply(parameters.supply, cpu.load_w, supply)
        self.regulator = Regulator(parameters.board_power)
        self.mistakes = MistakeMaker(parameters.mistakes, cpu.cores, mistakes)
        self._sensors = SensorSet(parameters.sensors, seed)
        self.counters = Counters(cpu.cores, parameters.power_gain)
        self._elapsed_us = 0
        self._carried_us = 0.0
        self._is_calm = False
        self._back_on_s = math.inf
        self.busy_cores: Sequence[int] | None = None
        self.last_stop: Stop | None = None
        self.power_state: PowerState = "off"
        self.second_die_c = self.thermal.temps[0]
        self._step_s = 0.0
        self.share = 0.0
        self._boot()
        self._start(start)
        self._step_second_die(math.inf)
        self._sensors.sample(0.0, self._truths)

    # -- time ---------------------------------------------------------------------------------------------------

    def advance(self, dt_s: float, share: float, busy_cores: Sequence[int] | None = None) -> None:
        """Move on by `dt_s` seconds with the processor busy for `share` of the time.

        Args:
            dt_s: Simulated seconds, any length; parts of a microsecond are carried to the next call.
            share: 0 to 1, over the whole processor.
            busy_cores: Where that work runs; None means evenly on all cores.
        """
        share = min(1.0, max(0.0, share))
        self._is_calm = self._is_calm and share == self.share
        self.share = share
        self.busy_cores = busy_cores
        whole_us = dt_s * 1e6 + self._carried_us
        remaining_us = round(whole_us)
        self._carried_us = whole_us - remaining_us
        while remaining_us > 0:
            step_us = min(remaining_us, _LONGEST_CALM_STEP_US if self._is_calm else _LONGEST_STEP_US)
            before_c, before_w, second_c = self.die_c, self.power_w, self.second_die_c
            self._step(step_us)
            moved_k = max(abs(self.die_c - before_c), abs(self.second_die_c - second_c))
            self._is_calm = moved_k < _CALM_K and abs(self.power_w - before_w) < _CALM_W
            remaining_us -= step_us
        self._sensors.sample(self.elapsed_s, self._truths)

    def _step(self, dt_us: int) -> None:
        self._elapsed_us += dt_us
        if self.power_state != "on":
            self._step_dead(dt_us)
            return
        dt_s = dt_us * 1e-6
        self.fans.advance(self.die_c, dt_s)
        self._step_heat(dt_us, self._choose_power_w)
        self.regulator.advance(self.case_c, self.power_w, dt_s)
        clock_ghz = self.governor.clock_share * self.parameters.processor.full_clock_mhz / 1000
        self.counters.add(dt_s, self.power_w, self.share, clock_ghz, self.busy_cores, self.governor.throttling)
        self._watch(dt_s)

    def _step_heat(self, dt_us: int, choose_power_w: PowerChoice) -> None:
        """Let heat flow for one step; `_step_s` is its length for `_choose_power_w`."""
        self._step_s = dt_us * 1e-6
        on = self.power_state != "off"
        self.power_w = self.thermal.step(
            self.fans.levels,
            dt_us,
            self.ambient_c,
            self.parameters.thermal.board_power_w if on else 0.0,
            choose_power_w,
        )
        self.die_c = self.thermal.temps[0]
        self.case_c = self.thermal.temps[-1]
        self._step_second_die(self._step_s)

    def _step_second_die(self, dt_s: float) -> None:
        """Move the second die towards its rise over the lid; what it sends there flows in the first die's path."""
        k_per_w = self.parameters.second_die_k_per_w
        if k_per_w is None:
            self.second_die_c = self.die_c
            return
        end_c = self.thermal.temps[1] + _HALF * self.power_w * k_per_w
        self.second_die_c += (end_c - self.second_die_c) * -math.expm1(
            -dt_s / (k_per_w * self.parameters.thermal.die_j_per_k)
        )

    def _choose_power_w(self, unpowered_c: float, gain_k_per_w: float) -> float:
        return self.governor.choose_power_w(
            self.share, self._step_s, self.die_c, unpowered_c, gain_k_per_w, floor=self.regulator.asks_floor
        )

    def _watch(self, dt_s: float) -> None:
        """Look for what ends the session: heat, the supply, the regulator, a mistake."""
        cpu = self.parameters.processor
        if self.supply.trips(self.power_w, dt_s):
            self._power_off("supply-latch")
        elif (
            max(self.die_c, self.second_die_c) >= cpu.limit_c + cpu.cut_above_limit_k
            or self.governor.at_limit_s >= cpu.gives_up_after_s
        ):
            self._power_off("thermal-cut")
        elif self.regulator.cuts:
            self._power_off("regulator-cut")
        else:
            end = self.mistakes.work(self.share, dt_s, self.busy_cores)
            if end == "hang":
                self.power_state, self.last_stop = "hung", "hang"
            elif end == "reset":
                self._power_off("reset")
                self._back_on_s = self.elapsed_s + _RESET_TAKES_S

    def _step_dead(self, dt_us: int) -> None:
        """Off: everything cools. Hung: it draws its idle power, and nobody is at home."""
        idle_w = self.parameters.processor.idle_w if self.power_state == "hung" else 0.0
        self._step_heat(dt_us, lambda _unpowered_c, _gain: idle_w)
        self.regulator.advance(self.case_c, self.power_w, dt_us * 1e-6)
        if self.elapsed_s >= self._back_on_s:
            self._boot()

    # -- power --------------------------------------------------------------------------------------------------

    def _power_off(self, stop: Stop) -> None:
        self.power_state, self.last_stop = "off", stop
        self.power_w = self.share = 0.0
        self.fans.stop()

    def restart(self) -> None:
        """Switch the machine on again after a stop, or press its reset button; see `restart_wait_s`."""
        self._boot()

    def _boot(self) -> None:
        """Start with a new boot id, and every counter anew."""
        self.power_state = "on"
        self._back_on_s = math.inf
        self.boot_id = str(uuid.UUID(int=self._random.getrandbits(128), version=4))
        self.share = 0.0
        self.governor.restart()
        self.die_c, self.case_c = self.thermal.temps[0], self.thermal.temps[-1]
        self.power_w = self.parameters.processor.idle_w
        self._step_second_die(0.0)
        self.counters.restart(energy_uj=self._random.randrange(ENERGY_RANGE_UJ))
        self.mistakes.restart()
        self.fans.settle(self.die_c)
        self.supply.settle(self.power_w)
        self.regulator.asks_floor = False

    @property
    def is_on(self) -> bool:
        """Power is on; a hung machine counts as on."""
        return self.power_state != "off"

    @property
    def is_hung(self) -> bool:
        """Power is on and nothing answers."""
        return self.power_state == "hung"

    @property
    def restart_wait_s(self) -> float:
        """How long a person has to wait before this machine would start again, s."""
        return _WAIT_S.get(self.last_stop, 0.0) if self.last_stop else 0.0

    def _start(self, start: Literal["rest", "cold"]) -> None:
        if start == "cold":
            return
        if self.parameters.idle_start_die_c is None:
            self._settle_at_idle()
        else:
            self._warm_up_to(self.parameters.idle_start_die_c)

    def _settle_at_idle(self) -> None:
        idle = steady_state(self.parameters, 0.0, ambient_c=self.ambient_c)
        self.thermal.set(idle.temps_c)
        self.die_c, self.case_c, self.power_w = idle.die_c, idle.temps_c["case"], idle.power_w
        self.counters.uptime_s = _SETTLED_UPTIME_S
        self._calm()

    def _warm_up_to(self, die_c: float) -> None:
        """Leave the machine idle from cold until the die is that warm; the room stands still meanwhile."""
        for _ in range(_LONGEST_WARM_UP_S):
            if self.die_c >= die_c:
                break
            self.fans.advance(self.die_c, _WARM_UP_STEP_US * 1e-6)
            self._step_heat(_WARM_UP_STEP_US, self._choose_power_w)
            self.counters.uptime_s += _WARM_UP_STEP_US * 1e-6
        self._calm()

    def _calm(self) -> None:
        self.fans.settle(self.die_c)
        self.supply.settle(self.power_w)
        self.regulator.settle(self.case_c, self.power_w)

    # -- what there is to see -----------------------------------------------------------------------------------

    @property
    def elapsed_s(self) -> float:
        """Simulated time since the start of the story, s."""
        return self._elapsed_us * 1e-6

    @property
    def ambient_c(self) -> float:
        """The room now, drift included, °C."""
        return self.parameters.ambient.temp_at_c(self.elapsed_s)

    def temp_c(self, node: str) -> float:
        """Return the true temperature of a node of the network ("plate", "coolant", ...); NaN where it has none."""
        return self.thermal.temp_c(node)

    @property
    def plate_c(self) -> float:
        """The cooler's plate, °C."""
        return self.thermal.temp_c("plate")

    @property
    def coolant_c(self) -> float:
        """The coolant on the radiator's side, °C; NaN for an air cooler."""
        return self.thermal.temp_c("coolant")

    @property
    def clock_share(self) -> float:
        """The clock that the processor allows itself over its full clock."""
        return self.governor.clock_share

    @property
    def throttling(self) -> bool:
        """It holds its clock down for heat."""
        return self.governor.throttling

    @property
    def clock_mhz(self) -> float:
        """The clock that busy cores run at; the idle clock without work, MHz."""
        cpu = self.parameters.processor
        return cpu.full_clock_mhz * self.governor.clock_share if self.share > 0 else cpu.idle_clock_mhz

    def _truths(self) -> dict[str, float]:
        return truths(self)

    @property
    def readings(self) -> dict[str, float]:
        """Channel to the reading that its sensor holds now."""
        return self._sensors.readings

    def sensor_reading(self, channel: str) -> float:
        """Return what the sensor of a channel shows, in the channel's unit; KeyError where there is none."""
        return self._sensors.readings[channel]
