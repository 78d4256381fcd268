"""The report as a page: what it says for each course of events, nothing left out, and text from outside stays text."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import html5lib
import pytest

from tests import report_inputs as ri
from verifyrig import report as report_package
from verifyrig.analysis.results import StageComparison
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import LoadPattern
from verifyrig.core.reason import reason
from verifyrig.core.trace import Event, QualityInterval
from verifyrig.jobs.fitness_model import FaultHeadline, Status
from verifyrig.metrology.verdict import Verdict
from verifyrig.report.early_end import EndKind, early_end
from verifyrig.report.inputs import Entry, ReportInput, RunInput, Shop
from verifyrig.report.render import EDITIONS, css_string, render
from verifyrig.report.required import required_items
from verifyrig.report.sentences import finding_of
from verifyrig.report.wording import Words

NOW_UTC = ri.DAY_UTC + 13_000.0


class Text(HTMLParser):
    """What a reader sees: text outside style, and the tags met."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._hidden += tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag == "style"

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.words.append(data)


def parsed(page: str) -> Text:
    text = Text()
    text.feed(page)
    return text


def seen(page: str) -> str:
    text = " ".join(" ".join(parsed(page).words).split()).replace("\u202f", " ")
    return re.sub(r" (?=[:;,.)”])|(?<=[(“]) ", "", text)


def page(report: ReportInput, edition: Any = "customer") -> str:
    return render(report, edition, now_utc=NOW_UTC)


def said(report: ReportInput) -> str:
    return finding_of(report, Words()).text.replace("\u202f", " ")


# --- what is said for each course of events --------------------------------------------------------------------


def test_fixed_tells_now_and_before_with_figures() -> None:
    report = ri.fixed_report()
    assert report.fitness.headline is FaultHeadline.FIXED
    assert said(report) == (
        "Now: 15 min of load, run to the end; the processor settles at 66.0 ± 1.2 °C, 29 K below its trip limit. "
        "Before: the load had to be ended after 38 s, at up to 92.5 °C."
    )


def test_a_gate_that_closed_reads_as_safety_and_not_as_a_failure_of_the_test() -> None:
    report = ri.report(ri.gated_run(), ri.healthy_run())
    assert report.fitness.headline is FaultHeadline.FIXED
    assert "Before: stopped while idle for safety; no load was run." in said(report)
    assert "a load is started only below 47 °C" in said(report)


def test_a_load_that_was_forecast_too_hot_says_so() -> None:
    cold = ri.gated_run()
    why = "rest and pulses foresee 82 ± 19 °C under it, and the limit is 92 °C"
    stages = tuple(replace(s, ended=StageEnd.TIME) if s.ended == StageEnd.GATE else s for s in cold.trace.stages)
    events = (Event(t_s=60.0, kind="load-refused", detail={"stage": "load", "why": why}),)
    before = replace(cold, trace=replace(cold.trace, stages=stages, events=events))
    told = said(ri.report(before, ri.healthy_run()))
    assert "Before: no full load was run, as idle and pulses forecast too much heat under it." in told


def test_a_load_that_did_not_come_up_is_neither_safety_nor_heat() -> None:
    cold = ri.gated_run()
    why = reason("of-stage", stage="load", why=(reason("load-failed", what="no worker came"),))
    stages = tuple(replace(s, ended=StageEnd.TIME) if s.ended == StageEnd.GATE else s for s in cold.trace.stages)
    events = (Event(t_s=60.0, kind="load-refused", detail={"stage": "load", "why": str(why), "reason": why.as_json()}),)
    facts = {**cold.trace.facts, "outcome": "interrupted", "cause": {"class": "load-failed", "why": [str(why)]}}
    facts.pop("stopped_because")
    run = replace(cold.trace, stages=stages, events=events, facts=facts)
    before = replace(cold, trace=run)
    told = said(ri.report(before, ri.healthy_run()))
    assert "Before: interrupted: the load did not come up." in told
    assert (end := early_end(before)) is not None and end.kind is EndKind.INTERRUPTED
    assert "safety" not in told and "too hot" not in told and "too much heat" not in told


