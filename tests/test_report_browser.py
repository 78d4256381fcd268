"""The report in a real browser: nothing leaves the file or overflows, it prints whole, axe-core has no complaint."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests import report_inputs as ri
from tests.kept_pages import kept_page
from tests.test_report_page import HOSTILE, hostile_report
from verifyrig.report.pdf import find_chromium, write_pdf
from verifyrig.report.render import EDITIONS, render

CHROMIUM = find_chromium()
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed")
NOW_UTC = ri.DAY_UTC + 13_000.0
WIDTHS = (390, 1280)
PHONE_PX = 844  # height of a phone of 390 CSS pixels across, from memory


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as playwright:
        # As root the sandbox cannot be set up; the pages are our own.
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield found
        found.close()


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Files: each edition in English, the customer's in German, one that never got a load, one of hostile text."""
    folder = tmp_path_factory.mktemp("pages")
    reports: dict[str, str] = {edition: render(ri.fixed_report(), edition, now_utc=NOW_UTC) for edition in EDITIONS}
    reports["german"] = render(ri.report(ri.gated_run(), ri.healthy_run(), language="de"), "customer", now_utc=NOW_UTC)
    reports["dark"] = render(
        ri.report(ri.dark_run(simulated=True), ri.healthy_run(simulated=True), paper="Letter"),
        "customer",
        now_utc=NOW_UTC,
    )
    everything = " ".join(text for text in HOSTILE if len(text) < 1000)
    reports["hostile"] = render(hostile_report(everything), "archive", now_utc=NOW_UTC)
    reports["long"] = render(hostile_report("x" * 10_000), "customer", now_utc=NOW_UTC)
    paths = {}
    for name, text in reports.items():
        paths[name] = folder / f"{name}.html"
        paths[name].write_bytes(text.encode("utf-8", "replace"))
    return paths


NAMES = ("customer", "archive", "slip", "german", "dark", "hostile", "long")


