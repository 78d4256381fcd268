"""Verdicts on columns are those on single figures and runs: one rule, whichever way it is asked."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from verifyrig.core.outcome import Outcome
from verifyrig.metrology.run_verdict import figure_verdict, run_verdict
from verifyrig.metrology.verdict import MILDEST_FIRST
from verifyrig.metrology.verdict_columns import judge_figures, judge_runs

# On each limit and each acceptance limit of 10 to 20 with U = 1 (ILAC-G8:09/2019, 4.2.3), beside them, and no figure.
VALUES = [math.nan, math.inf, -math.inf, *(x + d for x in (9, 10, 11, 15, 19, 20, 21) for d in (-1e-9, 0.0, 1e-9))]
FIGURES = list(itertools.product(VALUES, [0.0, 1.0, 7.0, math.nan], [True, False]))


@pytest.mark.parametrize(("minimum", "maximum"), [(None, 20.0), (10.0, None), (10.0, 20.0), (20.0, 20.0)])
def test_each_figure_gets_the_verdict_that_it_gets_alone(minimum: float | None, maximum: float | None) -> None:
    values, u95, may_pass = (np.array(column) for column in zip(*FIGURES, strict=True))
    found = judge_figures(values, u95, may_pass, minimum=minimum, maximum=maximum)
    alone = [figure_verdict(v, u, minimum=minimum, maximum=maximum, may_pass=may) for v, u, may in FIGURES]
    assert [MILDEST_FIRST[place] for place in found.tolist()] == alone
    assert len(set(alone)) >= 4


def test_each_run_gets_the_verdict_that_it_gets_alone() -> None:
    places = range(len(MILDEST_FIRST))
    runs = list(itertools.product(places, places, list(Outcome), [True, False]))
    limits = [np.array([run[at] for run in runs], dtype=np.int8) for at in (0, 1)]
    completed = np.array([outcome == Outcome.COMPLETED for _, _, outcome, _ in runs])
    lost_power = np.array([lost for *_, lost in runs])
    for count in (0, 1, 2):
        found = judge_runs(limits[:count], completed=completed, lost_power=lost_power)
        alone = [
            run_verdict([MILDEST_FIRST[p] for p in both[:count]], outcome=outcome, lost_power=lost)
            for *both, outcome, lost in runs
        ]
        assert [MILDEST_FIRST[place] for place in found.tolist()] == alone


def test_what_cannot_be_judged_is_said() -> None:
    one, may = np.ones(1), np.ones(1, dtype=np.bool_)
    for keywords in ({"minimum": None, "maximum": None}, {"minimum": 3.0, "maximum": 2.0}):
        with pytest.raises(ValueError, match=r"minimum"):
            judge_figures(one, one, may, **keywords)
    with pytest.raises(ValueError, match="negative"):
        judge_figures(one, -one, may, minimum=None, maximum=2.0)
