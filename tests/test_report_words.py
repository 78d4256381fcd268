"""Words of the report: rounding with the uncertainty, forms of the language, a whole catalogue, masked names."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from tests import report_inputs as ri
from verifyrig.analysis.results import Comparison, StageComparison
from verifyrig.core.channels import THERMAL_PATH
from verifyrig.core.plain_text import plain_block
from verifyrig.core.reason import Reason, message_ids, reason
from verifyrig.core.trace import Event
from verifyrig.jobs import cautions, dangers, fitness_text, safety
from verifyrig.jobs import vocabulary as job_words
from verifyrig.report import (
    before_after,
    conditions,
    done,
    event_rows,
    fingerprint,
    front_page,
    method,
    names,
    plot,
    required,
    run_rows,
    sentences,
    watch_for,
)
from verifyrig.report.catalogue import LOCALE_DIR, languages, read_catalogue
from verifyrig.report.inputs import Entry, ReportInput
from verifyrig.report.masking import HIDDEN, mask_serial, masked
from verifyrig.report.reasons import reason_text, reasons_text
from verifyrig.report.render import render
from verifyrig.report.wording import Foreign, words_for

ENGLISH, GERMAN = words_for("en"), words_for("de")
NARROW = "\u202f"


# --- figures ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "u95", "text"),
    [
        # JCGM 100:2008, 7.2.6: at most two significant digits of the uncertainty, the estimate rounded to match;
        # its worked figures 10.057 62 Ω with u = 27 mΩ become 10.058 Ω and 27 mΩ.
        (10.05762, 0.027, "10.058 ± 0.027"),
        (68.24, 1.13, "68.2 ± 1.1"),
        (0.4472, 0.0341, "0.447 ± 0.034"),
        (1234.4, 86.0, "1,234 ± 86"),
        (-3.04, 0.96, "−3.04 ± 0.96"),
    ],
)
def test_value_and_uncertainty_are_rounded_together(value: float, u95: float, text: str) -> None:
    assert ENGLISH.quantity(value, "K", u95) == f"{text}{NARROW}K"


def test_no_value_is_not_measured_and_never_a_number() -> None:
    assert ENGLISH.quantity(None, "°C") == "not measured"
    assert ENGLISH.quantity(float("nan"), "°C", 1.0) == "not measured"
    assert GERMAN.quantity(None, "°C") == "nicht gemessen"


@pytest.mark.parametrize(("celsius", "fahrenheit"), [(0.0, "32.0"), (100.0, "212.0"), (-40.0, "−40.0"), (37.0, "98.6")])
def test_degrees_fahrenheit_are_exact_by_definition(celsius: float, fahrenheit: str) -> None:
    # Fixed points of the Fahrenheit scale: 32 °F at the ice point, 212 °F at the steam point, 1.8 °F a kelvin.
    words = replace(ENGLISH, temperature_unit="°F")
    assert words.temperature(celsius) == f"{fahrenheit}{NARROW}°F"


def test_a_difference_has_no_zero_point_to_shift() -> None:
    words = replace(ENGLISH, temperature_unit="°F")
    assert words.difference(10.0, 1.0) == f"18.0 ± 1.8{NARROW}°F"


def test_numbers_and_days_take_the_form_of_the_language() -> None:
    # Unicode CLDR: decimal comma and point for groups in German; day before month in both.
    assert GERMAN.number(1234.5, 1) == "1.234,5"
    assert ENGLISH.number(1234.5, 1) == "1,234.5"
    assert GERMAN.date(ri.DAY_UTC) == "14. März 2031"
    assert ENGLISH.date(ri.DAY_UTC) == "14 March 2031"
    assert ENGLISH.moment(ri.DAY_UTC) == "14 Mar 2031, 13:05 UTC"


def test_times_are_told_in_the_zone_of_the_bench_with_their_offset() -> None:
    # Directive 2000/84/EC: summer time begins on the last Sunday of March at 01:00 UTC, which in 2031 is the 30th.
    berlin = words_for("en", time_zone="Europe/Berlin")
    change_s = datetime(2031, 3, 30, 1, tzinfo=UTC).timestamp()
    assert berlin.moment(change_s - 60.0) == "30 Mar 2031, 01:59 UTC+01:00"
    assert berlin.moment(change_s) == "30 Mar 2031, 03:00 UTC+02:00"
    assert berlin.date(datetime(2031, 3, 14, 23, 30, tzinfo=UTC).timestamp()) == "15 March 2031"
    assert ENGLISH.moment(change_s) == "30 Mar 2031, 01:00 UTC"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.4, "0 s"), (38, "38 s"), (119.4, "119 s"), (120, "2 min"), (750, "12 min 30 s"), (3900, "1 h 05 min")],
)
def test_durations_are_spoken(seconds: float, text: str) -> None:
    assert ENGLISH.duration(seconds).replace(NARROW, " ") == text


def test_control_and_direction_characters_are_shown_not_obeyed() -> None:
    assert plain_block("a\u202eb\x00c\nd") == "a[U+202E]b\ufffdc\nd"
    assert plain_block("\ud800") == "\ufffd"
    assert plain_block("é 日本 🔥") == "é 日本 🔥"


# --- catalogue -------------------------------------------------------------------------------------------------


# Languages whose catalogue has every text; where another lacks one, the page says so (test_languages).
WHOLE = ("de",)


def texts_in_code() -> set[str]:
    """Every text that code and templates hand to `t` and `n`, found as gettext tools find them."""
    from babel.messages.extract import extract_from_file

    folder = LOCALE_DIR.parent
    keywords: dict[str, Any] = {"t": None, "n": (1, 2)}
    own = ("report", "slip", "index", "parts", "intake", "labels")
    found: set[str] = set()
    for path in folder.glob("*.py"):
        if not path.name.startswith("qa_"):
            for _, message, _, _ in extract_from_file("python", path, keywords=keywords):
                found |= {message} if isinstance(message, str) else set(message)
    for name in own:
        path = folder / "templates" / f"{name}.html.j2"
        for _, message, _, _ in extract_from_file("jinja2.ext:babel_extract", path, keywords=keywords):
            found |= {message} if isinstance(message, str) else set(message)
    return found - {""}


def texts_in_tables() -> set[str]:
    """Texts that reach `t` out of a table of words."""
    tables: tuple[Mapping[Any, str], ...] = (
        names._CHANNELS, names._SUBJECTS, names._WHOLE_METRICS, names._SUFFIXES, names._VERDICTS, names._OUTCOMES,
        event_rows.KINDS, event_rows.FACTS, front_page.USE_WORDS, watch_for.OF_CAUSE, watch_for.OF_KIND,
        names._CAUSES, names._ENDED, names._PURPOSES, names._KINDS, names._RULES, before_after._LIMIT_WORDS,
        before_after._END_WORDS, done._FACT_WORDS, conditions._MACHINE_WORDS, method._CONDITIONAL,
        run_rows._SEAL_WORDS, sentences._REMARKS, job_words.MACHINE_KINDS, job_words.CAUSES, job_words.OLD_PARTS,
    )  # fmt: skip
    found = {text for table in tables for text in table.values()} | {
        *fitness_text.HEADLINE_WORDS.values(),
        *fitness_text.STATUS_WORDS.values(),
    }
    found |= {text for _, asks, _, where in required._ITEMS for text in (asks, where)}
    found |= {text for window in fingerprint.WINDOWS for text in window} | {place for place, _ in THERMAL_PATH}
    found |= {side.word for side in (plot.BEFORE, plot.AFTER, plot.ALONE)} | {safety.FIRST_RULE}
    found |= {text for note in cautions.NOTES.values() for text in (note.title, note.text, note.source)}
    found |= {danger.do for danger in dangers.DANGERS}
    found |= {watch_for.NEVER, watch_for.GRAVE, watch_for.AGAIN}
    found |= {front_page._KEEP_A_COPY, front_page._STAY, front_page._COOL, front_page._CARD_CONTACT}
    spoken = [choice for question in job_words.QUESTIONS for choice in question.choices]
    spoken += [choice for word in job_words.FINDINGS.values() for choice in word.choices] + list(job_words.FINDINGS)
    return found | {word.replace("-", " ") for word in (*spoken, *job_words.CONSENT_ANSWERS)}


@pytest.mark.parametrize("language", WHOLE)
def test_the_catalogue_knows_every_text(language: str) -> None:
    catalogue = read_catalogue(language)
    known = set(catalogue.texts) | {text for pair in catalogue.plurals for text in pair}
    assert sorted((texts_in_code() | texts_in_tables()) - known) == []


@pytest.mark.parametrize("language", [code for code in languages() if code != "en"])
def test_translations_have_the_same_places_to_fill(language: str) -> None:
    catalogue = read_catalogue(language)
    reasons = [(english, said) for code, english in message_ids() if (said := catalogue.reasons.get(code))]
    pairs = [*catalogue.texts.items(), *reasons]
    pairs += [(many, said) for (_, many), forms in catalogue.plurals.items() for said in forms]
    for english, said in pairs:
        assert set(re.findall(r"\{\w+\}", english)) == set(re.findall(r"\{\w+\}", said)), english


@pytest.mark.parametrize("language", WHOLE)
def test_the_catalogue_has_every_reason_beside_the_english_of_today(language: str) -> None:
    from babel.messages.pofile import read_po

    with (LOCALE_DIR / language / "LC_MESSAGES" / "report.po").open("rb") as file:
        found = {m.context.removeprefix("reason "): m.id for m in read_po(file) if m.context}
    assert found == dict(message_ids())


@pytest.mark.parametrize(
    ("why", "german"),
    [
        (
            reason("step-not-ticked", step=(reason("step-pump-below"),), id="pump-below"),
            "nicht abgehakt: Pumpe unterhalb der höchsten Stelle des Kreislaufs (pump-below)",
        ),
        # Unicode CLDR: decimal comma, and a space before the per cent sign, in German.
        (
            reason("rooms-corrected", difference_k=5.04, reference_c=25.0),
            "die Räume liegen 5,0 K auseinander: Temperaturen sind auf 25 °C Raum umgerechnet",
        ),
        (
            reason("partly-missing", channel="die_temp_c", share=0.124),
            "Prozessor fehlt für 12\u00a0% des Abschnitts",
        ),
        (
            reason("not-settled-since", why=(reason("few-readings", count=3),)),
            "der Abschnitt schwang nicht ein: nur 3 Messwerte in diesem Abschnitt",
        ),
        (reason("at-fan-speed", speed_rpm=1234.4), "bei 1.234/min"),
    ],
)
def test_a_reason_is_told_with_numbers_and_channels_of_the_language(why: Reason, german: str) -> None:
    assert reason_text(why, GERMAN) == german


def test_a_text_from_outside_stays_as_it_is() -> None:
    assert isinstance(reason_text("a sentence that nobody knows", GERMAN), Foreign)
    assert reason_text("a sentence that nobody knows", ENGLISH) == "a sentence that nobody knows"
    assert isinstance(reason_text(reason("load-failed", what="no compiler"), GERMAN), Foreign)
    assert isinstance(reasons_text([reason("recipe-differs"), "who knows"], GERMAN), Foreign)


def test_the_customers_page_hides_what_a_reason_quotes() -> None:
    kept = reason("state-differs", state="position", before=SECRETS["ipv4"], after="flat")
    comparison = Comparison(before="a", after="b", stages={"load": StageComparison(comparable=False, why=(kept,))})
    hidden = masked(replace(secret_report(), comparison=comparison)).comparison
    assert hidden is not None and SECRETS["ipv4"] not in str(hidden.stages["load"].why[0])


@pytest.mark.parametrize(
    ("kind", "detail", "german"),
    [
        ("trip", {"why": "it reached its limit"}, "er erreichte seine Grenze"),
        (
            "trip",
            {"why": "it moved by 0.4 K within 10 s of the load's start"},
            "er bewegte sich in 10 s nach Lastbeginn um 0,4 K",
        ),
        ("switch-off-advised", {"why": "die_temp_c stays at 93 °C with no load"}, "bleibt ohne Last bei 93 °C"),
        (
            "touch",
            {"text": "The plate will be below 48 °C in about 2 min (estimated; check before touching)."},
            "Grundplatte: in etwa 2 min unter 48 °C",
        ),
        ("operator", {"why": "load ended with the space bar"}, "Leertaste"),
    ],
)
def test_what_happened_in_a_run_of_before_is_told_in_german(kind: str, detail: dict[str, str], german: str) -> None:
    run = ri.healthy_run()
    run = replace(run, trace=replace(run.trace, events=(Event(t_s=60.0, kind=kind, detail=detail),)))
    page = render(ri.report(ri.tripped_run(), run, language="de"), "archive", now_utc=ri.DAY_UTC)
    page = page.replace("\u202f", " ").replace("\u00a0", " ")  # quantities are held together on a page
    assert german in page and next(iter(detail.values())) not in page


def test_an_unknown_sentence_is_marked_as_english_on_a_german_page() -> None:
    run = ri.healthy_run(stopped_because=["a sentence that nobody knows"])
    page = render(ri.report(ri.tripped_run(), run, language="de"), "customer", now_utc=ri.DAY_UTC)
    assert '<bdi lang="en">a sentence that nobody knows</bdi>' in page
    assert '<html lang="de">' in page


def test_no_english_is_left_on_a_german_first_page() -> None:
    page = render(ri.report(ri.dark_run(), ri.healthy_run(), language="de"), "slip", now_utc=ri.DAY_UTC)
    text = re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)
    assert not re.search(r"\b(the|and|of|load|not|by)\b", text.replace("closed liquid cooler", "")), text


# --- masking ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("serial", "shown"), [("EX-0000-1234", f"{HIDDEN}1234"), ("123456", HIDDEN), ("1234567", f"{HIDDEN}4567")]
)
def test_a_serial_shows_its_last_four_and_never_most_of_itself(serial: str, shown: str) -> None:
    assert mask_serial(serial) == shown


SECRETS = {
    "serial": "EX-0000-1234",
    "host": "invented-host",
    "user": "invented-user",
    "contact": "+00 0000 5551234",
    "mail": "someone@example.invalid",
    "mac": "02:00:5e:10:00:00",
    "ipv4": "192.0.2.17",  # RFC 5737, documentation
    "ipv6": "2001:db8::17",  # RFC 3849, documentation
    "home": "/home/quentin/notes.txt",
}


def secret_report() -> ReportInput:
    note = " ".join(SECRETS.values())
    entry = Entry(entry_id="n", utc_s=ri.DAY_UTC + 60.0, kind="finding", what="radiator", detail={"note": note})
    facts = ri.job(
        complaint=note,
        customer={"name": "Q. Uestion", "contact": SECRETS["contact"]},
        machine={"description": "Model One", "serial": SECRETS["serial"]},
        entries=(entry, *ri.job().entries),
    )
    machine = {"host": SECRETS["host"], "user": SECRETS["user"]}
    return ri.report(ri.tripped_run(), ri.healthy_run(machine=machine, stopped_because=[note]), facts=facts)


@pytest.mark.parametrize("edition", ["customer", "slip"])
def test_what_names_people_or_machines_does_not_leave_the_shop(edition: Any) -> None:
    page = render(secret_report(), edition, now_utc=ri.DAY_UTC)
    for secret in (*SECRETS.values(), "quentin"):
        if secret != SECRETS["home"]:
            assert secret not in page
    assert "1234" in page and "Q. Uestion" in page


def test_the_archive_keeps_it_all() -> None:
    page = render(secret_report(), "archive", now_utc=ri.DAY_UTC)
    for secret in SECRETS.values():
        assert secret in page


@pytest.mark.parametrize(
    "text", ["13:05:59", "pci0000:00/0000:00:18.3/temp1", "20310314-131700-aaaa", "12.30 V", "1.5.2"]
)
def test_times_buses_and_versions_are_no_addresses(text: str) -> None:
    report = ri.report(ri.tripped_run(), ri.healthy_run(stopped_because=[text]))
    run = masked(report).after_run
    assert run is not None and run.trace.facts["stopped_because"] == [text]


def test_masking_changes_no_figure() -> None:
    report = ri.fixed_report()
    run, hidden = report.after_run, masked(report).after_run
    assert run is not None and hidden is not None
    assert hidden.metrics == run.metrics and hidden.trace.columns is run.trace.columns