@pytest.mark.parametrize("name", NAMES)
def test_nothing_leaves_the_file_and_nothing_overflows(browser: Any, pages: dict[str, Path], name: str) -> None:
    heard: list[str] = []
    asked: list[str] = []

    def dismissed(dialog: Any) -> None:
        heard.append(dialog.message)
        dialog.dismiss()

    with kept_page(
        browser,
        console=lambda message: heard.append(message.text),
        pageerror=lambda error: heard.append(str(error)),
        dialog=dismissed,
        request=lambda request: asked.append(request.url),
    ) as page:
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 900})
            page.goto(pages[name].as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= width
        # The page itself, once a width; an embedded logo (data:) would be asked of nobody either.
        assert {url for url in asked if not url.startswith("data:")} == {pages[name].as_uri()}
        assert heard == []
        assert page.evaluate("document.scripts.length") == 0


TEXT_SIZES = """() => {
  const sizes = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode, parent = node.parentElement;
    if (!node.data.trim() || parent.closest('title, desc, style') || !parent.getClientRects().length) continue;
    const svg = parent.closest('svg');
    const scale = svg ? svg.getBoundingClientRect().width / svg.viewBox.baseVal.width : 1;
    const size = parseFloat(getComputedStyle(parent).fontSize) * scale;
    sizes.push([size, node.data.trim().slice(0, 40), Boolean(svg), Boolean(parent.closest('.digest'))]);
  }
  return sizes;
}"""


@pytest.mark.parametrize("width", WIDTHS)
def test_no_text_is_smaller_than_12_pixels(browser: Any, pages: dict[str, Path], width: int) -> None:
    # 12 CSS pixels are 9 points: common practice for small print, no source.
    with kept_page(browser, width, 900) as page:
        page.goto(pages["archive"].as_uri())
        sizes = page.evaluate(TEXT_SIZES)
        # A phone's browser scales all text by this, which the sizes do not show.
        scaled = page.evaluate(
            "getComputedStyle(document.documentElement).getPropertyValue('-webkit-text-size-adjust')"
        )
        assert len(sizes) > 200 and scaled == "100%"
        assert min(sizes)[0] >= 11.9, min(sizes)


@pytest.mark.parametrize(
    ("name", "width", "scheme"),
    [
        ("customer", 390, "light"),
        ("archive", 1280, "dark"),
        ("slip", 390, "light"),
        ("german", 1280, "light"),
        ("dark", 390, "dark"),
        ("hostile", 390, "light"),
    ],
)
def test_axe_finds_no_violation_of_wcag_aa(
    browser: Any, pages: dict[str, Path], name: str, width: int, scheme: str
) -> None:
    axe = os.environ.get("VERIFYRIG_AXE")
    if not axe or not Path(axe).is_file():
        pytest.skip("axe-core is not here (VERIFYRIG_AXE names its axe.min.js)")
    # The page's own policy forbids scripts; the checker is one.
    page = browser.new_page(viewport={"width": width, "height": 900}, bypass_csp=True, color_scheme=scheme)
    try:
        page.goto(pages[name].as_uri())
        # What is folded is read by somebody, too.
        page.evaluate("document.querySelectorAll('details').forEach(fold => { fold.open = true })")
        page.add_script_tag(path=axe)
        tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
        result = page.evaluate("tags => axe.run({runOnly: {type: 'tag', values: tags}})", tags)
        faults = [(fault["id"], fault["nodes"][0]["html"][:200], fault["help"]) for fault in result["violations"]]
        assert faults == []
        assert len(result["passes"]) > 10
    finally:
        page.close()


def test_the_page_reads_the_same_without_its_colours(browser: Any, pages: dict[str, Path]) -> None:
    """In grey the two lines still differ: one is dashed, their marks differ, and each has its word."""
    with kept_page(browser) as page:
        page.goto(pages["dark"].as_uri())
        dashes = page.evaluate(
            "['before', 'after'].map(side => getComputedStyle(document.querySelector("
            "'svg.wide .line-' + side)).strokeDasharray)"
        )
        assert dashes[0] != dashes[1]
        words = page.evaluate("[...document.querySelectorAll('svg.wide')][0].textContent")
        assert "before: went dark here" in words and "after" in words


def pages_of_pdf(pdf: Path) -> list[str]:
    done = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True)
    return done.stdout.split("\f")[:-1]


def printed(browser: Any, page_file: Path) -> Path:
    """Print in the browser that is open already: the same engine as `write_pdf`, without a start for each page."""
    pdf: Path = page_file.with_suffix(".pdf")
    with kept_page(browser) as page:
        page.goto(page_file.as_uri())
        page.pdf(path=pdf, prefer_css_page_size=True, print_background=True)
    return pdf


def paper_of_pdf(pdf: Path) -> tuple[float, float]:
    done = subprocess.run(["pdfinfo", str(pdf)], capture_output=True, text=True, check=True)
    width, height = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", done.stdout).groups()  # type: ignore[union-attr]
    return float(width), float(height)


needs_poppler = pytest.mark.skipif(
    not (shutil.which("pdftotext") and shutil.which("pdfinfo")), reason="pdftotext and pdfinfo are not installed"
)
# ISO 216: A4 is 210 mm x 297 mm; ANSI/ASME Y14.1: Letter is 8.5 in x 11 in. A point is 1/72 inch.
PAPERS = {"A4": (210 / 25.4 * 72, 297 / 25.4 * 72), "Letter": (8.5 * 72, 11 * 72)}


@needs_poppler
@pytest.mark.parametrize(("paper", "language"), [("A4", "en"), ("Letter", "en"), ("A4", "de")])
def test_every_printed_page_bears_number_and_count(browser: Any, tmp_path: Path, paper: str, language: str) -> None:
    page = tmp_path / "report.html"
    report = ri.report(ri.dark_run(), ri.healthy_run(), paper=paper, language=language)
    page.write_text(render(report, "customer", now_utc=NOW_UTC), encoding="utf-8")
    # One as a user prints it, with a browser of its own.
    pdf = write_pdf(page) if paper == "Letter" else printed(browser, page)
    assert paper_of_pdf(pdf) == pytest.approx(PAPERS[paper], abs=1.0)
    texts = pages_of_pdf(pdf)
    assert len(texts) >= 3
    for number, text in enumerate(texts, start=1):
        said = f"page {number} of {len(texts)}" if language == "en" else f"Seite {number} von {len(texts)}"
        assert said in text
        assert "20310314-1" in text.strip().splitlines()[0]
    end = "End of report 20310314-1" if language == "en" else "Ende des Berichts 20310314-1"
    assert end in texts[-1]


