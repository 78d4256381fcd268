"""No text of a page reaches a reader past the catalogue: what a language lacks is found here, not by a customer.

Each message of the German catalogue is put into other letters, and pages are made with that: words in plain letters are
then what came past it. What comes from outside (names, complaints, devices) is in capitals in these reports.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from tests import report_inputs as ri
from verifyrig.core.reason import reason
from verifyrig.report import wording
from verifyrig.report.catalogue import Catalogue, read_catalogue
from verifyrig.report.inputs import Entry, ReportInput, Shop
from verifyrig.report.render import EDITIONS, render

PLACES = re.compile(r"(\{[^}]*\})")
OTHER = str.maketrans("abcdefghijklmnopqrstuvwxyzäöüß", "абцдефгхијклмнопярстувшхузаоус")
# Units; and what the library of languages itself says of months and lists.
SAME = {"min", "s", "h", "kW", "W", "K", "°C", "UTC", "MHz", "GiB", "Wh", "mm", "März", "und"}


def other_letters(text: str) -> str:
    return "".join(part if PLACES.fullmatch(part) else part.lower().translate(OTHER) for part in PLACES.split(text))


def other_catalogue(language: str) -> Catalogue:
    known = read_catalogue("de")
    assert language == "de"
    return Catalogue(
        {text: other_letters(said) for text, said in known.texts.items()},
        {pair: tuple(map(other_letters, forms)) for pair, forms in known.plurals.items()},
        {code: other_letters(said) for code, said in known.reasons.items()},
    )


@pytest.fixture(autouse=True)
def other(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(wording, "read_catalogue", other_catalogue)
    yield


def reports() -> dict[str, ReportInput]:
    """Every early end and a full job, with all that comes from outside in capitals."""
    entries = (
        Entry(entry_id="F", utc_s=ri.DAY_UTC + 3000.0, kind="finding", what="radiator", detail={"value": "cold"}),
        Entry(entry_id="C", utc_s=ri.DAY_UTC + 7200.0, kind="change", what="part-replaced",
              detail={"part": "COOLER", "lot": "L-7", "price": "89.00", "warranty_months": 24}),
    )  # fmt: skip
    facts = ri.job(
        complaint="OFF AGAIN",
        customer={"name": "Q. U", "contact": "C", "ticket": "T-1"},
        machine={"description": "MODEL ONE", "kind": "desktop with a closed liquid cooler", "serial": "EX-0000-1234"},
        answers=((reason("question-what"), "switches-off, hot"), (reason("question-room"), "22\u202f°C")),
        accessories="LEAD", condition="SCRATCHES", entries=entries, warranties=(("COOLER", "2033-03-14"),),
        again="20300914-1", same_cause=("20300914-1",),
        handover={"to": "Q. U", "old_parts": "taken", "utc_s": ri.DAY_UTC + 13_000.0},
    )  # fmt: skip
    shop = Shop(name="BENCH", operator="I. N.", address="LANE 1", phone="+00 55", terms="NONE")
    after = ri.healthy_run()
    made = {name: ri.report(before, after, facts=facts) for name, before in ri.early_befores().items()}
    made["alone"] = ri.report(ri.tripped_run(), facts=facts)
    return {name: replace(_in_capitals(report), shop=shop) for name, report in made.items()}


def _in_capitals(report: ReportInput) -> ReportInput:
    """Devices, drivers and the plan's own title are from outside, too."""
    runs = []
    for run in report.runs:
        channels = {
            name: {**info, "label": "L", "driver": "D", "device": "X"}
            for name, info in run.trace.facts["channels"].items()
        }
        plan = replace(run.trace.profile, title="PLAN", name="PLAN") if run.trace.profile is not None else None
        plan = plan and replace(
            plan, cautions=(), thresholds=tuple(replace(limit, why="WHY") for limit in plan.thresholds)
        )
        machine = {"processor": "CPU", "system": "OS", "power_limits_w": {"long_term": 65, "short_term": 90}}
        facts = {**run.trace.facts, "channels": channels, "machine": machine}
        if facts.get("cause"):
            facts["cause"] = {**facts["cause"], "why": ["ENDED"]}
        if facts.get("stopped_because"):
            facts["stopped_because"] = ["GATE"]
        runs.append(replace(run, trace=replace(run.trace, profile=plan, facts=facts)))
    return replace(report, runs=tuple(runs), settings=replace(report.settings, language="de"))


def plain_words(page: str) -> set[str]:
    """Return the words in small plain letters that a reader meets."""
    text = re.sub(
        r"(?s)<(style|title)\b.*?</\1>|<span class=\"digest\">.*?</span>|<bdi lang=\"en\">.*?</bdi>", " ", page
    )
    shown = html.unescape(re.sub(r"<[^>]+>", " ", text))
    shown = re.sub(r"\b\d{8}-[\w-]+|\b[0-9a-f]{16}\b|`[^`]*`|verifyrig", " ", shown)
    return {word for word in re.findall(r"[A-Za-zÄÖÜäöüß°]{2,}", shown) if not word.isupper() and word not in SAME}


@pytest.mark.parametrize("edition", EDITIONS)
def test_no_word_of_a_page_comes_past_the_catalogue(edition: Any) -> None:
    found: dict[str, set[str]] = {}
    for name, report in reports().items():
        words = plain_words(render(report, edition, now_utc=ri.DAY_UTC + 13_000.0))
        if words:
            found[name] = words
    assert found == {}