def test_a_load_that_climbed_and_did_not_come_to_its_full_share_says_how_far_it_went() -> None:
    run = ri.tripped_run()
    assert run.trace.profile is not None
    plan = run.trace.profile
    climbing = tuple(
        replace(s, load=replace(s.load, pattern=LoadPattern.CLIMB)) if s.load is not None and s.name == "load" else s
        for s in plan.stages
    )
    stages = tuple(replace(s, ended=StageEnd.STOPPED) if s.name == "load" else s for s in run.trace.stages)
    start_s = next(s.start_s for s in stages if s.name == "load")
    why = reason("climb-full-too-hot", peak_c=104.0, u95_k=9.0, limit_c=92.0)
    told = {"act": "end", "share": 0.5, "channel": "die_temp_c", "full_c": 104.0, "full_u95_k": 9.0}
    events = (
        Event(t_s=start_s, kind="load", detail={"share": 0.5}),
        Event(t_s=start_s + 5.0, kind="climb", detail={**told, "why": str(why), "reason": why.as_json()}),
    )
    facts = {**run.trace.facts, "outcome": "stopped", "trip": None}
    trace = replace(run.trace, profile=replace(plan, stages=climbing), stages=stages, events=events, facts=facts)
    text = said(ri.report(replace(run, trace=trace), ri.healthy_run()))
    assert "Before: the load went up to 50" in text and "of the full one and no further, for safety." in text
    assert "At full load the processor would settle at 104.0 ± 9.0" in text


def test_what_no_sensor_showed_and_what_the_measurement_asked_are_said() -> None:
    run = ri.healthy_run(not_watched=["regulator", "hot-spot"], channels={"die_temp_c": {"limit": 75.0}})
    text = seen(page(ri.report(ri.tripped_run(), run)))
    assert "the voltage regulator: warmed by the load, and no sensor shows it" in text
    # 900 s at 100 W and 601 s at 15 W are 99 kJ, 27.5 Wh; it settles at 66 °C, 1 K above 10 K below its limit of 75 °C.
    assert f"What measurement {run.run_id} asked of the machine:" in text and "27.5 Wh of energy put in" in text


def test_a_machine_that_went_dark_says_when() -> None:
    assert "Before: it went dark 38 s into the load, last seen at 92.5 °C." in said(
        ri.report(ri.dark_run(), ri.healthy_run())
    )


@pytest.mark.parametrize(
    "after",
    [
        ri.tripped_run("20310314-160000-cccc"),
        ri.dark_run("20310314-160000-cccc"),
        ri.gated_run("20310314-160000-cccc"),
    ],
)
def test_a_verification_that_ends_badly_is_never_ready(after: RunInput) -> None:
    late = replace(after, trace=replace(after.trace, utc_s=after.trace.utc_s + 9000.0))
    found = ri.report(ri.tripped_run(), late).fitness
    assert (found.headline, found.status) == (FaultHeadline.NOT_FIXED, Status.NOT_FIT)


@pytest.mark.parametrize(
    ("verdict", "on_conditional", "headline", "status"),
    [
        ("pass", "repeat", FaultHeadline.FIXED, Status.FIT),
        # The verification stands, within the uncertainty only.
        ("conditional-pass", "repeat", FaultHeadline.BETTER, Status.WATCH),
        ("conditional-pass", "reject", FaultHeadline.BETTER, Status.NOT_FIT),
        ("conditional-fail", "ask", FaultHeadline.NOT_FIXED, Status.NOT_FIT),
        # It tripped before and goes through now: better, and nothing is proven.
        ("not-measured", "ask", FaultHeadline.BETTER, Status.NOT_FIT),
        ("fail", "ask", FaultHeadline.NOT_FIXED, Status.NOT_FIT),
    ],
)
def test_the_verdict_of_the_verification_decides(
    verdict: str, on_conditional: str, headline: FaultHeadline, status: Status
) -> None:
    run = ri.healthy_run()
    run = replace(
        run,
        trace=replace(run.trace, profile=ri.profile(on_conditional)),
        verdict=Verdict(verdict),
    )
    found = ri.report(ri.tripped_run(), run).fitness
    assert (found.headline, found.status) == (headline, status)


