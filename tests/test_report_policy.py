"""The pages' Content-Security-Policy, judged by a real browser: nothing foreign acts, and the page looks as before."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from tests import report_inputs as ri
from tests.batches import PROFILE, batch_with_three_faults
from tests.kept_pages import kept_page
from verifyrig.bench.folder import Bench
from verifyrig.diagnosis.chain_picture import thermal_path_svg
from verifyrig.qa import find
from verifyrig.report.index import write_index
from verifyrig.report.inputs import Settings, Shop
from verifyrig.report.pdf import find_chromium
from verifyrig.report.policy import guarded
from verifyrig.report.qa_page import qa_page
from verifyrig.report.render import EDITIONS, TEMPLATES_DIR, render

CHROMIUM = find_chromium()
REPORTS = Path(__file__).resolve().parent.parent / "reports"
browsing = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed")
NOW_UTC = ri.DAY_UTC + 13_000.0
NAMES = (*EDITIONS, "qa", "index")
# One red dot, the logo of the invented shop.
DOT = (
    "data:image/png;base64,iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAIAAACQd1PeAAAADElEQVR4nGP4z8AAAAMBAQDJ/pLvAAAAAElFTkSuQmCC"
)
INJECTED = """
<script>document.title = "acted"</script>
<img src="x" onerror="document.title = 'acted'">
<svg onload="document.title = 'acted'"><script>document.title = "acted"</script></svg>
<style>body { display: none }</style>
<link rel="stylesheet" href="http://127.0.0.1:9/x.css">
<img src="http://127.0.0.1:9/pixel.png">
<iframe srcdoc="<script>parent.document.title = 'acted'</script>"></iframe>
<base href="http://127.0.0.1:9/">
<p id="dressed" style="color: red" onclick="document.title = 'acted'">x</p>
<a id="acting" href="javascript:void(document.title = 'acted')">x</a>
<form action="http://127.0.0.1:9/" id="asking"><input name="n" value="v"></form>
"""


@pytest.fixture(scope="module")
def texts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Every kind of page that is written."""
    report = ri.report(ri.gated_run(), ri.healthy_run())
    report = replace(report, shop=replace(report.shop, logo_uri=DOT))
    bench = Bench(root=tmp_path_factory.mktemp("bench"))
    return {
        **{edition: render(report, edition, now_utc=NOW_UTC) for edition in EDITIONS},
        "qa": qa_page(find(batch_with_three_faults(), PROFILE), Shop(name="Invented shop"), Settings(), NOW_UTC),
        "index": write_index(bench).read_text(encoding="utf-8"),
    }


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as playwright:
        # As root the sandbox cannot be set up; the pages are our own.
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield found
        found.close()


@contextlib.contextmanager
def opened(browser: Any, path: Path, text: str, number: int = 0) -> Iterator[tuple[Any, list[str], list[str]]]:
    """Open a text as a file; yield the page, what its console said, and which addresses it asked for."""
    path.write_text(text, encoding="utf-8")
    heard: list[str] = []
    asked: list[str] = []
    with kept_page(
        browser, 1000, 900, number=number,
        console=lambda message: heard.append(message.text),
        pageerror=lambda error: heard.append(str(error)),
        request=lambda request: asked.append(request.url),
    ) as page:  # fmt: skip
        page.goto(path.as_uri())
        yield page, heard, asked


def without_policy(text: str) -> str:
    bare = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>\n?', "", text)
    assert bare != text
    return bare


@pytest.mark.parametrize("name", NAMES)
def test_the_policy_stands_first_in_the_head_and_allows_no_more_than_it_must(texts: dict[str, str], name: str) -> None:
    found = re.search(r'<head>\s*<meta http-equiv="Content-Security-Policy" content="([^"]*)">', texts[name])
    assert found is not None
    rules = dict(rule.strip().split(" ", 1) for rule in found[1].split(";"))
    styles = rules.pop("style-src")
    assert rules == {"default-src": "'none'", "img-src": "data:", "base-uri": "'none'", "form-action": "'none'"}
    assert re.fullmatch(r"('sha256-[A-Za-z0-9+/]{43}=' ?)+", styles)
    assert "unsafe" not in found[1]
    assert not re.search(r"<[^>]* style=", texts[name])


