"""Where the ranges of cards in `machine_ranges.CARD` come from: `python -m tests.card_ranges` prints them.

Eight server cards (`../shared/traces`, one load each) and cards 1 and 3 of `tests/data/four_cards.csv` are explained;
cards 2 and 4 stay aside for judging. The first ranges are a processor's, each several times as wide. What the ten show
on average, how far they lie apart and how well each is known gives the next ones, until they stay as they are (the EM
algorithm for a population of normals, Dempster, Laird, Rubin 1977, from memory). All ten are cards of 700 W without a
fan of their own. Other dies differ from theirs as far as those of processors differ from each other; and of the cards
that come to a shop half have a cooler with fans, which is a processor's in a processor's terms (common practice, no
source).
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.real_series import RealStep, real_steps
from verifyrig.analysis.forecast import explain
from verifyrig.analysis.prior import PLAUSIBLE, PLAUSIBLE_CARD, P, Prior
from verifyrig.analysis.samples import prepare
from verifyrig.core.heat_sources import CARD as CARD_PART
from verifyrig.core.trace import FloatArray

TYPICAL_AMBIENT_C = 22.5
TRACES = Path(__file__).resolve().parents[2] / "shared" / "traces"
_FIRST_WIDER, _FIRST_OFFSET_K = 3.0, 10.0
# After some rounds what whole degrees cannot tell goes on drifting to where it shows nothing at all.
_ROUNDS = 4
# Of all else (fans, leakage, the case) no card showed anything.
OF_COOLERS = (P.PLATE_TO_SINK, P.PLATE_CAPACITY, P.SINK_CAPACITY, P.SINK_TO_AIR)
SHOWN = (P.DIE_TO_PLATE, P.DIE_CAPACITY, *OF_COOLERS, P.OFFSET)


def explained(step: RealStep, prior: Prior) -> FloatArray:
    """Return parameters of machines that explain a card's record, shape (d, p)."""
    samples = prepare(step.t_s, step.temp_c, step.power_w, None, TYPICAL_AMBIENT_C, step.share, None, CARD_PART)
    assert samples is not None
    posterior = explain(replace(samples, prior=prior), 1.0, None, None)
    assert posterior is not None
    return posterior.draws


def population(steps: list[RealStep], prior: Prior) -> Prior:
    """Return the ranges that these cards show when they are explained from the ranges before."""
    found = [explained(step, prior) for step in steps]
    middle, spread = prior.middle.copy(), prior.spread.copy()
    for p in SHOWN:
        values = [np.log(draws[:, p]) if prior.logarithmic[p] else draws[:, p] for draws in found]
        means = np.array([float(np.mean(v)) for v in values])
        mean = float(np.mean(means))
        middle[p] = np.exp(mean) if prior.logarithmic[p] else mean
        spread[p] = float(np.sqrt(np.var(means) + np.mean([np.var(v) for v in values])))
    return replace(prior, middle=middle, spread=spread)


def derived(traces: Path = TRACES) -> dict[str, tuple[float, float]]:
    """Return middle and spread of each range, by its name in the table."""
    last = {step.series: step for step in real_steps(traces) if step.card and not step.aside}
    at = np.isin(np.arange(len(PLAUSIBLE.middle)), SHOWN)
    prior = replace(
        PLAUSIBLE_CARD,
        middle=np.where(at, PLAUSIBLE.middle, PLAUSIBLE_CARD.middle),
        spread=np.where(at, _FIRST_WIDER * PLAUSIBLE.spread, PLAUSIBLE_CARD.spread),
        tail=np.where(at, 0.0, PLAUSIBLE_CARD.tail),
    ).changed(offset=(0.0, _FIRST_OFFSET_K))
    for _ in range(_ROUNDS):
        prior = population(list(last.values()), prior)
    return {p.name.lower(): _of_any_card(prior, p) for p in SHOWN}


def _of_any_card(measured: Prior, p: P) -> tuple[float, float]:
    middle, spread = float(measured.middle[p]), float(measured.spread[p])
    other, other_spread = float(PLAUSIBLE.middle[p]), float(PLAUSIBLE.spread[p])
    if p in OF_COOLERS:
        apart = math.log(other / middle) / 2
        return math.sqrt(middle * other), math.sqrt((spread**2 + other_spread**2) / 2 + apart**2)
    return middle, math.hypot(spread, other_spread if measured.logarithmic[p] else 0.0)


def main() -> None:
    """Print the ranges."""
    for name, (middle, spread) in derived().items():
        print(f"{name}: {middle:.3g}, {spread:.2g}")


if __name__ == "__main__":
    main()
