"""The customer's first page: each question has its answer there, whole, in words of nobody's trade."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from tests import report_inputs as ri
from tests.test_report_page import page, seen
from verifyrig.core.reason import reason
from verifyrig.jobs.fitness_model import Status
from verifyrig.jobs.vocabulary import QUESTIONS
from verifyrig.report.front_page import FrontPage, front_page
from verifyrig.report.inputs import Entry, ReportInput, Shop
from verifyrig.report.sentences import finding_of
from verifyrig.report.unbroken import unbroken
from verifyrig.report.watch_for import GRAVE, NEVER
from verifyrig.report.wording import Words


def front(report: ReportInput) -> FrontPage:
    words = Words()
    return front_page(report, finding_of(report, words), words)


def first_sheet(report: ReportInput) -> str:
    """Return what stands on it, without its picture and what the picture says to who does not see it."""
    return seen(re.sub(r"(?s)<svg.*?</svg>", " ", page(report).partition('class="behind"')[0]))


def noted_danger() -> ReportInput:
    entry = Entry(entry_id="f-9", utc_s=ri.DAY_UTC + 11_000.0, kind="finding", what="leak", detail={"value": "seen"})
    return ri.report(ri.tripped_run(), ri.healthy_run(), facts=ri.job(entries=(*ri.job().entries, entry)))


def as_it_is() -> ReportInput:
    late = ri.tripped_run("20310314-160000-cccc")
    late = replace(late, trace=replace(late.trace, utc_s=late.trace.utc_s + 9000.0))
    return ri.report(ri.tripped_run(), late, facts=ri.job(override="the customer takes it as it is"))


ANSWERS = [
    (ri.fixed_report, Status.FIT, "You may use it."),
    (lambda: ri.report(ri.tripped_run(), ri.healthy_run(), comparable=False), Status.WATCH,
     "You may use it, but only so: keep a copy of your data"),
    (as_it_is, Status.AS_IS, "Do not use it yet. It goes back as it is, and not as fit for use."),
    (lambda: ri.report(ri.tripped_run()), Status.NOT_FIT, "Do not use it yet."),
    (noted_danger, Status.UNSAFE, "Do not use it, and do not switch it on. Coolant leaks."),
]  # fmt: skip


@pytest.mark.parametrize(("made", "status", "answer"), ANSWERS)
def test_whether_it_may_be_used_stands_before_all_else(made: object, status: Status, answer: str) -> None:
    report = made()  # type: ignore[operator]
    assert report.fitness.status is status
    text = first_sheet(report)
    assert answer in text and text.index(answer) < text.index("What you told us")


def test_each_question_of_the_customer_has_its_answer() -> None:
    text = first_sheet(ri.fixed_report())
    for words in (
        "What you told us “It switches itself off a minute after the start.”",
        "Cause: coolant does not flow.",
        "Seen by hand: radiator: cold.",
        "Before: after 38 s of hard work we had to stop it, at 92 °C.",
        "Part replaced: closed liquid cooler",
        # The plan accepts up to 80 °C; it settled at 66 °C.
        "Now: it worked hard for 15 min, to the end of the test. The processor stayed at 66 °C; we accept up to 80 °C.",
        "What we did not test",
        "A wet spot below it",
    ):
        assert words in text, words
    # Figures with their spread, K/W and digests are of another trade; they stand behind or beside the signatures.
    assert "K/W" not in text and "±" not in text


def test_nothing_on_the_first_page_is_cut_short() -> None:
    complaint = " ".join(f"It stopped for the {n}th time when I wrote a letter." for n in range(1, 16))
    part = "a closed liquid cooler with a very long name, " * 4 + "the last one"
    change = replace(ri.job().entries[1], detail={"part": part})
    machine = dict(ri.job().machine) | {"description": "Example Works Model One " * 4 + "with everything"}
    report = ri.report(
        ri.tripped_run(),
        ri.healthy_run(),
        facts=ri.job(complaint=complaint, machine=machine, entries=(ri.job().entries[0], change)),
    )
    text = first_sheet(report)
    assert complaint in text and part in text and "with everything" in text
    assert "…" not in text


def test_cautions_are_the_customers_and_say_who_to_call() -> None:
    report = replace(ri.fixed_report(), shop=Shop(name="Invented Bench", address="1 Example Lane", phone="+00 55 01"))
    watch = front(report).watch
    assert NEVER in watch and GRAVE in watch
    told = " ".join(watch)
    # What a technician minds with the case open is none of the customer's business.
    for word in ("capacitor", "thermocouple", "strap", "470", "Mains"):
        assert word not in told
    assert front(report).call == "Call Invented Bench: +00\u00a055\u00a001. Give the number 20310314-1."
    assert "1 Example Lane" in front(replace(report, shop=replace(report.shop, phone=""))).call
    assert "20310314-1" in front(replace(report, shop=Shop())).call


def test_a_machine_that_came_back_with_the_same_cause_says_so() -> None:
    facts = ri.job(again="20300914-1", same_cause=("20300914-1",))
    text = first_sheet(ri.report(ri.tripped_run(), ri.healthy_run(), facts=facts))
    assert "It was here before (number 20300914-1). The cause is the same as then (20300914-1)." in text


def test_no_hint_of_a_form_stands_in_the_answers() -> None:
    hints = [question.hint for question in QUESTIONS if question.hint]
    facts = ri.job(answers=tuple((reason(f"question-{question.key}"), "every 20 h") for question in QUESTIONS))
    text = seen(page(ri.report(ri.tripped_run(), ri.healthy_run(), facts=facts)))
    assert "How often? every 20 h" in text
    assert len(hints) >= 3 and not [hint for hint in (*hints, "such as", "°C?") if hint != "°C" and hint in text]


@pytest.mark.parametrize(
    ("text", "held"),
    [
        ("68.2 ± 1.1 °C", "68.2\u202f±\u202f1.1\u202f°C"),
        ("12\u202fmin 30\u202fs", "12\u202fmin\u00a030\u202fs"),
        ("0.45 K/W, 100 W, 5 K", "0.45\u202fK/W, 100\u202fW, 5\u202fK"),
        ("12 Weeks, 3 Kinds, 4 hours", "12 Weeks, 3 Kinds, 4 hours"),
    ],
)
def test_a_number_and_its_unit_hold_together(text: str, held: str) -> None:
    assert unbroken(text) == held
    assert not re.search(r"\d (?:°C|K|W|s|min)\b", unbroken(text))
