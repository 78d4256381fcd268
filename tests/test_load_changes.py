"""When the commanded load changed: from the run's own events, else from the samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from tests import report_inputs as ri
from verifyrig.analysis.load_steps import is_pulsed, steps_in
from verifyrig.core.load_changes import Span, load_changes, steps_of, stretches
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import Event, StageSpan, Trace
from verifyrig.runs.last_moments import last_moments


def run_with(shares: Sequence[float], *, noted: bool) -> Trace:
    """A run of one open load stage with a share at each second, noted as events or only sampled."""
    share = np.array(shares, dtype=np.float64)
    columns = {"load_share": share, "die_temp_c": np.full(len(share), 40.0)}
    changes = zip(range(len(shares)), shares, [0.0, *shares[:-1]], strict=True)
    events = tuple(Event(t_s=float(t), kind="load", detail={"share": now}) for t, now, was in changes if now != was)
    stage = StageSpan(
        name="load", kind=StageKind.LOAD, start_s=0.0, end_s=len(shares) - 1.0, ended=StageEnd.INTERRUPTED
    )
    return ri.trace("20310314-131700-aaaa", columns, (stage,), events=events if noted else ())


@pytest.mark.parametrize("noted", [True, False], ids=["events", "samples"])
@pytest.mark.parametrize(
    ("shares", "steps"),
    [
        ([0, 0, 1, 1, 0], [(2, 0, 1), (4, 1, 0)]),
        ([1, 1, 0, 1, 0], [(0, 0, 1), (2, 1, 0), (3, 0, 1), (4, 1, 0)]),
        ([0, 0.25, 0.25, 0.4, 0.4], [(1, 0, 0.25), (3, 0.25, 0.4)]),
        ([0, 0.5, 0.52, 0.48, 0.5], [(1, 0, 0.5)]),
        ([0, 0, 0, 0, 0], []),
    ],
    ids=["once", "on-from-the-start", "steps", "steered", "never"],
)
def test_steps_are_the_same_whether_noted_or_sampled(
    shares: list[float], steps: list[tuple[float, float, float]], noted: bool
) -> None:
    assert steps_of(load_changes(run_with(shares, noted=noted))) == steps


@pytest.mark.parametrize("noted", [True, False], ids=["events", "samples"])
def test_a_load_that_is_on_from_the_first_sample_and_pulses_is_pulsed(noted: bool) -> None:
    trace = run_with([1, 1, 0, 0, 1, 1, 0, 0], noted=noted)
    assert is_pulsed(steps_in(trace, trace.stages[0]))


def test_the_last_rise_before_the_end_is_the_one_that_the_figures_see() -> None:
    trace = run_with([0, 0.25, 0.25, 0.4, 0.4, 0.4], noted=True)
    moments = last_moments(trace)
    assert moments is not None and moments.load_s == pytest.approx(moments.end_s - 3.0)


def test_a_log_that_tells_nothing_of_a_load_has_no_changes() -> None:
    trace = run_with([0, 1], noted=False)
    assert load_changes(replace(trace, columns={"die_temp_c": trace.columns["die_temp_c"]})) == []


def test_stretches_end_with_the_sample_after_the_last_that_is_on() -> None:
    t_s = np.array([0.0, 1.0, 2.0, 4.0])
    assert stretches(t_s, np.array([True, True, False, True])) == [Span(0.0, 2.0), Span(4.0, 4.0)]
    assert stretches(t_s[:0], np.array([], dtype=np.bool_)) == []
