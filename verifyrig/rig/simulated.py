"""Simulated hardware: the one module that knows `mock_hw`. A run, the demo and the command line ask here."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

from verifyrig.core.clock import VirtualClock
from verifyrig.core.interfaces import MachineOff
from verifyrig.core.outcome import CauseClass

if TYPE_CHECKING:
    from mock_hw.bench import SimulatedBench


class SimulatedStand(NamedTuple):
    """A simulated machine that runs: its clock, and the root of its tree."""

    clock: VirtualClock
    root: Path


class TypicalMachine(NamedTuple):
    """What is simulated under a case's name: cooler (`air` or `liquid`) and the true cause of its fault."""

    cooler: str
    cause: str


def simulated_cases() -> tuple[str, ...]:
    """Return the names of all cases, sorted."""
    from mock_hw.physics.parameters import CASES

    return tuple(sorted(CASES))


def typical_machine(case: str) -> TypicalMachine:
    """Return what the typical machine of a case is."""
    from mock_hw.physics.parameters import draw

    machine = draw(case, 0)
    return TypicalMachine(cooler=machine.cooler, cause=machine.cause)


@contextlib.contextmanager
def open_simulated(
    case: str,
    seed: int,
    *,
    probes: Sequence[str],
    start: Literal["rest", "cold"],
    start_utc_s: float | None,
    speed: float | None,
) -> Iterator[SimulatedStand]:
    """Have a simulated machine run below a folder of its own, which goes away with it.

    Args:
        case, seed: A name of `simulated_cases`, and which machine of that case; 0 is the typical one.
        probes: Probes laid on the machine ("room", "plate", "exhaust", ...).
        start: Settled at idle, or just switched on after a night.
        start_utc_s: Wall clock at the start, s since 1970; now where None.
        speed: Pace of its time against real time; None as fast as the processor allows.
    """
    from mock_hw.bench import SimulatedBench

    with tempfile.TemporaryDirectory(prefix="verifyrig-mock-") as folder:
        machine = SimulatedBench(case, seed, Path(folder), probes=probes, start=start)
        with contextlib.closing(machine):
            clock = VirtualClock(_advance(machine), start_utc_s=start_utc_s, speed=speed)
            yield SimulatedStand(clock=clock, root=Path(folder))


def _advance(machine: SimulatedBench) -> Callable[[float], None]:
    def on_advance(t_s: float) -> None:
        machine.advance_to(t_s)
        if not machine.is_on:
            raise MachineOff
        if machine.is_hung:
            raise MachineOff(CauseClass.HANG)

    return on_advance
