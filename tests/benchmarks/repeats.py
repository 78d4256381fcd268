"""How often a comparison finds a change where nothing was done to the machine, and where its K/W grew by a tenth.

Simulated machines differ between their two runs as two days do (`simulated_pair`), with the ambient measured and
without; of a board all pairs of its cycles. Constants were chosen on `board_exhaust_fan` and on seeds below 100;
`board_solid_top`, the server cards and the seeds used here were kept aside. Two things were seen on that board, without
choosing a number by it: what states a run may begin in (`analysis.two_runs`), by its first cycle, and that a cooldown
of unknown power tells nothing, since with cooldowns 9 of 48 pairs of its cycles came out as changed.
Intervals are Clopper-Pearson, 95 %; pairs of one board's cycles hang together, so theirs are narrower than the truth.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import Any

from scipy import stats

from tests.repeats import (
    COOLDOWN_S,
    DESKTOP_COOLDOWN_S,
    DESKTOP_IDLE_S,
    IDLE_S,
    board_cycles,
    card_traces,
    simulated_pair,
)
from verifyrig.analysis import compare
from verifyrig.analysis.settled import commanded_share
from verifyrig.core.trace import Trace

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "traces"
FIRST_SEED = 2001
_FIGURES = ("peak", "rate", "settled", "rise", "thermal_resistance")
_FACTOR = 1.10


def clopper_pearson(found: int, of: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a share (Clopper and Pearson, Biometrika 26, 1934)."""
    interval = stats.binomtest(found, of).proportion_ci(confidence, method="exact")
    return float(interval.low), float(interval.high)


def found_in(pairs: Iterable[tuple[Trace, Trace]], stage: str = "load") -> dict[str, tuple[int, int]]:
    """Return for each figure of the stage how often it came out as changed, and of how many comparisons.

    `any` counts the pairs where one of them did; pairs that may not be compared count there as not found.
    """
    changed: Counter[str] = Counter()
    compared: Counter[str] = Counter()
    for before, after in pairs:
        found = compare(_of_stage(before, stage), _of_stage(after, stage)).metrics
        of_stage = {
            name.rsplit(".", 1)[-1]: metric
            for name, metric in found.items()
            if name.startswith(f"{stage}.") and "ambient" not in name and metric.significant is not None
        }
        told = {figure: of_stage[figure].significant for figure in _FIGURES if figure in of_stage}
        changed.update(figure for figure, significant in told.items() if significant)
        compared.update(list(told))
        changed["any"] += any(told.values())
        compared["any"] += 1
    return {figure: (changed[figure], compared[figure]) for figure in (*_FIGURES, "any") if compared[figure]}


def _of_stage(trace: Trace, stage: str) -> Trace:
    """Return the whole run with that one stage named: the others' figures take most of the time and are not asked.

    What the others tell of the load is kept as its share.
    """
    share = {"load_share": commanded_share(trace)}
    stages = tuple(span for span in trace.stages if span.name == stage)
    return replace(trace, stages=stages, columns={**share, **trace.columns})


def board_pairs(path: Path, factor: float = 1.0) -> list[tuple[Trace, Trace]]:
    """Return all pairs of a board's cycles, the later one with its K/W multiplied by the factor."""
    before = board_cycles(path)
    after = before if factor == 1.0 else board_cycles(path, k_per_w_factor=factor)
    return [(before[i], after[j]) for i, j in combinations(range(len(before)), 2)]


def card_pairs(path: Path) -> list[tuple[Trace, Trace]]:
    """Return each card against itself: its odd and its even readings, as two loggers would have had them."""
    return list(zip(card_traces(path, every=2), card_traces(path, every=2, offset=1), strict=True))


def simulated_pairs(
    seeds: Sequence[int], factor: float, *, ambient_measured: bool, as_desktop: bool = False
) -> list[tuple[Trace, Trace]]:
    """Return pairs of runs of drawn machines; those that reach their limit are left out.

    With a minute of idle and of cooldown, or for as long as the desktop profiles have them.
    """
    idle_s, cooldown_s = (DESKTOP_IDLE_S, DESKTOP_COOLDOWN_S) if as_desktop else (IDLE_S, COOLDOWN_S)
    pairs = (
        simulated_pair(seed, factor=factor, ambient_measured=ambient_measured, idle_s=idle_s, cooldown_s=cooldown_s)
        for seed in seeds
    )
    return [pair for pair in pairs if pair is not None]


def _told(pairs: list[tuple[Trace, Trace]]) -> dict[str, str]:
    return {
        figure: f"{found} of {of}, {low:.3f} to {high:.3f}"
        for figure, (found, of) in found_in(pairs).items()
        for low, high in [clopper_pearson(found, of)]
    }


def measure(full: bool = True) -> dict[str, Any]:
    """Return both rates for simulated machines and, where the traces are there, for real ones."""
    seeds = range(FIRST_SEED, FIRST_SEED + (300 if full else 20))
    answer: dict[str, Any] = {}
    rows = (
        ("simulated", True, False),
        ("simulated_without_ambient", False, False),
        ("simulated_without_ambient_as_desktop", False, True),
    )
    for word, measured, as_desktop in rows:
        for case, factor in (("nothing_changed", 1.0), ("a_tenth_worse", _FACTOR)):
            pairs = simulated_pairs(seeds, factor, ambient_measured=measured, as_desktop=as_desktop)
            answer[f"{word}_{case}"] = _told(pairs)
    if SHARED.is_dir():
        for name in ("board_exhaust_fan", "board_solid_top"):
            for case, factor in (("nothing_changed", 1.0), ("a_tenth_worse", _FACTOR)):
                answer[f"{name}_{case}"] = _told(board_pairs(SHARED / f"{name}.csv", factor))
        answer["cards_nothing_changed"] = _told(card_pairs(SHARED / "eight_gpus_idle_to_load.csv"))
    return answer
