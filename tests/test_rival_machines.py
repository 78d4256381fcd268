"""Which machines a forecast starts from, and which of those that it ends at are the same."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from verifyrig.analysis import posterior as module
from verifyrig.analysis.compress import compress
from verifyrig.analysis.posterior import Peak, update
from verifyrig.analysis.prior import PLAUSIBLE, P
from verifyrig.core.trace import FloatArray

N = 120
FAULTS = [P.PLATE_TO_SINK, P.SINK_TO_AIR, P.CASE_TO_AMBIENT, P.OFFSET]


def peak(*z: float, slope: float = 0.0, cost: float = 0.0) -> Peak:
    return Peak(np.array(z), slope * np.eye(len(z)), 0.0, cost)


@pytest.mark.parametrize(("away", "slope", "kept"), [(1.41, 0.0, 1), (1.42, 0.0, 2), (0.7, 2.0, 2), (0.6, 2.0, 1)])
def test_peaks_within_root_two_standard_deviations_are_one(away: float, slope: float, kept: int) -> None:
    """The curvature at a peak is that of prior and readings together: one, and the square of the derivatives."""
    found = module._distinct([peak(0.0, 0.0, slope=slope), peak(away, 0.0, slope=slope)])
    assert [one.z[0] for one in found] == [0.0, away][:kept]


def test_a_third_peak_is_held_against_all_before_it() -> None:
    found = module._distinct([peak(0.0), peak(5.0), peak(5.5), peak(-5.0)])
    assert [float(one.z[0]) for one in found] == [0.0, 5.0, -5.0]


class _Started(Exception):
    """The search was about to begin."""


def _starts(monkeypatch: pytest.MonkeyPatch, starts: FloatArray | None, *, rare: bool) -> FloatArray:
    seen: list[FloatArray] = []

    def descend(_fit: object, z: FloatArray, *_how_long: int) -> Any:
        seen.append(z)
        raise _Started

    _asked(monkeypatch, descend, starts, rare=rare)
    return seen[0]


def _asked(
    monkeypatch: pytest.MonkeyPatch, descend: Callable[..., Any], starts: FloatArray | None, *, rare: bool
) -> None:
    monkeypatch.setattr(module, "descend", descend)
    t = np.arange(float(N))
    share = (t >= 40).astype(float)
    temp = 35 + 25 * share * (1 - np.exp(-(t - 40) / 15))
    data = compress(t, temp, 15 + 85 * share, np.full(N, 22.0), None, share)
    assert data is not None
    with pytest.raises(_Started):
        update(PLAUSIBLE, data, 0.3, 1.0, starts, rare=rare)


def test_a_search_without_machines_of_before_starts_at_each_rare_fault_too(monkeypatch: pytest.MonkeyPatch) -> None:
    plain, rare = (_starts(monkeypatch, None, rare=rare) for rare in (False, True))
    assert len(plain) == 2
    assert rare[:2].tolist() == plain.tolist()
    faults = np.zeros((4, len(P) - 1))
    faults[np.arange(4), FAULTS] = 1.7
    assert rare[2:].tolist() == faults.tolist()


def test_machines_of_before_are_started_from_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    before = np.ones((3, len(P) - 1))
    assert _starts(monkeypatch, before, rare=True).tolist() == before.tolist()


def test_from_rare_faults_the_way_is_longer_and_rivals_go_it_for_longer(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a record the best machine in the end cost 21 more than another after two rounds, and still more after five."""
    how_long: list[tuple[int, ...]] = []

    def descend(_fit: object, _z: FloatArray, *rounds: int) -> Any:
        how_long.append(rounds)
        raise _Started

    for rare in (False, True):
        _asked(monkeypatch, descend, None, rare=rare)
    assert how_long == [(), (8, 6)]


def test_up_to_four_that_are_nearly_as_good_count_as_rivals() -> None:
    costs = [10.0, 12.0, 14.0, 16.9, 16.95, 17.0]
    found = module.rivals([peak(float(at), cost=cost) for at, cost in enumerate(costs)])
    assert [one.cost for one in found] == costs[:4]
    assert [one.cost for one in module.rivals([peak(0.0, cost=1.0), peak(1.0, cost=8.0)])] == [1.0]
