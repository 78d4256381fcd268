"""Draws the page of a batch that stayed the same, of one that drifted, and of one from three benches, to be looked at.

`python -m tests.batch_pictures OUT`; the pictures of `docs/` come from it. Everything is invented. Needs Chromium,
playwright and Pillow.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.batches import PROFILE, START_UTC_S, batch, drifting_batch, golden_charts, three_benches
from verifyrig.qa import find
from verifyrig.report.inputs import Settings, Shop
from verifyrig.report.pdf import find_chromium
from verifyrig.report.qa_page import qa_page

_WIDTH, _HEIGHT = 900, 1500


def pages() -> dict[str, str]:
    """Return the three pages as HTML."""
    made = {}
    for name, runs in (("stable", batch(30)), ("drifting", drifting_batch()), ("three-benches", three_benches())):
        golden = golden_charts() if name == "three-benches" else ()
        shop = Shop(name="Invented builder")
        made[name] = qa_page(find(runs, PROFILE), shop, Settings(), START_UTC_S + 90_000, golden=golden)
    return made


def main(out: Path) -> list[Path]:
    """Draw each page, its first part, in few colours; return the files."""
    from PIL import Image
    from playwright.sync_api import sync_playwright

    out.mkdir(parents=True, exist_ok=True)
    made = []
    with sync_playwright() as playwright, tempfile.TemporaryDirectory() as folder:
        # As root the sandbox cannot be set up; the pages are our own.
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=["--no-sandbox"])
        for name, html in pages().items():
            path = Path(folder) / f"{name}.html"
            path.write_text(html, encoding="utf-8")
            page = browser.new_page(viewport={"width": _WIDTH, "height": _HEIGHT})
            page.goto(path.as_uri())
            picture = out / f"batch-{name}.png"
            page.screenshot(path=picture)
            if name == "three-benches":
                start = page.locator("h2", has_text="The benches").bounding_box()
                assert start is not None
                clip: Any = {"x": 0, "y": start["y"] - 10, "width": _WIDTH, "height": 1100}
                page.screenshot(path=out / "batch-golden-units.png", full_page=True, clip=clip)
                made.append(out / "batch-golden-units.png")
            made.append(picture)
            page.close()
        browser.close()
    for picture in made:
        Image.open(picture).convert("RGB").quantize(64, method=Image.Quantize.MAXCOVERAGE).save(picture, optimize=True)
    return made


if __name__ == "__main__":
    for path in main(Path(sys.argv[1])):
        print(path)
