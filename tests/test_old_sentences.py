"""Sentences kept before reasons were data: one frozen table reads them, whatever is said now."""

from __future__ import annotations

import string
from dataclasses import replace
from pathlib import Path

import pytest

from tests import report_inputs as ri
from verifyrig.core import old_sentences
from verifyrig.core.old_sentences import kept_reasons, reason_of_sentence, reasons_of_text
from verifyrig.core.outcome import StageEnd
from verifyrig.core.reason import Reason, reason, reason_of_json
from verifyrig.core.reason_texts import TEXTS
from verifyrig.core.trace import Event
from verifyrig.jobs.fitness_text import points_open_at
from verifyrig.jobs.text import parse_job
from verifyrig.record import read_trace
from verifyrig.report.event_rows import facts_of
from verifyrig.report.fitness import open_point
from verifyrig.report.sentences import alone_sentence
from verifyrig.report.wording import Foreign, words_for

RECORDS = Path(__file__).parent / "data" / "records"
JOBS = Path(__file__).parent / "data" / "jobs"
TOO_HOT = "rest and pulses foresee 104 ± 9 °C under it, and the limit is 92 °C"


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        (TOO_HOT, reason("foreseen-too-hot", peak_c=104.0, u95_k=9.0, limit_c=92.0)),
        (
            f"load: die_2_temp_c: {TOO_HOT}",
            reason(
                "of-stage",
                stage="load",
                why=(
                    reason(
                        "of-stage",
                        stage="die_2_temp_c",
                        why=(reason("foreseen-too-hot", peak_c=104.0, u95_k=9.0, limit_c=92.0),),
                    ),
                ),
            ),
        ),
        (
            "it cannot be foreseen how hot it gets (no pulse yet: a steady load cannot be foreseen from rest alone; "
            "the room is unknown); put a stage of pulses before it",
            reason("cannot-be-foreseen", why=(reason("no-pulse-yet"), reason("room-unknown"))),
        ),
        (
            "gate of stage idle: die_temp_c: it is 61 °C at rest, above 50 °C",
            reason(
                "gate-closed",
                stage="idle",
                channel="die_temp_c",
                why=(reason("is-too-hot", value_c=61.0, limit_c=50.0),),
            ),
        ),
        (
            "there is no reading of the power, so the load stays at 35% of full duty",
            reason("hold-no-power", share=0.35),
        ),
        (
            "the record cannot be written (database or disk is full); what was committed stays",
            reason("record-not-writable", cause="database or disk is full"),
        ),
        ("not ticked: Pump not at the highest point of the loop (pump-below)",
         reason("step-not-ticked", step=(reason("step-pump-below"),), id="pump-below")),
        ("no verification run after the last change (paste renewed)",
         reason("no-verification", change=(reason("change-paste-renewed"),))),
        ("the memory under test could not be locked against swapping", reason("memory-not-locked")),
        ("1.20 GiB of memory under test, not 6.40: 2.0 GiB stay free",
         reason("memory-less-than-asked", allowed_gib=1.2, wanted_gib=6.4, reserve_gib=2.0)),
    ],
)  # fmt: skip
def test_what_was_written_then_is_read_with_its_values(written: str, meant: Reason) -> None:
    assert reason_of_sentence(written) == meant


@pytest.mark.parametrize(
    "text", ["", "who knows", "x" * 500, "load: who knows", "gate of stage a: b: c", "a: b: c: " * 40]
)
def test_text_from_outside_is_no_reason(text: str) -> None:
    assert reason_of_sentence(text) is None