def in_dejavu(html: str) -> str:
    """Return the page as a computer prints it that has no serif but DejaVu: the widest of the faces that are named."""
    # The policy knows the style by its digest.
    without_policy = re.sub('<meta http-equiv="Content-Security-Policy"[^>]*>', "", html)
    return re.sub('"Liberation Serif", "Times New Roman", Times, |Georgia, "Liberation Serif", ', "", without_policy)


@needs_poppler
@pytest.mark.parametrize("dejavu", [False, True])
@pytest.mark.parametrize(("paper", "language"), [("A4", "de"), ("Letter", "de"), ("Letter", "nl")])
def test_the_first_page_ends_with_the_signatures(
    browser: Any, tmp_path: Path, paper: str, language: str, dejavu: bool
) -> None:
    """Also the fullest one: simulated, refused while idle, as many changes as are listed, with long names."""
    changes = [
        replace(ri.job().entries[1], entry_id=f"c-{n}", detail={"part": "a part of a long name " * 3}) for n in range(9)
    ]
    before, after = ri.gated_run(), ri.healthy_run(simulated=True)
    report = ri.report(before, after, facts=ri.job(entries=tuple(changes)), paper=paper, language=language)
    html = render(report, "customer", now_utc=NOW_UTC)
    (tmp_path / "customer.html").write_text(in_dejavu(html) if dejavu else html, encoding="utf-8")
    first, second = pages_of_pdf(printed(browser, tmp_path / "customer.html"))[:2]
    faces = subprocess.run(["pdffonts", str(tmp_path / "customer.pdf")], capture_output=True, text=True, check=True)
    if dejavu and "DejaVuSerif" not in faces.stdout:
        pytest.skip("DejaVu Serif is not installed")
    for word in {"de": ("SIMULIERTE HARDWARE", "Erhalten von"), "nl": ("GESIMULEERDE HARDWARE", "Ontvangen door")}[
        language
    ]:
        assert word in first and word not in second


@needs_poppler
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_what_is_folded_is_printed_whole_in_sizes_that_can_be_read(browser: Any, tmp_path: Path, paper: str) -> None:
    """Body text of 9.5 points or more, labels of pictures of 8 or more; digests are no text to be read."""
    report = ri.report(ri.gated_run(), ri.healthy_run(simulated=True), paper=paper)
    (tmp_path / "customer.html").write_text(render(report, "customer", now_utc=NOW_UTC), encoding="utf-8")
    width = round((PAPERS[paper][0] - 2 * 15 / 25.4 * 72) / 72 * 96)
    with kept_page(browser, width, 900, media="print") as page:
        page.goto((tmp_path / "customer.html").as_uri())
        sizes = page.evaluate(TEXT_SIZES)
    assert len(sizes) > 200
    points = [(size * 72 / 96, what, in_picture, in_digest) for size, what, in_picture, in_digest in sizes]
    assert [one for one in points if one[0] < (8.0 if one[2] or one[3] else 9.5) - 0.01] == []
    texts = pages_of_pdf(printed(browser, tmp_path / "customer.html"))
    assert "Received by" in texts[0] and "If the fault comes back: write down when" in texts[0]
    # The fold that was never opened, and the last line of all.
    assert "Whoever has a record can compute its digest again" in " ".join(texts[-1].split()) + " ".join(
        texts[-2].split()
    )
    assert "End of report 20310314-1" in texts[-1]


