"""The processor's own heat protection: which clock it allows itself, and the power that follows."""

from __future__ import annotations

from mock_hw.physics.parts import Processor
from mock_hw.physics.power import clock_share_for, leakage_factor, reference_power_w


class Governor:
    """Holds the die at its limit by its clock, as far and as fast as the clock can fall.

    Attributes:
        clock_share: Clock over full clock.
        throttling: It holds the clock down for heat.
        at_limit_s: For how long it has done so without a break, s.
    """

    def __init__(self, processor: Processor) -> None:
        self._cpu = processor
        self.clock_share = 1.0
        self.throttling = False
        self.at_limit_s = 0.0

    def restart(self) -> None:
        """Forget the past, as a power-on does."""
        self.clock_share, self.throttling, self.at_limit_s = 1.0, False, 0.0

    def choose_power_w(
        self, share: float, dt_s: float, die_c: float, unpowered_c: float, gain_k_per_w: float, *, floor: bool
    ) -> float:
        """Return the power of one step: at full clock, unless the die would end above its limit.

        Args:
            share: Duty share.
            dt_s: Length of the step, s.
            die_c: The die's temperature at its start, °C.
            unpowered_c: Where the die would end without any power, °C.
            gain_k_per_w: How far each watt lifts that end.
            floor: The board asks for the lowest clock, however cool the die is.
        """
        cpu = self._cpu
        highest = cpu.floor_clock_share if floor else 1.0
        middle_c = 0.5 * (die_c + unpowered_c)
        power_w = self._leaking_w(share, highest, middle_c, gain_k_per_w)
        self.throttling = unpowered_c + gain_k_per_w * power_w > cpu.limit_c
        self.at_limit_s = self.at_limit_s + dt_s if self.throttling else 0.0
        if not self.throttling:
            self.clock_share = highest
            return power_w
        lowest = max(cpu.floor_clock_share, self.clock_share - cpu.clock_fall_per_s * dt_s)
        allowed_w = (cpu.limit_c - unpowered_c) / gain_k_per_w / leakage_factor(cpu, cpu.limit_c)
        self.clock_share = clock_share_for(cpu, share, allowed_w, min(lowest, highest), highest)
        return self._leaking_w(share, self.clock_share, middle_c, gain_k_per_w)

    def _leaking_w(self, share: float, clock_share: float, middle_c: float, gain_k_per_w: float) -> float:
        """Return the power whose leakage belongs to the die's mean temperature over the step, solved for itself.

        `middle_c` is that mean without this step's own power, which adds half of gain times power to it.
        """
        cpu = self._cpu
        reference_w = reference_power_w(cpu, share, clock_share)
        growth = 0.5 * reference_w * cpu.leakage_per_k * gain_k_per_w
        return reference_w * leakage_factor(cpu, middle_c) / (1 - growth)
