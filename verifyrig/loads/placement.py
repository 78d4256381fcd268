"""Which cores get a worker, and which share of the whole processor these workers are at full duty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from verifyrig.core.errors import LoadError

WHERE = "load, workers"


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Where the workers go.

    Attributes:
        workers: Core number of each worker.
        duty: What each worker's duty is multiplied by, so that `quarter` is a quarter of the whole processor
            also where its cores do not divide by four.
        cores: How many cores the processor has.
        in_turn: Whether one worker after the other is loaded, not all at once.
        named: Whether the cores were chosen by number.
    """

    workers: tuple[int, ...]
    duty: float = 1.0
    cores: int = 1
    in_turn: bool = False
    named: bool = False

    @property
    def scale(self) -> float:
        """Share of the whole processor that is busy at duty 1, 0 to 1."""
        busy = 1 if self.in_turn else len(self.workers)
        return self.duty * busy / self.cores

    def active(self, turn: int) -> tuple[int, ...]:
        """Return the cores that work in the given turn, from 0: all of them, or one after the other."""
        return (self.workers[turn % len(self.workers)],) if self.in_turn else self.workers


def place(workers: str | int | tuple[int, ...], cores: Sequence[int]) -> Placement:
    """Return the placement of `all`, `quarter`, `in-turn`, a number of workers, or core numbers.

    Args:
        workers: As the profile says.
        cores: Core numbers of this processor that may be used, at least one.

    Raises:
        LoadError: More workers than cores, a core that is not there, or none at all.
    """
    usable = tuple(cores)
    if workers == "all":
        return Placement(workers=usable, cores=len(usable))
    if workers == "in-turn":
        return Placement(workers=usable, cores=len(usable), in_turn=True)
    if workers == "quarter":
        wanted = len(usable) / 4
        count = math.ceil(wanted)
        return Placement(workers=_spread(usable, count), duty=wanted / count, cores=len(usable))
    if isinstance(workers, str):
        raise LoadError(f"{workers!r} is no choice", where=WHERE, mend="Write all, quarter, in-turn or a number.")
    if isinstance(workers, int):
        return Placement(workers=_spread(usable, _checked_count(workers, len(usable))), cores=len(usable))
    return Placement(workers=_checked_cores(workers, usable), cores=len(usable), named=True)


def _spread(cores: tuple[int, ...], count: int) -> tuple[int, ...]:
    """Return `count` cores at even distances, so that few workers heat the whole die rather than one corner."""
    return tuple(cores[i * len(cores) // count] for i in range(count))


def _checked_count(count: int, cores: int) -> int:
    if not 1 <= count <= cores:
        raise LoadError(
            f"{count} workers do not fit on {cores} core{'s' if cores > 1 else ''}",
            where=WHERE,
            mend=f"Ask for 1 to {cores}, or for all.",
        )
    return count


def _checked_cores(named: tuple[int, ...], cores: tuple[int, ...]) -> tuple[int, ...]:
    strange = sorted(set(named) - set(cores))
    if strange or not named or len(set(named)) != len(named):
        what = f"there is no core {strange[0]} to load" if strange else "the list of cores is empty or repeats one"
        raise LoadError(what, where=WHERE, mend=f"Choose from {', '.join(map(str, cores))}, each once.")
    return named
