"""The rules of a job: purposes, cautions, what a close and a pickup need. Common practice, no source."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from verifyrig.analysis.results import Comparison, MetricDifference, StageComparison
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import Outcome
from verifyrig.core.reason import reason
from verifyrig.jobs.model import EntryKind, Intake, Job, JobEntry, Machine, RunFacts, merged, months_later
from verifyrig.jobs.returned import judge_come_back
from verifyrig.jobs.rules import (
    last_profile,
    load_caution,
    missing_verification,
    next_purpose,
    obstacles_to_close,
    signed_off_run,
)
from verifyrig.jobs.vocabulary import CHANGE_KINDS, protective_steps
from verifyrig.report.reasons import reason_text
from verifyrig.report.wording import words_for

MORNING = datetime(2026, 3, 14, 9, tzinfo=UTC)


def at(minutes: float) -> datetime:
    return MORNING + timedelta(minutes=minutes)


def entry(minutes: float, kind: EntryKind, what: str, **detail: Any) -> JobEntry:
    return JobEntry(entry_id=f"e-{minutes:g}-{what}", time=at(minutes), kind=kind, what=what, detail=detail)


def change(minutes: float, what: str, **detail: Any) -> JobEntry:
    return entry(minutes, EntryKind.CHANGE, what, **detail)


def job(*entries: JobEntry, kind: str = "desktop-air") -> Job:
    return Job(job_id="a", opened=MORNING, intake=Intake(machine=Machine(kind=kind)), entries=entries)


def run(
    minutes: float, purpose: str, outcome: str = "completed", verdict: str | None = "pass", **more: Any
) -> RunFacts:
    facts: dict[str, Any] = {"profile": "desktop-air", "cause": None, "recipe": "r1", **more}
    return RunFacts(
        run=f"run-{minutes:g}", purpose=purpose, outcome=Outcome(outcome), verdict=verdict, started=at(minutes), **facts
    )


def ticked(minutes: float, kind: str = "desktop-air") -> list[JobEntry]:
    return [entry(minutes, EntryKind.STEP, step, value="yes") for step in protective_steps(kind)]


# ---- what the next run is for


@pytest.mark.parametrize(
    ("entries", "runs", "purpose"),
    [
        ([], [], "baseline"),
        ([], [run(1, "baseline")], "check"),
        ([], [run(1, "baseline", "interrupted", None, cause="operator")], "baseline"),
        ([], [run(1, "baseline", "interrupted", None, cause="power-off")], "check"),
        ([], [run(1, "baseline", "stopped", "not-measured")], "check"),
        ([change(5, "cleaned")], [run(1, "baseline")], "verification"),
        ([change(0, "cleaned")], [], "baseline"),
        ([change(5, "part-fitted-for-test", part="cooler")], [run(1, "baseline")], "check"),
        (
            [change(5, "part-fitted-for-test", part="cooler"), change(6, "part-returned", part="Cooler ")],
            [run(1, "baseline")],
            "verification",
        ),
        ([change(5, "paste-renewed")], [run(1, "baseline"), run(9, "verification")], "verification"),
    ],
)
def test_baseline_first_then_verification_after_a_change(
    entries: list[JobEntry], runs: list[RunFacts], purpose: str
) -> None:
    assert next_purpose(job(*entries), runs) == purpose


def test_the_last_profile_is_that_of_the_newest_run_whatever_their_order() -> None:
    runs = [run(9, "check", profile="soak"), run(1, "baseline"), run(12, "check", profile=None)]
    assert last_profile(runs) == "soak"
    assert last_profile([]) is None


# ---- a load that ended badly


@pytest.mark.parametrize(
    ("outcome", "cause", "cautioned"),
    [
        ("tripped", None, True),
        ("stopped", None, True),
        ("interrupted", "power-off", True),
        ("interrupted", "hang", True),
        ("interrupted", "unknown", True),
        ("interrupted", "operator", False),
        ("interrupted", "killed", False),
        ("completed", None, False),
    ],
)
def test_only_an_end_that_speaks_of_the_machine_is_a_caution(outcome: str, cause: str | None, cautioned: bool) -> None:
    caution = load_caution(job(), [run(1, "baseline", outcome, None, cause=cause)])
    assert (caution is not None) == cautioned
    if caution is not None:
        assert caution.instead == "pulses-only" and caution.reason.values["run"] == "run-1"


def test_a_caution_lasts_until_something_is_changed_or_the_same_recipe_went_through() -> None:
    bad = run(1, "baseline", "tripped", "fail")
    assert load_caution(job(change(5, "cleaned")), [bad]) is None
    assert load_caution(job(), [bad, run(9, "check")]) is None
    assert load_caution(job(), [bad, run(9, "check", recipe="pulses")]) is not None
    assert load_caution(job(), [bad, run(9, "check", "interrupted", None, cause="operator")]) is not None


# ---- closing


def test_a_test_part_in_the_machine_keeps_the_job_open() -> None:
    entries = [change(2, "part-fitted-for-test", part="Supply 650 W"), *ticked(9)]
    runs = [run(1, "baseline"), run(5, "verification")]
    assert [o.kind for o in obstacles_to_close(job(*entries), runs)] == ["test-part"]
    back = change(3, "part-returned", part="supply  650 w")
    assert obstacles_to_close(job(*entries, back), runs) == []


def test_a_test_part_that_stays_as_a_replacement_is_no_test_part_any_more() -> None:
    entries = [change(2, "part-fitted-for-test", part="pump"), change(3, "part-replaced", part="pump")]
    assert job(*entries).test_parts() == ()


def test_every_protective_step_must_be_ticked() -> None:
    found = obstacles_to_close(job(*ticked(1)[:-1]), [])
    assert [o.kind for o in found] == ["step"] and "settings-noted" in found[0].text
    unticked = [*ticked(1), entry(2, EntryKind.STEP, "static", value="no")]
    assert [o.kind for o in obstacles_to_close(job(*unticked), [])] == ["step"]


def test_laptops_and_liquid_coolers_have_steps_of_their_own() -> None:
    assert "pack-flat" in protective_steps("laptop") and "no-coolant" in protective_steps("desktop-liquid")
    assert "pack-flat" not in protective_steps("desktop-air") and len(protective_steps("nonsense")) >= 4


@pytest.mark.parametrize("what", [kind for kind in CHANGE_KINDS if kind not in ("paste-renewed", "reseated")])
def test_one_verification_must_stand_after_the_last_change(what: str) -> None:
    changed = job(change(5, what, part="x"))
    assert missing_verification(changed, [run(1, "verification")]) is not None
    assert missing_verification(changed, [run(9, "check")]) is not None
    assert missing_verification(changed, [run(9, "verification")]) is None
    assert missing_verification(changed, [run(9, "verification", verdict="conditional-pass")]) is None


@pytest.mark.parametrize("verdict", ["fail", "conditional-fail", "not-measured", None])
def test_a_verification_that_does_not_pass_does_not_stand(verdict: str | None) -> None:
    missing = missing_verification(job(change(5, "cleaned")), [run(9, "verification", verdict=verdict)])
    assert missing is not None and (missing.code, missing.values["run"]) == ("verification-does-not-stand", "run-9")


def test_a_later_failure_outweighs_an_earlier_pass_but_an_operators_interruption_does_not() -> None:
    changed = job(change(5, "cleaned"))
    runs = [run(9, "verification")]
    assert missing_verification(changed, [*runs, run(12, "verification", verdict="fail")]) is not None
    interrupted = run(12, "verification", "interrupted", None, cause="operator")
    assert missing_verification(changed, [*runs, interrupted]) is None


@pytest.mark.parametrize(
    ("what", "detail"), [("paste-renewed", {}), ("reseated", {}), ("part-replaced", {"part": "x", "new_mount": True})]
)
def test_two_verifications_must_stand_after_new_paste_or_a_new_mount(what: str, detail: dict[str, Any]) -> None:
    changed = job(change(5, what, **detail))
    assert "second" in str(missing_verification(changed, [run(9, "verification")]))
    assert missing_verification(changed, [run(9, "verification"), run(12, "verification")]) is None
    # A small change in between does not undo the first of the two, but needs a run of its own.
    later = job(change(5, what, **detail), change(10, "setting-changed"))
    assert missing_verification(later, [run(9, "verification"), run(12, "verification")]) is None
    assert missing_verification(later, [run(7, "verification"), run(9, "verification")]) is not None


def test_nothing_changed_needs_no_verification() -> None:
    assert obstacles_to_close(job(*ticked(1)), [run(2, "baseline", "tripped", "fail")]) == []


def test_a_close_falls_when_something_is_changed_after_it() -> None:
    closed = job(entry(5, EntryKind.CLOSE, "airflow"))
    assert closed.closing is not None
    assert job(*closed.entries, change(6, "cleaned")).closing is None


def test_a_job_is_open_until_closed_and_handed_over() -> None:
    close, pickup = entry(5, EntryKind.CLOSE, "airflow"), entry(6, EntryKind.HANDOVER, "", to="A. Body")
    assert job().is_open and job(close).is_open and job(pickup).is_open
    assert not job(close, pickup).is_open


# ---- consent, findings, warranty


def test_later_consent_counts_over_the_intake_and_silence_is_not_asked() -> None:
    intake = Intake(consent={"heavy-load": "no"})
    first = Job(job_id="a", opened=MORNING, intake=intake)
    assert first.consent("heavy-load") == "no" and first.consent("data") == "not-asked"
    later = Job(
        job_id="a", opened=MORNING, intake=intake, entries=(entry(3, EntryKind.CONSENT, "heavy-load", value="yes"),)
    )
    assert later.consent("heavy-load") == "yes"


# The calendar itself: 2028 is a leap year, 2027 is not.
@pytest.mark.parametrize(
    ("day", "months", "ends"),
    [
        (date(2026, 3, 14), 12, date(2027, 3, 14)),
        (date(2026, 8, 31), 6, date(2027, 2, 28)),
        (date(2027, 8, 31), 6, date(2028, 2, 29)),
        (date(2026, 12, 1), 1, date(2027, 1, 1)),
        (date(2026, 1, 31), 0, date(2026, 1, 31)),
    ],
)
def test_months_end_on_the_same_day_or_the_months_last(day: date, months: int, ends: date) -> None:
    assert months_later(day, months) == ends


def test_warranty_runs_from_the_pickup_and_only_for_parts_that_have_one() -> None:
    entries = [
        change(1, "part-replaced", part="pump", warranty_months=24),
        change(2, "part-replaced", part="screw"),
        change(3, "part-fitted-for-test", part="supply", warranty_months=24),
    ]
    assert job(*entries).warranties() == ()
    picked_up = job(*entries, entry(60, EntryKind.HANDOVER, "", to="A. Body"))
    assert picked_up.warranties() == (("pump", date(2028, 3, 14)),)


# ---- two copies of one job


def test_merging_copies_keeps_every_entry_once_and_is_the_same_the_second_time() -> None:
    shared, ours, theirs = change(1, "cleaned"), change(2, "reseated"), change(3, "paste-renewed")
    both = merged([shared, ours], [shared, theirs])
    assert [e.what for e in both] == ["cleaned", "reseated", "paste-renewed"]
    assert merged(both, [shared, theirs]) == both == merged(both, both)


def test_an_entry_edited_by_hand_on_one_copy_is_kept_beside_the_other() -> None:
    ours = change(1, "cleaned", note="dust")
    theirs = change(1, "cleaned", note="no dust at all")
    both = merged([ours], [theirs])
    assert len(both) == 2 and {e.text("note") for e in both} == {"dust", "no dust at all"}
    assert merged(both, [theirs]) == both


# ---- a machine that comes back


def comparison(**metrics: tuple[float, float, bool]) -> Comparison:
    moved = {
        name.replace("__", "."): MetricDifference(
            before=before, after=after, difference=after - before, u95=0.05, significant=significant
        )
        for name, (before, after, significant) in metrics.items()
    }
    return Comparison(before="a", after="b", stages={"load": StageComparison(comparable=True)}, metrics=moved)


def test_a_come_back_is_same_drifted_a_new_fault_or_not_comparable() -> None:
    then, now = run(1, "verification"), run(2, "baseline")
    same = comparison(load__thermal_resistance=(0.30, 0.31, False))
    moved = comparison(load__thermal_resistance=(0.30, 0.42, True))
    assert judge_come_back(then, now, same).word == "same"
    drifted = judge_come_back(then, now, moved)
    assert drifted.word == "drifted" and [str(why) for why in drifted.why] == [
        "load.thermal_resistance 0.3 then, 0.42 now"
    ]
    assert judge_come_back(then, run(2, "baseline", verdict="fail"), same).word == "new-fault"
    assert judge_come_back(then, run(2, "baseline", "tripped", "fail"), same).word == "new-fault"
    dark = run(2, "baseline", "interrupted", None, cause="power-off")
    assert judge_come_back(then, dark, same).word == "new-fault"
    apart = reason("rooms-too-far-apart", difference_k=9.0)
    stage = StageComparison(
        comparable=False, why=(apart, reason("state-unknown-both", state="panel")), forbidden_by=(apart,)
    )
    unlike = Comparison(before="a", after="b", stages={"idle": stage, "load": stage})
    # Contract of `compare`: what is unknown in both runs forbids nothing by itself.
    found = judge_come_back(then, now, unlike)
    assert found.word == "not-comparable" and [str(why) for why in found.why] == [
        "the rooms differ by 9.0 K, too far to correct for (idle, load)"
    ]


def test_the_machine_is_measured_against_the_newest_verification_that_stood() -> None:
    runs = [run(1, "baseline"), run(5, "verification"), run(9, "verification", verdict="fail"), run(12, "check")]
    found = signed_off_run(runs)
    assert found is not None and found.run == "run-5"
    assert signed_off_run([]) is None


@pytest.mark.parametrize(
    ("facts", "code", "german"),
    [
        ({"verdict": "fail"}, "verdict-fail", "er ist nicht bestanden"),
        ({"outcome": "tripped"}, "ended-at-trip", "an einer Abschaltgrenze"),
        ({"integrity": Integrity.ALTERED}, "its-record-altered", "seine Aufzeichnung wurde verändert"),
        ({"verdict": None}, "verdict-none", "er hat kein Urteil"),
    ],
)
def test_why_a_verification_does_not_stand_is_told_in_the_language_of_the_page(
    facts: dict[str, Any], code: str, german: str
) -> None:
    missing = missing_verification(job(change(5, "cleaned")), [run(0, "baseline"), run(9, "verification", **facts)])
    assert missing is not None
    cause = missing.values["cause"]
    assert isinstance(cause, tuple) and [one.code for one in cause] == [code]
    assert german in reason_text(missing, words_for("de"))