def test_a_change_after_the_last_run_is_not_verified() -> None:
    late = Entry(entry_id="c-2", utc_s=ri.DAY_UTC + 11_000.0, kind="change", what="cleaned")
    report = ri.report(ri.tripped_run(), ri.healthy_run(), facts=ri.job(entries=(*ri.job().entries, late)))
    assert (report.fitness.headline, report.fitness.status) == (FaultHeadline.NOT_JUDGED, Status.NOT_FIT)
    assert "has not been measured again" in said(report)


def test_a_run_alone_after_which_something_was_changed_is_not_verified() -> None:
    report = ri.report(ri.tripped_run())
    assert report.fitness.headline is FaultHeadline.NOT_JUDGED and "has not been measured again" in said(report)


def test_runs_under_other_conditions_draw_no_conclusion() -> None:
    report = ri.report(ri.tripped_run(), ri.healthy_run(), comparable=False)
    assert report.fitness.headline is FaultHeadline.BETTER
    assert "the gap between them proves nothing" in said(report)


def test_a_pass_without_a_recorded_change_is_not_called_fixed() -> None:
    report = ri.report(ri.tripped_run(), ri.healthy_run(), facts=ri.job(entries=()))
    assert report.fitness.headline is FaultHeadline.BETTER
    assert "we cannot say why" in said(report)


def test_a_fault_that_did_not_show_is_not_excluded() -> None:
    before = ri.healthy_run("20310314-131700-aaaa")
    before = replace(before, trace=replace(before.trace, utc_s=before.trace.utc_s - 8000.0))
    report = ri.report(before, ri.healthy_run())
    assert report.fitness.headline is FaultHeadline.NO_FAULT_SEEN
    assert "did not show on the bench" in said(report)


def test_obstacles_of_the_job_and_an_altered_record_keep_the_machine_here() -> None:
    held = ri.report(ri.tripped_run(), ri.healthy_run(), facts=ri.job(closed_utc_s=None))
    assert held.fitness.status is Status.NOT_FIT and "the job is not closed" in seen(page(held, "slip"))
    for integrity, words in ((Integrity.ALTERED, "was altered"), (Integrity.DAMAGED, "is damaged")):
        report = ri.report(ri.tripped_run(), replace(ri.healthy_run(), integrity=integrity))
        assert (report.fitness.headline, report.fitness.status) == (FaultHeadline.NOT_JUDGED, Status.NOT_FIT)
        assert words in seen(page(report, "slip")) and words in said(report)


def test_a_job_closed_with_an_override_says_its_reason() -> None:
    facts = ri.job(override="the customer took it as it is")
    late = ri.tripped_run("20310314-160000-cccc")
    late = replace(late, trace=replace(late.trace, utc_s=late.trace.utc_s + 9000.0))
    shown = seen(page(ri.report(ri.tripped_run(), late, facts=facts), "slip"))
    assert "given back as it is, not as fit for use" in shown
    assert "decided by the technician: the customer took it as it is" in shown


@pytest.mark.parametrize(
    ("report", "word"),
    [
        (ri.fixed_report(), "ready"),
        (ri.report(ri.tripped_run(), ri.healthy_run(), comparable=False), "ready, watch this"),
        (ri.report(ri.tripped_run()), "not ready: ask the technician"),
    ],
)
def test_the_slip_tells_the_counter_in_the_words_of_the_one_status(report: ReportInput, word: str) -> None:
    assert re.search(r'<h2 class="word slip-ready"[^>]*>([^<]+)</h2>', page(report, "slip"))[1] == word  # type: ignore[index]


def test_pickup_prints_warranty_old_parts_and_what_was_overridden() -> None:
    facts = ri.job(
        override="the customer could not wait",
        refused=("not ticked: Cables clear of every fan (cables-clear)",),
        warranties=(("closed liquid cooler", "2033-03-14"),),
        handover={"to": "Q. Uestion", "old_parts": "taken", "utc_s": ri.DAY_UTC + 12_500.0},
        again="20300101-1",
    )
    text = seen(page(ri.report(ri.tripped_run(), ri.healthy_run(), facts=facts)))
    for words in (
        "24 months, until 14 March 2033",
        "Old parts: taken along",
        "closed against a rule, because the customer could not wait",
        "still open then not ticked: Cables clear of every fan",
        "came back from job 20300101-1",
        "cause, as closed by the technician coolant does not flow",
    ):
        assert words in text


