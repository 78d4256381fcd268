"""The one rule for a figure's and a run's verdict, taken by itself.

Limits by ILAC-G8:09/2019, 4.2.3: pass at y <= TL - U, conditional pass up to TL, conditional fail up to TL + U, then
fail.
"""

from __future__ import annotations

import pytest

from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import Outcome
from verifyrig.metrology.run_verdict import figure_verdict, leans_to_pass, proven, run_verdict, without_pass
from verifyrig.metrology.verdict import Verdict

PASS, MAYBE, MAYBE_NOT, FAIL, NONE = (
    Verdict.PASS, Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL, Verdict.FAIL, Verdict.NOT_MEASURED,
)  # fmt: skip


@pytest.mark.parametrize(
    ("value", "verdict", "where_nothing_passes"),
    [(79.0, PASS, NONE), (79.5, MAYBE, NONE), (80.5, MAYBE_NOT, MAYBE_NOT), (81.5, FAIL, FAIL), (None, NONE, NONE)],
)
def test_a_figure_that_may_not_pass_still_fails(
    value: float | None, verdict: Verdict, where_nothing_passes: Verdict
) -> None:
    assert figure_verdict(value, 1.0, maximum=80.0) is verdict
    assert figure_verdict(value, 1.0, maximum=80.0, may_pass=False) is where_nothing_passes
    assert without_pass(verdict) is where_nothing_passes
    assert leans_to_pass(verdict) is (verdict in (PASS, MAYBE))


def test_a_figure_is_held_against_its_lower_limit_too() -> None:
    assert figure_verdict(60.0, 1.0, minimum=62.0) is FAIL and figure_verdict(64.0, 1.0, minimum=62.0) is PASS


@pytest.mark.parametrize(
    ("integrity", "of_pass", "of_fail"),
    [
        (Integrity.SEALED, PASS, FAIL),
        # Nobody knows what is missing at its end, so it proves nothing good; what it shows stays.
        (Integrity.UNSEALED, NONE, FAIL),
        (Integrity.RECORDING, NONE, FAIL),
        # Whatever it shows may be another's work: it fails nobody either.
        (Integrity.ALTERED, NONE, NONE),
        (Integrity.DAMAGED, NONE, NONE),
    ],
)
def test_a_verdict_goes_as_far_as_its_record_bears_it(integrity: Integrity, of_pass: Verdict, of_fail: Verdict) -> None:
    assert (proven(PASS, integrity), proven(FAIL, integrity)) == (of_pass, of_fail)
    done = {"outcome": Outcome.COMPLETED, "lost_power": False, "integrity": integrity}
    assert (run_verdict([PASS], **done), run_verdict([FAIL], **done)) == (of_pass, of_fail)  # type: ignore[arg-type]


@pytest.mark.parametrize("outcome", [outcome for outcome in Outcome if outcome is not Outcome.COMPLETED])
def test_only_a_completed_run_passes_and_any_may_fail(outcome: Outcome) -> None:
    told = [run_verdict([one], outcome=outcome, lost_power=False) for one in (PASS, MAYBE, MAYBE_NOT, FAIL)]
    assert told == [NONE, NONE, MAYBE_NOT, FAIL]


def test_a_run_is_worth_what_its_worst_figure_is_and_nothing_without_any() -> None:
    done = {"outcome": Outcome.COMPLETED, "lost_power": False}
    assert run_verdict([PASS, MAYBE, PASS], **done) is MAYBE  # type: ignore[arg-type]
    assert run_verdict([PASS, FAIL, NONE], **done) is FAIL  # type: ignore[arg-type]
    assert run_verdict([], **done) is NONE  # type: ignore[arg-type]


@pytest.mark.parametrize("outcome", list(Outcome))
def test_a_machine_that_lost_its_power_has_failed_unless_its_record_is_broken(outcome: Outcome) -> None:
    assert run_verdict([PASS], outcome=outcome, lost_power=True) is FAIL
    assert run_verdict([PASS], outcome=outcome, lost_power=True, integrity=Integrity.UNSEALED) is FAIL
    assert run_verdict([PASS], outcome=outcome, lost_power=True, integrity=Integrity.DAMAGED) is NONE