@pytest.mark.parametrize(
    ("code", "name", "was", "is_now"),
    [
        (
            "not-agreed",
            "consent",
            "May we run a heavy load, which can finish a part that is dying?",
            "consent-heavy-load",
        ),
        ("not-answered", "question", "Hard ground, lid open, vents free?", "asked-ground"),
        ("danger-noted", "danger", "coolant leaks", "danger-leak"),
        ("fitness-danger", "text", "a battery pack is swollen", "danger-pack"),
    ],
)
def test_a_word_kept_as_a_text_is_read_as_its_code_and_written_as_before(
    code: str, name: str, was: str, is_now: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(TEXTS, is_now, "⟦worded otherwise⟧")
    kept = {"code": code, "values": {name: was, "noted": "leak=seen"}}
    meant = Reason(code, {name: (reason(is_now),), "noted": "leak=seen"})
    assert reason_of_json(kept) == meant and meant.as_json() == kept
    outside = {"code": code, "values": {name: "who knows", "noted": "leak=seen"}}
    assert reason_of_json(outside) == Reason(code, {name: "who knows", "noted": "leak=seen"})


def test_a_danger_that_a_close_of_before_kept_is_read_as_its_code() -> None:
    values = {"text": "coolant leaks", "noted": "leak=seen", "danger": "leak"}
    detail = {
        "refused": ["not safe to use: coolant leaks (leak=seen)"],
        "reasons": [{"code": "danger", "values": values}],
    }
    (point,) = points_open_at(detail)
    assert isinstance(point, Reason) and point.values["text"] == (reason("danger-leak"),)


def test_the_note_of_a_load_is_read_from_records_of_before_and_said_in_the_language_of_the_page() -> None:
    note = "storage is read back through the system's cache"
    event = Event(t_s=3.0, kind="load-note", detail={"stage": "load", "note": note})
    assert event.why == reason("storage-through-cache")
    said = facts_of(event, words_for("de"))
    assert said == {"stage": "load", "why": "das Laufwerk wird durch den Zwischenspeicher des Systems zurückgelesen"}


def test_several_in_one_text_are_read_one_by_one() -> None:
    assert reasons_of_text("power is unknown; who knows; the room is unknown") == (
        reason("power-unknown"),
        "who knows",
        reason("room-unknown"),
    )
    assert reasons_of_text("") == ()


def test_the_data_beside_a_sentence_goes_before_the_sentence() -> None:
    beside = [reason("nobody-present").as_json()]
    assert kept_reasons(["worded otherwise later"], beside) == (reason("nobody-present"),)
    assert kept_reasons(["the system was not restarted", "who knows"], None) == (reason("not-restarted"), "who knows")
    assert kept_reasons("no list", beside) == ()


def test_old_records_are_read_however_the_sentences_are_worded_now(monkeypatch: pytest.MonkeyPatch) -> None:
    for code, text in TEXTS.items():
        monkeypatch.setitem(TEXTS, code, f"⟦{text}⟧")
    trace = read_trace(RECORDS / "20260101-001000-bbbb.sqlite")
    assert [why.code for why in trace.why_interrupted if isinstance(why, Reason)] == ["went-dark"]
    refused = Event(t_s=60.0, kind="load-refused", detail={"stage": "load", "why": TOO_HOT})
    run = ri.gated_run()
    stages = (replace(run.trace.stages[0], ended=StageEnd.TIME), *run.trace.stages[1:])
    run = replace(run, trace=replace(run.trace, stages=stages, events=(refused,)))
    said = alone_sentence(run, "die_temp_c", words_for("en"))
    assert said == "As it came in: no full load was run, as idle and pulses forecast too much heat under it."


def test_an_old_job_file_is_read_however_the_sentences_are_worded_now(monkeypatch: pytest.MonkeyPatch) -> None:
    for code, text in TEXTS.items():
        monkeypatch.setitem(TEXTS, code, f"⟦{text}⟧")
    job = parse_job((JOBS / "20260102-1" / "job.toml").read_text(encoding="utf-8"), "job.toml")
    assert job.closing is not None
    points = points_open_at(job.closing.detail)
    meant = [one.code for point in points for one in reasons_of_text(str(point)) if isinstance(one, Reason)]
    assert meant == [
        "fitness-not-measured-again", "test-part-inside", "no-verification", *["step-not-ticked"] * 5,
    ]  # fmt: skip
    german = words_for("de")
    said = [open_point(point, german) for point in points]
    assert not any(isinstance(one, Foreign) or "⟦" in one for one in said), said
    assert said[0] == "das Gerät wurde verändert und nicht noch einmal gemessen"
    assert said[1] == "das nur zur Probe eingebaute Teil ist noch im Gerät: air cooler"
    assert "(Paste erneuert)" in said[2] and said[3] == (
        "nicht abgehakt: Zustand fotografiert, bevor etwas verändert wurde (photographed)"
    )


def test_the_frozen_table_names_codes_that_there_are() -> None:
    for sentence, code in old_sentences._OLD:
        assert set(old_sentences._kinds(sentence)) == set(_places(TEXTS[code])), sentence


def _places(text: str) -> list[str]:
    return [name for _, name, _, _ in string.Formatter().parse(text) if name is not None]