@pytest.mark.parametrize("path", sorted(REPORTS.glob("*.html")), ids=lambda path: path.stem)
def test_the_committed_pages_carry_the_policy_of_their_style_sheet(path: Path) -> None:
    page = path.read_text(encoding="utf-8")
    style = page.partition("<style>")[2].partition("</style>")[0]
    assert guarded("", style) in page


def test_the_picture_of_the_heats_path_holds_nothing_that_could_act() -> None:
    # A picture that stands alone takes no policy: it has no head. All its words are our own.
    picture = ElementTree.fromstring(thermal_path_svg({}, "liquid"))
    assert {one.tag.rpartition("}")[2] for one in picture.iter()} <= {
        "svg",
        "title",
        "desc",
        "text",
        "rect",
        "line",
        "path",
        "circle",
    }
    names = {name for one in picture.iter() for name in one.attrib}
    assert not [name for name in names if name.startswith("on") or "href" in name or name == "style"]


@browsing
@pytest.mark.parametrize("name", NAMES)
def test_a_browser_finds_nothing_to_object_to_and_the_page_looks_the_same(
    browser: Any, texts: dict[str, str], tmp_path: Path, name: str
) -> None:
    with (
        opened(browser, tmp_path / "page.html", texts[name]) as (page, heard, asked),
        opened(browser, tmp_path / "bare.html", without_policy(texts[name]), 1) as (bare, _, _),
    ):
        assert heard == []
        assert {url for url in asked if not url.startswith("data:")} == {(tmp_path / "page.html").as_uri()}
        assert page.evaluate("getComputedStyle(document.querySelector('.sheet')).maxWidth") == "832px"  # 52 rem
        if "<img" in texts[name]:
            assert page.evaluate("document.querySelector('img').naturalWidth") == 1
        assert page.screenshot(full_page=True) == bare.screenshot(full_page=True)
        assert page.pdf() and bare.pdf()


@browsing
@pytest.mark.parametrize("name", NAMES)
def test_what_gets_into_a_page_unescaped_does_not_act(
    browser: Any, texts: dict[str, str], tmp_path: Path, name: str
) -> None:
    # As if the escaping had failed at the first place behind the head.
    broken = texts[name].replace("<main", INJECTED + "<main", 1)
    with (
        opened(browser, tmp_path / "broken.html", broken) as (page, heard, asked),
        opened(browser, tmp_path / "acting.html", without_policy(broken), 1) as (acting, _, _),
    ):
        for one in (page, acting):
            one.evaluate("document.getElementById('dressed').click(); document.getElementById('acting').click()")
            one.wait_for_timeout(200)
        assert acting.title() == "acted"  # without the policy all of it does
        assert acting.evaluate("getComputedStyle(document.body).display") == "none"
        assert page.title() != "acted"
        assert page.evaluate("getComputedStyle(document.body).display") == "block"
        assert page.evaluate("getComputedStyle(document.getElementById('dressed')).color") != "rgb(255, 0, 0)"
        assert page.evaluate("document.baseURI").startswith("file:")
        page.evaluate("document.getElementById('asking').submit()")
        page.wait_for_timeout(200)
        assert not [url for url in asked if "127.0.0.1" in url and page.url == url]
        assert page.url.startswith("file:")
        assert any("Content Security Policy" in text for text in heard)


def test_a_template_of_the_shop_is_guarded_too_however_it_lays_out_its_style(tmp_path: Path) -> None:
    own = (TEMPLATES_DIR / "report.html.j2").read_text(encoding="utf-8")
    (tmp_path / "report.html.j2").write_text(
        own.replace("<style>{{ css }}</style>", "<style>\n{{ css }}\n</style>"), encoding="utf-8"
    )
    report = ri.fixed_report()
    report = replace(report, settings=replace(report.settings, templates_dir=str(tmp_path)))
    page = render(report, "customer", now_utc=NOW_UTC)
    style = page.partition("<style>")[2].partition("</style>")[0]
    assert guarded("", style.strip()) in page


@browsing
@pytest.mark.parametrize("start", ["<!DOCTYPE html>", "\n<!doctype html><html>", ""])
def test_a_template_without_a_head_is_guarded_as_well(browser: Any, tmp_path: Path, start: str) -> None:
    text = guarded(f"{start}<title>calm</title><body><script>document.title = 'acted'</script>", "")
    with opened(browser, tmp_path / "page.html", text) as (page, heard, _):
        assert page.title() == "calm"
        assert any("Content Security Policy" in text for text in heard)
