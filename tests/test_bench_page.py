"""The bench computer's page in a real browser: it follows a run, is paired by a form, works by keyboard; axe-core."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.link_kills import Child
from tests.two_computers import Computer, Served, free_port
from verifyrig.core.run_view import RunView
from verifyrig.report.pdf import find_chromium
from verifyrig.rig.observer import Attention
from verifyrig.serve.panel import Tone, panel_of
from verifyrig.serve.places import Place, PlaceState, plain_view
from verifyrig.serve.series import Series

CHROMIUM = find_chromium()
HANG_MS = 60_000
# A capital of 16 minutes of arc at 3 m is 14 mm (ISO 9241-303, from memory); on a screen of 1 m width and 1920 px with
# capitals of 0.72 of the font's size.
READ_AT_3_M_PX = 0.014 / 1.0 * 1920 / 0.72


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[Served, Child]]:
    bench, machine = Computer(tmp_path / "bench"), Computer(tmp_path / "machine")
    machine.env["XDG_CONFIG_HOME"] = bench.env["XDG_CONFIG_HOME"]
    service = Served(bench, "127.0.0.1", free_port())
    service.start()
    child = Child(machine, machine.bench / "runs", hz=5)
    try:
        yield service, child
    finally:
        child.end()
        assert service.process is not None
        service.process.terminate()
        service.process.communicate()


def _faults_of_axe(page: Any) -> list[tuple[str, str]]:
    axe = os.environ.get("VERIFYRIG_AXE")
    if not axe or not Path(axe).is_file():
        return []
    page.add_script_tag(path=axe)
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    found = page.evaluate("tags => axe.run({runOnly: {type: 'tag', values: tags}})", tags)
    return [(fault["id"], fault["nodes"][0]["html"][:200]) for fault in found["violations"]]


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed")
def test_the_page_in_a_browser(served: tuple[Served, Child]) -> None:
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    service, child = served
    with sync_api.sync_playwright() as playwright:
        # As root the sandbox cannot be set up; the page is our own.
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        context = browser.new_context(viewport={"width": 1280, "height": 900}, bypass_csp=True)
        context.set_default_timeout(HANG_MS)
        page = context.new_page()
        faults: list[str] = []
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.goto(f"http://localhost:{service.port + 1}/")
        page.wait_for_selector("article .word strong:text('LOAD ON')")
        picture = page.inner_html("article [data-part=picture]")
        page.wait_for_function("old => document.querySelector('[data-part=picture]').innerHTML !== old", arg=picture)
        assert page.query_selector("button.end") is None
        page.fill("#code", service.code)
        page.keyboard.press("Enter")
        page.wait_for_selector("button.end[aria-disabled=false]")
        page.wait_for_load_state()  # with its script: without it Enter sends the form, and the page comes anew
        page.focus("#places")
        page.keyboard.press("Tab")  # the first thing in the places that can be done
        page.keyboard.press("Enter")
        page.wait_for_selector("article .ended:text('off after')")
        assert page.evaluate("document.activeElement.className") == "end"  # what is live leaves the focus alone
        assert _faults_of_axe(page) == []
        for width, address in ((390, "/"), (1920, "/?wall")):
            page.set_viewport_size({"width": width, "height": 900})
            page.goto(f"http://localhost:{service.port + 1}{address}")
            page.wait_for_selector("article .word strong:text('LOAD ON')")
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            if "wall" in address:  # nothing to scroll, and the words are read from three metres
                assert page.evaluate("document.documentElement.scrollHeight") <= 900
                sizes = "selector => parseFloat(getComputedStyle(document.querySelector(selector)).fontSize)"
                for selector in (".word strong", ".left b", ".who h2"):
                    assert page.evaluate(sizes, selector) >= READ_AT_3_M_PX, selector
            assert _faults_of_axe(page) == []
        stopped = [child.process.pid, *(sender.pid for sender in child.senders())]
        for pid in stopped:
            os.kill(pid, signal.SIGSTOP)  # nothing more comes, and nobody closes a connection
        try:
            page.wait_for_selector("article.alarm .word strong:text('WENT DARK')")
            assert "WENT DARK" in page.inner_text("#call")  # read out, with whose it is
            assert "Look whether the machine is off" in page.inner_text("#waits")
        finally:
            for pid in stopped:
                os.kill(pid, signal.SIGCONT)
        page.wait_for_selector("article .word strong:text('LOAD ON')")
        browser.close()
    assert faults == []


def _place(**view: Any) -> Place:
    place = Place(
        key="r", run="r", machine="m", machine_name="left", twin=Path("r"), channels=("die_temp_c",),
        series=Series(("die_temp_c",)), view=plain_view(view),
    )  # fmt: skip
    place.series.add([[float(t), 1.77e9, 40.0 + t] for t in range(5000)])
    return place


@pytest.mark.parametrize(
    ("view", "state", "word", "tone"),
    [
        (
            {"attention": Attention.TRIP, "said": "Tripped: die.", "share": 0.0},
            PlaceState.RUNNING,
            "TRIPPED",
            Tone.ALARM,
        ),
        ({"attention": Attention.GATE}, PlaceState.RUNNING, "STOPPED", Tone.ALARM),
        ({"attention": Attention.QUESTION, "share": 1.0}, PlaceState.RUNNING, "ASKS", Tone.ASKS),
        ({"order": "Switch the load off.", "share": 1.0}, PlaceState.RUNNING, "DO THIS", Tone.ASKS),
        ({"share": 0.5, "kind": "load"}, PlaceState.RUNNING, "LOAD ON", Tone.LOAD),
        ({"attention": Attention.TRIP}, PlaceState.DARK, "WENT DARK", Tone.ALARM),
        ({"outcome": "tripped"}, PlaceState.ENDED, "TRIPPED", Tone.ALARM),
        ({"outcome": "completed"}, PlaceState.ENDED, "FINISHED", Tone.OVER),
        ({}, PlaceState.PROGRAM_GONE, "PROGRAM GONE", Tone.ALARM),
    ],
)
def test_the_loudest_thing_that_is_true_is_the_word(
    view: dict[str, Any], state: PlaceState, word: str, tone: Tone
) -> None:
    place = _place(**view)
    place.state = state
    panel = panel_of(place, paired=True, now_s=0.0, has_report=False)
    assert (panel.word, panel.tone) == (word, tone)
    assert bool(panel.todo) == (tone in (Tone.ALARM, Tone.ASKS) or state is PlaceState.ENDED)


def test_of_a_machine_that_says_nothing_any_more_nothing_is_said_to_be_now() -> None:
    place = _place(share=1.0, margin_k=31.0, margin_channel="die_temp_c", limits_c={"die_temp_c": 95.0},
                   forecast={"channel": "die_temp_c", "value_c": 61.0, "u95_k": 2.0, "known": False})  # fmt: skip
    place.samples = 5000
    now = panel_of(place, paired=True, now_s=0.0, has_report=False)
    assert (now.left_k, now.left) == ("31 K", "left to the limit of die.") and now.now.endswith("°C now.")
    assert now.forecast and "hatch-" in now.picture
    place.state = PlaceState.DARK
    dark = panel_of(place, paired=True, now_s=0.0, has_report=False)
    assert (dark.left_k, dark.left, dark.forecast) == ("", "", "") and dark.now.endswith("°C at the last sample.")
    assert "hatch-" not in dark.picture


def test_what_is_read_out_does_not_change_each_second() -> None:
    said = {_todo_at(until_s) for until_s in np.linspace(61.0, 89.9, 50).tolist()}
    assert said == {"Be there within 1:30: it will ask who is here."}


def _todo_at(until_s: float) -> str:
    return panel_of(_place(until_question_s=until_s), paired=True, now_s=0.0, has_report=False).todo


def test_a_long_run_keeps_few_points_and_its_ends() -> None:
    series = _place().series
    assert len(series.t_s) <= 900 and series.t_s[0] < 30 and series.t_s[-1] > 4980
    assert series.newest["die_temp_c"] == 5039.0


def test_what_a_run_shows_is_cut_to_what_a_panel_can_hold() -> None:
    odd = {"said": "x" * 10_000, "share": "1", "t_s": float("inf"), "limits_c": {"die_temp_c": "hot"}, "job": 7,
           "stages": [1, "idle"], "forecast": {"channel": "die_temp_c", "value_c": None}, "unknown": 1}  # fmt: skip
    found = plain_view(odd)
    assert len(found.pop("said") or "") <= 300
    assert found == {"limits_c": {}, "stages": ["idle"], "forecast": None}


def test_of_every_part_of_a_view_it_is_known_what_may_stand_there() -> None:
    none = plain_view(dict.fromkeys(RunView.__annotations__))
    values = {"limits_c": {"die_temp_c": 90.0}, "stages": ["idle"], "simulated": True}
    assert none.keys() | plain_view(values).keys() == RunView.__annotations__.keys()
