"""How many units pass: at the first go, and in the end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from verifyrig.metrology.verdict import Verdict
from verifyrig.qa.units import Attempt

__all__ = ["Yield", "yield_of", "yields_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Yield:
    """Units that pass.

    Attributes:
        low, high: Exact interval of the share of all such units at 95 % confidence (Clopper and Pearson 1934); 0 to 1
            where there is no unit.
    """

    passed: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float | None:
        return self.passed / self.of if self.of else None


def yields_of(attempts: Sequence[Attempt], verdicts: Mapping[str, Verdict]) -> tuple[Yield, Yield]:
    """Return the first-pass and the final yield: what passes without a rework, and what passes at its last attempt."""
    first = [verdicts[attempt.run.run] for attempt in attempts if attempt.number == 1]
    last = [verdicts[attempt.run.run] for attempt in attempts if attempt.last]
    passed = [sum(verdict is Verdict.PASS for verdict in verdicts) for verdicts in (first, last)]
    return yield_of(passed[0], len(first)), yield_of(passed[1], len(last))


def yield_of(passed: int, of: int) -> Yield:
    """Return the yield of `of` units."""
    from scipy.special import betaincinv

    low = float(betaincinv(passed, of - passed + 1, 0.025)) if passed else 0.0
    high = float(betaincinv(passed + 1, of - passed, 0.975)) if passed < of else 1.0
    return Yield(passed=passed, of=of, low=low, high=high)