OVERLAPS = """() => [...document.querySelectorAll('svg')].filter(svg => svg.getClientRects().length).flatMap(svg => {
  const texts = [...svg.querySelectorAll('text')].map(text => [text.textContent, text.getBoundingClientRect()]);
  const meets = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1 &&
    Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 3;
  return texts.flatMap(([said, box], n) =>
    texts.slice(n + 1).filter(([, other]) => meets(box, other)).map(([other]) => said + ' | ' + other));
})"""
BROKEN = """() => {
  const QUANTITY = /\\d[\\d.,]*[\u202f\u00a0 ](?:±[\u202f\u00a0 ][\\d.,]+[\u202f\u00a0 ])?(?:°C|K|W|min|s|h|%)(?!\\w)/g;
  const found = [], walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode;
    // The heads of stacked tables are for readers aloud only, and take no place.
    if (node.parentElement.closest('svg, style') || innerWidth < 621 && node.parentElement.closest('thead')) continue;
    for (const match of node.data.matchAll(QUANTITY)) {
      const range = document.createRange();
      range.setStart(node, match.index); range.setEnd(node, match.index + match[0].length);
      if (range.getClientRects().length > 1 || match[0].includes(' ')) found.push(match[0]);
    }
  }
  return found;
}"""


def test_a_phone_shows_the_first_page_in_three_screens_and_no_words_of_a_picture_meet(
    browser: Any, tmp_path: Path
) -> None:
    """Each early end, in English and German, on a phone and on a screen; quantities stand on one line each."""
    faults = {}
    with kept_page(browser) as page:
        befores = ri.early_befores()
        pairs = {name: (before, ri.healthy_run()) for name, before in befores.items()}
        refused = befores["refused"]
        again = replace(refused.trace, run_id="20310314-154000-bbbb", utc_s=refused.trace.utc_s + 9000.0)
        pairs["both refused"] = (refused, replace(refused, trace=again))
        for name, (before, after) in pairs.items():
            report = ri.report(before, after)
            for language in ("en", "de"):
                file = tmp_path / f"{name}-{language}.html"
                settings = replace(report.settings, language=language)
                text = render(replace(report, settings=settings), "customer", now_utc=NOW_UTC)
                file.write_text(text, encoding="utf-8")
                for width in WIDTHS:
                    page.set_viewport_size({"width": width, "height": PHONE_PX})
                    page.goto(file.as_uri())
                    foot = page.evaluate("document.querySelector('.front').getBoundingClientRect().bottom")
                    folded = page.evaluate("document.querySelectorAll('.behind details:not([open])').length")
                    assert width > 390 or foot <= 3 * PHONE_PX, (name, language, foot)
                    assert folded >= 10
                    page.evaluate("document.querySelectorAll('details').forEach(fold => { fold.open = true })")
                    found = page.evaluate(OVERLAPS) + page.evaluate(BROKEN)
                    if found:
                        faults[name, language, width] = found
    assert faults == {}


@needs_poppler
def test_the_slip_is_one_page(browser: Any, tmp_path: Path) -> None:
    report = ri.report(ri.gated_run(), ri.healthy_run(simulated=True), paper="Letter")
    (tmp_path / "slip.html").write_text(render(report, "slip", now_utc=NOW_UTC), encoding="utf-8")
    assert len(pages_of_pdf(printed(browser, tmp_path / "slip.html"))) == 1


def test_no_figure_is_taller_than_the_paper(browser: Any, pages: dict[str, Path]) -> None:
    # Letter less the margins of 17 mm and 16 mm leaves 246 mm; A4 less 15 mm on both sides leaves 180 mm across.
    with kept_page(browser, round(180 / 25.4 * 96), 900, media="print") as page:
        page.goto(pages["archive"].as_uri())
        boxes = page.evaluate(
            "[...document.querySelectorAll('figure, .three, .signatures')].map(f => {"
            "const b = f.getBoundingClientRect(); return [b.width, b.height, getComputedStyle(f).breakInside]})"
        )
        assert len(boxes) >= 5
        for width, height, rule in boxes:
            assert rule == "avoid"
            assert height <= 246 / 25.4 * 96
            assert width <= 180 / 25.4 * 96 + 1
