"""Dangers that a person noted: one list, what means them, what locks and who lifts. Common practice, no source."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifyrig.core.errors import UsageError
from verifyrig.jobs.danger_words import hints
from verifyrig.jobs.dangers import DANGERS, INTAKE, DangerCode, danger_of, dangers_in, standing_dangers
from verifyrig.jobs.model import EntryKind, Intake, Job, JobEntry
from verifyrig.jobs.typed_finding import parse_finding

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
# As they are written at the bench: each of them alone keeps a machine off the mains.
NOTED = [
    ("pack", "swollen", DangerCode.PACK),
    ("leak", "seen", DangerCode.LEAK),
    ("smell", "burnt", DangerCode.BURNT),
    ("connector", "scorched", DangerCode.BURNT),
    ("smoke", "seen", DangerCode.BURNT),
    ("touched", "shock", DangerCode.SHOCK),
    ("burnt", "yes", DangerCode.BURNT),
]
HARMLESS = [
    ("pack", "flat"), ("leak", "none"), ("smell", "none"), ("connector", "sound"), ("connector", "loose"),
    ("touched", "no-change"), ("burnt", "no"), ("radiator", "cold"), ("panel", "off"), ("leak", ""),
]  # fmt: skip


def entry(n: int, kind: str, what: str, *, by: str = "N. Bench", **detail: Any) -> JobEntry:
    return JobEntry(entry_id=f"e{n}", time=NOW + timedelta(minutes=n), kind=kind, what=what, by=by, detail=detail)


def job(*entries: JobEntry, **answers: str) -> Job:
    return Job(job_id="j", opened=NOW, intake=Intake(answers=answers), entries=entries)


def codes(of: Job) -> list[str]:
    return [standing.code for standing in standing_dangers(of)]


NOTE = entry(1, EntryKind.FINDING, "pack", value="swollen")
SIGNED: dict[str, Any] = {"lifts": ["pack"], "lifted_notes": ["e1"], "done": "pack taken out, a new one fitted"}


@pytest.mark.parametrize(("key", "value", "code"), NOTED)
def test_a_danger_locks_as_finding_and_as_answer_at_intake(key: str, value: str, code: DangerCode) -> None:
    found = danger_of(key, value.upper())
    assert found is not None and found.code == code and found.do
    assert codes(job(entry(1, EntryKind.FINDING, key, value=value))) == [code] == codes(job(**{key: value}))
    assert [danger.code for danger in dangers_in({"panel": "on", key: value})] == [code]


@pytest.mark.parametrize(("key", "value"), HARMLESS)
def test_what_tells_of_no_danger_locks_nothing(key: str, value: str) -> None:
    assert danger_of(key, value) is None
    assert codes(job(entry(1, EntryKind.FINDING, key, value=value))) == []


def test_an_unknown_word_about_a_danger_is_not_taken_for_all_is_well() -> None:
    assert codes(job(entry(1, EntryKind.FINDING, "leak", value="drop under the block"))) == ["leak"]
    assert codes(job(entry(1, EntryKind.FINDING, "pack", value=True))) == ["pack"]


def test_every_danger_says_what_to_do_first() -> None:
    for danger in DANGERS:
        assert any(words in danger.do for words in ("unplug", "pull the plug")), danger.code
    assert "trained people" in danger_of("pack", "swollen").do  # type: ignore[union-attr]


def test_a_finding_that_says_the_contrary_lifts_nothing() -> None:
    assert codes(job(NOTE, entry(2, EntryKind.FINDING, "pack", value="flat"))) == ["pack"]
    assert codes(job(NOTE, entry(2, EntryKind.CHANGE, "part-replaced", part="battery pack"))) == ["pack"]


@pytest.mark.parametrize("kind", [EntryKind.FINDING, EntryKind.CHANGE])
def test_a_signed_finding_or_change_lifts_the_danger_that_it_names(kind: EntryKind) -> None:
    leak = entry(3, EntryKind.FINDING, "leak", value="seen")
    lift = entry(4, kind, "pack" if kind == EntryKind.FINDING else "part-replaced", **SIGNED)
    assert codes(job(NOTE, lift)) == []
    assert codes(job(NOTE, leak, lift)) == ["leak"]


@pytest.mark.parametrize(
    ("kind", "by", "changed"),
    [
        (EntryKind.CHANGE, "", {}),
        (EntryKind.CHANGE, "  ", {}),
        (EntryKind.CHANGE, "N. Bench", {"done": ""}),
        (EntryKind.CHANGE, "N. Bench", {"done": " "}),
        (EntryKind.CHANGE, "N. Bench", {"lifts": []}),
        (EntryKind.CHANGE, "N. Bench", {"lifts": "pack"}),
        (EntryKind.CHANGE, "N. Bench", {"lifts": ["leak"]}),
        (EntryKind.CHANGE, "N. Bench", {"lifted_notes": []}),
        (EntryKind.CHANGE, "N. Bench", {"lifted_notes": ["e9"]}),
        (EntryKind.STEP, "N. Bench", {}),
        (EntryKind.CLOSE, "N. Bench", {}),
        (EntryKind.CONSENT, "N. Bench", {}),
    ],
)
def test_what_nobody_signs_for_lifts_nothing(kind: EntryKind, by: str, changed: dict[str, Any]) -> None:
    assert codes(job(NOTE, entry(2, kind, "reseated", by=by, **(SIGNED | changed)))) == ["pack"]


def test_a_note_written_meanwhile_or_later_stands() -> None:
    lift = entry(2, EntryKind.CHANGE, "part-replaced", **SIGNED)
    other_copy = entry(0, EntryKind.FINDING, "pack", by="O. Bench", value="swollen")
    later = entry(3, EntryKind.FINDING, "pack", value="swollen")
    for stays in (other_copy, later):
        (standing,) = standing_dangers(job(NOTE, lift, stays))
        assert [note.note_id for note in standing.notes] == [stays.entry_id]


def test_an_answer_at_intake_is_lifted_by_its_name() -> None:
    lift = entry(1, EntryKind.FINDING, "leak", lifts=["leak"], lifted_notes=[INTAKE], done="hose renewed, dry for 1 h")
    assert codes(job(leak="seen")) == ["leak"]
    assert codes(job(lift, leak="seen")) == []


def test_an_entry_does_not_lift_its_own_note() -> None:
    own = entry(1, EntryKind.FINDING, "pack", value="swollen", **SIGNED)
    assert codes(job(own)) == ["pack"]


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(list(EntryKind)), st.sampled_from(["pack", "leak", "smell"]), st.text(max_size=8)),
        max_size=6,
    )
)
def test_nothing_but_a_signed_lift_makes_a_danger_go(later: list[tuple[EntryKind, str, str]]) -> None:
    entries = [entry(n, kind, what, value=value, done=value) for n, (kind, what, value) in enumerate(later, start=2)]
    assert "pack" in codes(job(NOTE, *entries))


# ---- words that lock nothing


@pytest.mark.parametrize(
    ("word", "note"),
    [
        ("battery=swollen", "pack=swollen"),
        ("plug=Scorched", "smell=burnt"),
        ("block=leaking", "leak=seen"),
        ("case=shock", "touched=shock"),
    ],
)
def test_a_danger_under_a_key_that_locks_nothing_is_refused_with_the_one_that_does(word: str, note: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_finding(word)
    assert note in caught.value.mend
    assert parse_finding(note)[1:] == (note.partition("=")[0], {"value": note.partition("=")[2]})


@pytest.mark.parametrize(
    ("text", "note"),
    [
        ("the pack is swollen", "pack=swollen"),
        ("Lid bulges since Monday", "pack=swollen"),
        ("it smells burnt, and there were sparks", "smell=burnt"),
        ("Touching it gives an electric shock", "touched=shock"),
        ("drips from the block", "leak=seen"),
    ],
)
def test_a_text_that_may_mean_a_danger_is_answered_with_how_to_note_it(text: str, note: str) -> None:
    complained = Job(job_id="j", opened=NOW, intake=Intake(complaint=text))
    for told in (complained, job(entry(1, EntryKind.FINDING, "note", value=text))):
        (hint,) = hints(told)
        assert f"`verifyrig job finding {note}`" in hint and codes(told) == []


@pytest.mark.parametrize("text", ["hot and slow under load", "the fan is loud", "reburnished sparkplugs", ""])
def test_other_texts_are_answered_by_nothing(text: str) -> None:
    assert hints(job(entry(1, EntryKind.FINDING, "note", value=text))) == []


def test_who_has_answered_by_key_is_not_told_again() -> None:
    said = entry(1, EntryKind.FINDING, "note", value="no leak, pack not swollen")
    assert hints(job(said, entry(2, EntryKind.FINDING, "pack", value="flat"), leak="none")) == []
    assert hints(job(said, entry(2, EntryKind.FINDING, "pack", value="swollen"), leak="none")) == []
