"""Draws the page of the bench computer with four invented places, for a desk, a phone and a wall, to be looked at.

`python -m tests.bench_pictures OUT [PLACES]`: two run, one asks, one went dark; more than four run as well. The page is
the real one, served by the real doors; what it shows was made up. Needs Chromium, playwright and Pillow.
"""

from __future__ import annotations

import math
import os
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import uvicorn
from PIL import Image

from verifyrig.bench.folder import Bench
from verifyrig.link import keys
from verifyrig.report.pdf import find_chromium
from verifyrig.rig.observer import Attention
from verifyrig.serve.app import Doors
from verifyrig.serve.hub import Hub
from verifyrig.serve.places import Place, PlaceState, plain_view
from verifyrig.serve.series import Series

PORT = 8590
VIEWS = {"page": ((1280, 900), "/"), "phone": ((390, 844), "/"), "wall": ((1920, 1080), "/?wall")}
_LOADED = {
    "profile": "Desktop with an air cooler", "stages": ["idle", "pulses", "load", "cooldown"], "stage": "load",
    "kind": "load", "stage_s": 291.0, "until_end_s": 2259.0, "share": 1.0, "limits_c": {"die_temp_c": 92.0},
    "margin_channel": "die_temp_c",
}  # fmt: skip
_ASKS = {"attention": Attention.QUESTION, "said": "Who is here? Press P within a minute, or the load ends."}


def place(hub: Hub, number: int, name: str, device: str, *, settles_c: float, **view: Any) -> Place:
    """Return an invented place that is linked, seven minutes into its run, three of them idle."""
    forecast = {"channel": "die_temp_c", "value_c": settles_c, "u95_k": 2.0, "known": False, "remaining_s": 77.0}
    shown = {"place": name, "device": device, "job": f"20260301-{number}", "customer": "Q. Uestion",
             "ticket": f"D-{number:04d}", "simulated": True}  # fmt: skip
    made = Place(
        key=str(number), run=f"r{number}", machine="m", machine_name=name, twin=Path("r"), channels=("die_temp_c",),
        series=Series(("die_temp_c",)), shown=plain_view(shown), samples=210, began_utc_s=float(number),
        view=plain_view({**_LOADED, "margin_k": 93.0 - settles_c, "forecast": forecast, **view}),
        heard_s=hub.clocks.steady_s(), heard_utc_s=1_772_360_000.0, send=lambda _text: None,
    )  # fmt: skip
    rises = [29 + (settles_c - 29) * (1 - math.exp(-max(0.0, t_s - 180.0) / 80)) for t_s in range(0, 420, 2)]
    made.series.add([[2.0 * n, 1.77e9, temp_c] for n, temp_c in enumerate(rises)])
    return made


def main(out: Path, places: int) -> None:
    """Draw them."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_CONFIG_HOME"] = folder
        hub = Hub(Bench(root=Path(folder), config={"shop": {"name": "Example Works bench"}}), keys.own_certificate())
        four = [
            place(hub, 1, "left", "Example Tower One", settles_c=62.0),
            place(hub, 2, "middle", "Example Cube", settles_c=57.0),
            place(hub, 3, "right", "Example Laptop 14", settles_c=33.0, share=0.25, **_ASKS),
            place(hub, 4, "window", "Example Tower Two", settles_c=54.0),
        ]
        four[3].state, four[3].send = PlaceState.DARK, None
        four[3].mortem = ("The last sample is of 418.0 s into the run; 1.0 s later it counted as dark.",
                          "Waits for the machine to come back: its own log may say more.")  # fmt: skip
        more = [place(hub, n, f"shelf {n}", "Example Tower", settles_c=40.0 + n) for n in range(5, places + 1)]
        hub.places.by_run = {one.run: one for one in (*four, *more)}
        server = uvicorn.Server(uvicorn.Config(Doors(hub, "").plain(), port=PORT, log_level="warning"))
        serving = threading.Thread(target=server.run)
        serving.start()
        while not server.started:
            time.sleep(0.05)
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=find_chromium(), args=["--no-sandbox"])
            for name, ((width, height), address) in VIEWS.items():
                page = browser.new_context(viewport={"width": width, "height": height}).new_page()
                page.goto(f"http://localhost:{PORT}/")
                if name == "page":
                    page.fill("#code", hub.codes.new())
                    page.keyboard.press("Enter")
                    page.wait_for_selector("button.end")
                page.goto(f"http://localhost:{PORT}{address}")
                page.wait_for_function("document.getElementById('alive').textContent === 'Live.'")
                path = out / f"bench-{name}.png"
                page.screenshot(path=path, full_page=name != "wall")
                Image.open(path).convert("RGB").quantize(32).save(path, optimize=True)
            browser.close()
        server.should_exit = True
        serving.join()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 4)
