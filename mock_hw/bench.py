"""A simulated machine with its tree, driven by explicit times: what a run on the virtual clock holds."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.parameters import draw, with_second_die
from mock_hw.physics.parts import Cooler, MachineParameters
from mock_hw.tree.sysfs import Tree

_LONGEST_STEP_S = 1.0


class SimulatedBench:
    """Simulated hardware of one case under a root, moved on by absolute times.

    Args:
        case: A key of `mock_hw.physics.parameters.CASES`.
        seed: Chooses the machine and its noise; 0 is a typical machine.
        root: Where the tree goes.
        probes: One-wire probes laid on the machine ("room", "plate", "radiator", ...).
        start: "rest" has it settled at idle (or, where it cannot settle safely, some minutes after power-on);
            "cold" is the moment of power-on after a night.
        cooler: Air or liquid for cases that may have either.
        second_die_k_per_w: Gives the processor a second die, with such a resistance to the lid, K/W.

    Raises:
        ValueError: No such case, cooler or probe, or the root holds something else.
    """

    def __init__(
        self,
        case: str,
        seed: int,
        root: Path,
        probes: Sequence[str] = ("room",),
        start: Literal["rest", "cold"] = "rest",
        *,
        cooler: Cooler | None = None,
        second_die_k_per_w: float | None = None,
    ) -> None:
        drawn = draw(case, seed, cooler=cooler)
        self.parameters: MachineParameters = (
            drawn if second_die_k_per_w is None else with_second_die(drawn, second_die_k_per_w)
        )
        self.machine = SimulatedMachine(self.parameters, seed=seed, start=start)
        self.tree = Tree(root, self.machine, probes)
        self.root = root

    def advance_to(self, t_s: float) -> None:
        """Move on to an absolute time since the start, s, under the load that stands in the tree now.

        The load file is read anew for each second on the way. A time that has passed moves nothing.
        """
        machine = self.machine
        while (remaining_s := t_s - machine.elapsed_s) > 5e-7:
            share, busy_cores = self.tree.read_load()
            machine.advance(min(remaining_s, _LONGEST_STEP_S), share, busy_cores)
        self.tree.write()

    @property
    def elapsed_s(self) -> float:
        """Simulated time since the start, s."""
        return self.machine.elapsed_s

    @property
    def is_on(self) -> bool:
        """Power is on; a hung machine counts as on."""
        return self.machine.is_on

    @property
    def is_hung(self) -> bool:
        """Power is on and nothing answers: the tree stands still but for probes laid on from outside."""
        return self.machine.is_hung

    @property
    def cause(self) -> str:
        """The true cause of the case."""
        return self.parameters.cause

    def restart(self) -> None:
        """Switch the machine on again."""
        self.machine.restart()
        self.tree.write()

    def close(self) -> None:
        """Close the tree's files; the tree stays on disk."""
        self.tree.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