# --- the page --------------------------------------------------------------------------------------------------


def test_first_page_keeps_its_order() -> None:
    text = page(ri.fixed_report())
    order = [
        "finding-word",
        "You may use it.",
        "What you told us",
        "What we found",
        "What we did",
        "<figure",
        "What we did not test",
        "What to watch for",
        "Ask Invented Bench",
        "signatures",
        'class="behind"',
        'class="three"',
    ]
    places = [text.index(mark, text.index("<main")) for mark in order]
    assert places == sorted(places)


def test_three_numbers_stand_with_their_uncertainty() -> None:
    text = page(ri.fixed_report())
    figures = re.findall(r'<span class="figure after"><small>after</small> ([^<]+)</span>', text)
    assert len(figures) == 3
    assert all("±" in figure for figure in figures)


def test_every_run_is_on_the_page_whatever_became_of_it() -> None:
    stopped = ri.gated_run("20310314-140000-dddd")
    broken = ri.dark_run("20310314-143000-eeee")
    report = ri.report(ri.tripped_run(), ri.healthy_run(), between=(stopped, broken))
    text = seen(page(report))
    for run in report.runs:
        assert run.run_id in text
    assert "There are 4 runs. 3 of them did not go to their end. Nothing is left out." in text
    assert "interrupted: the machine lost power" in text and "its log ends with the record" in text


def test_not_measured_and_not_armed_are_named() -> None:
    text = seen(page(ri.fixed_report()))
    assert "no reading in this stage: coolant, settled" in text
    assert "voltage converters: no reading, so its trip limit guarded nothing" in text


def test_readings_that_were_not_believed_are_counted() -> None:
    run = ri.healthy_run()
    bad = (QualityInterval(channel="die_temp_c", from_s=10.0, to_s=14.0, quality="stuck"),)
    report = ri.report(ri.tripped_run(), replace(run, trace=replace(run.trace, qualities=bad)))
    assert "processor: stuck, 1 time, 4 s in all" in seen(page(report))


def test_a_blind_load_is_said() -> None:
    report = ri.report(ri.tripped_run(), ri.healthy_run(blind=True))
    assert "without any temperature reading" in seen(page(report))


@pytest.mark.parametrize("edition", EDITIONS)
def test_simulated_hardware_is_said_large(edition: str) -> None:
    shown = page(ri.report(ri.tripped_run(simulated=True), ri.healthy_run(simulated=True)), edition)
    assert '<p class="simulated">simulated hardware</p>' in shown
    assert "simulated hardware" not in page(ri.fixed_report(), edition)


def test_the_picture_has_its_numbers_as_a_table() -> None:
    text = seen(page(ri.fixed_report()))
    # 41 °C at the edge, then straight to 92.5 °C in 38 s: 41 + 51.5 * 5 / 38 = 47.8 °C after 5 s.
    assert "5 s into the load 47.8 °C 32.9 °C" in text
    # A first-order rise of 36 K with 60 s: 30 + 36 (1 - e^-1) = 52.8 °C after 60 s.
    assert "60 s into the load load was over 52.8 °C" in text


@pytest.mark.parametrize("edition", EDITIONS)
def test_the_page_asks_nothing_of_anybody_and_runs_nothing(edition: str) -> None:
    found = parsed(page(ri.fixed_report(), edition)).tags
    assert not {"script", "link", "iframe", "object", "embed", "form", "base"} & {tag for tag, _ in found}
    for _, attributes in found:
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("src", "href", "xlink:href", "srcset", "action", "style"):
            assert re.match(r"(#|data:image/|$)", attributes.get(name) or ""), attributes
    assert not re.search(r"@import|url\(|https?://", page(ri.fixed_report(), edition))


@pytest.mark.parametrize("edition", EDITIONS)
@pytest.mark.parametrize("language", ["en", "de"])
def test_the_page_is_valid_by_a_strict_parser(edition: str, language: str) -> None:
    for report in (ri.fixed_report(language=language), ri.report(ri.gated_run(), language=language), ri.report()):
        html5lib.HTMLParser(strict=True).parse(page(report, edition))


