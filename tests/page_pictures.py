"""Draws the first page of seven courses of a job, on a phone, a screen, A4 and Letter, to be looked at.

`python -m tests.page_pictures OUT [STATE...] [--language CODE] [--sheet FILE]`, where the sheet has them all beside one
another, on A4 and on a phone (`docs/first-pages.png`). Everything is invented, on simulated hardware.
Needs Chromium, playwright, Pillow and pdftoppm.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests.page_states import STATES, in_language, report_of
from verifyrig.commands.demo_job import DAY
from verifyrig.report.inputs import ReportInput
from verifyrig.report.pdf import find_chromium
from verifyrig.report.render import render

PHONE, SCREEN = (390, 844), (1280, 900)
ISSUED_UTC_S = DAY.timestamp() + 6 * 3600


def main(words: list[str]) -> list[Path]:
    """Make the states asked for, or all, and their pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("states", nargs="*", default=list(STATES))
    parser.add_argument("--language", default="en")
    parser.add_argument("--sheet", type=Path)
    args = parser.parse_args(words)
    made = []
    for state in args.states:
        with tempfile.TemporaryDirectory(prefix="verifyrig-page-") as folder:
            report = report_of(state, Path(folder) / "bench")
        made += draw({state: report}, args.out, args.language)
    if args.sheet:
        contact_sheet(args.states, args.out, args.sheet)
    return made


def contact_sheet(states: Sequence[str], folder: Path, target: Path) -> None:
    """Put the pictures of all states on A4 above those on a phone, few colours, for a small file."""
    from PIL import Image

    rows = []
    for ending, width in (("a4", 440), (str(PHONE[0]), 220)):
        found = [Image.open(folder / f"{state}-{ending}.png").convert("RGB") for state in states]
        rows.append(
            [one.resize((width, round(one.height * width / one.width)), Image.Resampling.LANCZOS) for one in found]
        )
    pitch = 450
    heights = [max(one.height for one in row) for row in rows]
    sheet = Image.new("RGB", (pitch * len(states), sum(heights) + 12), "#8C8676")
    for row, top in zip(rows, (0, heights[0] + 12), strict=True):
        for n, one in enumerate(row):
            sheet.paste(one, (n * pitch + (pitch - one.width) // 2, top))
    sheet.quantize(96, method=Image.Quantize.MAXCOVERAGE).save(target, optimize=True)


def draw(reports: dict[str, ReportInput], out: Path, language: str = "en") -> list[Path]:
    """Draw the first page of each report in all its forms; return the pictures."""
    from playwright.sync_api import sync_playwright

    out.mkdir(parents=True, exist_ok=True)
    made: list[Path] = []
    with sync_playwright() as playwright:
        # As root the sandbox cannot be set up; the pages are our own.
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=["--no-sandbox"])
        for state, report in reports.items():
            made += _of_state(browser, state, report, out, language)
        browser.close()
    return made


def _of_state(browser: Any, state: str, report: ReportInput, out: Path, language: str) -> list[Path]:
    made = []
    for paper in ("A4", "Letter"):
        page_file = out / f"{state}-{paper.lower()}.html"
        page_file.write_text(
            render(in_language(report, language, paper), "customer", now_utc=ISSUED_UTC_S), encoding="utf-8"
        )
        page = browser.new_page()
        page.goto(page_file.as_uri())
        pdf = page_file.with_suffix(".pdf")
        page.pdf(path=pdf, prefer_css_page_size=True, print_background=True)
        stem = str(pdf.with_suffix(""))
        subprocess.run(["pdftoppm", "-png", "-r", "96", "-singlefile", str(pdf), stem], check=True)
        made.append(pdf.with_suffix(".png"))
        page.close()
    for width, height in (PHONE, SCREEN):
        page = browser.new_page(viewport={"width": width, "height": height})
        page.goto((out / f"{state}-a4.html").as_uri())
        picture = out / f"{state}-{width}.png"
        page.locator(".front").screenshot(path=picture)
        made.append(picture)
        page.close()
    return made


if __name__ == "__main__":
    for path in main(sys.argv[1:]):
        print(path)
