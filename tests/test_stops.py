"""What follows from all that can stop or interrupt a run: no further load, the run's end, its outcome and cause."""

from __future__ import annotations

import pytest

from verifyrig.core.contract import TripObject
from verifyrig.core.interfaces import Controls
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.reason import reason
from verifyrig.rig.stops import StopKind, Stops

WHY = reason("nobody-present")
INTERRUPTING = {
    StopKind.LOAD_FAILED: CauseClass.LOAD_FAILED,
    StopKind.BENCH_COMPUTER: CauseClass.OPERATOR,
    StopKind.SPACE_BAR: CauseClass.OPERATOR,
    StopKind.SUSPEND: CauseClass.SUSPEND,
}
# Nothing can be kept any more, a person must see to the machine now, or nobody knows what happened meanwhile.
ENDING = {StopKind.RECORD_FAILED, StopKind.DANGER, StopKind.SUSPEND}
ADDED = [kind for kind in StopKind if kind is not StopKind.QUIT]


def test_nothing_happened_and_the_run_was_completed() -> None:
    stops = Stops(Controls())
    assert (stops.outcome, stops.cause, stops.no_more_load, stops.run_is_over) == (
        Outcome.COMPLETED,
        None,
        False,
        False,
    )


@pytest.mark.parametrize("kind", ADDED)
def test_whatever_happens_no_load_begins_any_more(kind: StopKind) -> None:
    stops = Stops(Controls())
    stops.add(kind, WHY)
    assert stops.no_more_load and stops.happened(kind)
    assert stops.run_is_over is (kind in ENDING)


@pytest.mark.parametrize("kind", ADDED)
def test_a_stop_for_safety_has_a_message_and_an_interruption_a_cause(kind: StopKind) -> None:
    stops = Stops(Controls())
    stops.add(kind, WHY)
    if kind in INTERRUPTING:
        assert stops.outcome is Outcome.INTERRUPTED and stops.for_safety == []
        assert stops.cause == {"class": INTERRUPTING[kind], "why": [str(WHY)]}
    else:
        assert stops.outcome is Outcome.STOPPED and stops.for_safety == [WHY] and stops.cause is None


TRIP: TripObject = {
    "rule": "max",
    "channel": "die_temp_c",
    "value": 96.0,
    "limit": 95.0,
    "stage": "load",
    "t_s": 70.0,
    "load_off_s": 0.01,
}


@pytest.mark.parametrize(("trip", "outcome"), [(None, Outcome.STOPPED), (TRIP, Outcome.TRIPPED)])
def test_a_trip_outranks_a_stop_and_a_stop_an_interruption(trip: TripObject | None, outcome: Outcome) -> None:
    stops = Stops(Controls())
    stops.add(StopKind.SPACE_BAR, WHY)
    stops.add(StopKind.LOAD_LOST, WHY)
    stops.trip = trip
    assert stops.outcome is outcome and stops.cause is not None


@pytest.mark.parametrize(
    ("asked", "cause"),
    [
        ("operator", CauseClass.OPERATOR),
        ("terminated", CauseClass.TERMINATED),
        ("hangup", CauseClass.TERMINATED),
    ],
)
def test_who_asks_for_the_end_is_obeyed_at_once_and_named_at_the_end(asked: str, cause: CauseClass) -> None:
    controls = Controls()
    stops = Stops(controls)
    controls.quit(asked)
    assert stops.no_more_load and stops.run_is_over and stops.interrupted is None
    stops.add_quit()
    assert stops.cause is not None and stops.cause["class"] is cause


def test_the_first_interruption_stands() -> None:
    controls = Controls()
    stops = Stops(controls)
    stops.add(StopKind.SUSPEND, WHY)
    controls.quit("operator")
    stops.add_quit()
    assert stops.cause is not None and stops.cause["class"] is CauseClass.SUSPEND