def test_anchors_lead_somewhere_and_ids_are_unique() -> None:
    found = parsed(page(ri.fixed_report(), "archive")).tags
    ids = [attributes["id"] for _, attributes in found if attributes.get("id")]
    assert len(ids) == len(set(ids))
    targets = {(attributes.get("href") or "")[1:] for tag, attributes in found if tag == "a"}
    assert targets <= set(ids)


def test_the_same_input_and_time_give_the_same_bytes() -> None:
    assert page(ri.fixed_report(), "archive") == page(ri.fixed_report(), "archive")
    assert page(ri.fixed_report()) != render(ri.fixed_report(), "customer", now_utc=NOW_UTC + 60.0)


def test_rendering_reads_no_clock_no_record_and_no_job() -> None:
    """Only the edges (gather, write, index, pdf) touch the world; everything that draws and words does not."""
    folder = Path(report_package.__file__).parent
    edges = {"gather", "write", "index", "pdf"}
    modules = r"sqlite3|subprocess|socket|random|time|verifyrig\.(record|rig|job_store|demo)|mock_hw"
    forbidden = re.compile(rf"^\s*(from|import) ({modules})\b|\.now\(", re.MULTILINE)
    for path in folder.glob("*.py"):
        if path.stem not in edges and path.stem != "__init__":
            assert not forbidden.search(path.read_text(encoding="utf-8")), path.name


def test_an_unknown_edition_is_refused() -> None:
    with pytest.raises(ValueError, match="edition"):
        page(ri.fixed_report(), "poster")


def test_a_report_of_records_without_a_job_stands_too() -> None:
    text = seen(page(ri.report(ri.tripped_run(), ri.healthy_run(), with_job=False)))
    assert "End of report 20310314-154000-bbbb" in text


# --- ISO/IEC 17025:2017, 7.8.2.1: item by item -----------------------------------------------------------------

# Each line: the item's letter (list read in public copies of the standard), and words of this report that fulfil it.
ITEMS = [
    ("a", "Report on a machine tested on the bench"),
    ("b", "Invented Bench 1 Example Lane Nowhere"),
    ("c", "Place of the work: Invented Bench"),
    ("d", "End of report 20310314-1"),
    ("e", "customer: name Q. Uestion"),
    ("f", "The machine went through a written plan of stages"),
    ("g", "condition when it came in scratches on the left panel"),
    ("h", "taken in on 14 Mar 2031, 13:05 UTC"),
    ("i", "14 Mar 2031, 13:17 UTC"),
    ("j", "Made on 14 Mar 2031, 16:41 UTC"),
    ("k", "1,501 samples, one every 1 s"),
    ("l", "The results concern this machine only"),
    ("m", "66.0 ± 1.2 °C"),
    ("n", "Not measured, not guarded"),
    ("o", "Tested and released by: I. N. Vented"),
    ("p", "No result comes from another laboratory"),
    ("note", "to be copied only as a whole"),
]


@pytest.mark.parametrize(("letter", "words"), ITEMS)
def test_each_item_of_the_list_for_reports_is_there(letter: str, words: str) -> None:
    assert words in seen(page(ri.fixed_report()))


def test_the_list_in_the_report_names_all_sixteen_items() -> None:
    assert [item.letter for item in required_items(Words())] == list("abcdefghijklmnop")


def test_the_decision_rule_is_stated_with_its_risk() -> None:
    text = seen(page(ri.fixed_report()))
    assert "guard band as wide as the expanded uncertainty, 95 %" in text
    # With w = U = 2 u and a normal distribution the risk of a wrong pass is at most 1 - Phi(2) = 2.3 %
    # (ILAC-G8:09/2019, table of decision rules: "< 2.5 %", from memory).
    assert "probability below 2.5 %" in text


# --- text from outside -----------------------------------------------------------------------------------------

HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "'; DROP TABLE run; --",
    "{{ 7 * 7 }} {% for x in y %}",
    "</style><script>alert(2)</script>",
    '=HYPERLINK("http://example.invalid")',
    "../../etc/passwd",
    "a\u202eb\u2066c\u200fd",
    "\x00\x07\x1b[31m\ud800\ufffe",
    "🔥" * 50,
    "x" * 10_000,
    "{name} {0} %(what)s %s",
]


def hostile_report(text: str) -> ReportInput:
    """The text stands in every field that comes from outside."""
    facts = ri.job(
        complaint=text,
        customer={"name": text, "contact": text, "ticket": text},
        machine={"description": text, "kind": text, "serial": text},
        answers=((text, text),),
        consent=((text, text),),
        accessories=text,
        condition=text,
        cause=text,
        override=text,
        handover={"to": text, "utc_s": ri.DAY_UTC + 13_000.0, "note": text},
        protective_steps=((text, True),),
        entries=(
            Entry(entry_id="1", utc_s=ri.DAY_UTC + 60.0, kind="finding", what=text, detail={"value": text, text: text}),
            Entry(
                entry_id="2",
                utc_s=ri.DAY_UTC + 7200.0,
                kind="change",
                what=text,
                detail={"part": text, "lot": text, "price": text, "before": text, "after": text, "note": [text]},
            ),
        ),
    )
    states = {"panel": text, text: text}
    told: dict[str, Any] = {
        "states": states,
        "machine": {"model": text, text: text},
        "stopped_because": [text],
        "refusals": [text],
    }
    run = ri.healthy_run(**told, attestation={"by": text, "answers": {text: text}, "present": text, "until": text})
    channels = {"die_temp_c": {"label": text, "driver": text, "device": text, "unit": text}}
    bad = (QualityInterval(channel=text or "x", from_s=0.0, to_s=1.0, quality=text, note=text),)
    plan = replace(ri.profile(), title=text, name=text, cautions=(text,))
    run = replace(
        run,
        trace=replace(
            run.trace, facts={**run.trace.facts, "channels": channels, "not_armed": [text]}, qualities=bad, profile=plan
        ),
        metrics={**run.metrics, f"load.{text}": ri.metric(None, text, None, reason("load-failed", what=text))},
    )
    report = ri.report(ri.tripped_run(), run, facts=facts)
    why = (reason("load-failed", what=text),)
    stages = {"load": StageComparison(comparable=False, why=why), text: StageComparison(comparable=True)}
    assert report.comparison is not None
    return replace(
        report,
        shop=Shop(name=text, operator=text, address=text, terms=text),
        comparison=replace(report.comparison, stages=stages),
    )


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
@pytest.mark.parametrize("edition", EDITIONS)
def test_hostile_text_is_shown_and_does_nothing(text: str, edition: str) -> None:
    shown = page(hostile_report(text), edition)
    html5lib.HTMLParser(strict=True).parse(shown)
    plain = parsed(page(ri.fixed_report(), edition)).tags
    found = parsed(shown).tags
    # Not one element or attribute that a harmless text would not bring.
    assert {tag for tag, _ in found} <= {tag for tag, _ in plain} | {
        "li",
        "br",
        "h3",
        "ul",
        "p",
        "strong",
        "bdi",
        "span",
    }
    assert {name for _, attributes in found for name in attributes} <= {
        name for _, attributes in plain for name in attributes
    } | {"data-head", "scope", "class"}
    assert not re.search(r"[\u202a-\u202e\u2066-\u2069]", shown)
    style = shown.partition("<style>")[2].partition("</style>")[0]
    assert "@page" in style and "<" not in style


def test_hostile_text_is_still_readable() -> None:
    text = seen(page(hostile_report("<b>&amp;"), "archive"))
    assert text.count("<b>&amp;") > 20
    assert "a[U+202E]b" in seen(page(hostile_report("a\u202eb")))


@pytest.mark.parametrize(
    ("text", "css"),
    [
        ("plain text", '"plain text"'),
        ('"', '"\\000022 "'),
        ("</style>", '"\\00003c \\00002f style\\00003e "'),
        ("a\nb", '"a b"'),
        ("ü", '"\\0000fc "'),
    ],
)
def test_css_strings_escape_by_code_point(text: str, css: str) -> None:
    # CSS Syntax Module Level 3, 4.3.7: six hexadecimal digits, then one space that belongs to the escape.
    assert str(css_string(text)) == css
