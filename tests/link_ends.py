"""Ends a real load over the link again and again, and takes from outside when its last worker was gone."""

from __future__ import annotations

import contextlib
import json
import random
import re
import select
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psutil

from tests.bad_cable import BENCH_HOST
from tests.link_loads import PLAN
from tests.two_computers import HANG_S, PORT, Browser, two_computers, wait_for
from verifyrig.serve.seen import read_seen

_LOOK_EVERY_S = 0.002


def end_many(folder: Path, ends: int, silences: int, seed: int = 19) -> dict[str, Any]:
    """Return how long ends from the page took and how long after a cut a load that obeys was off, s.

    Both are from the outside: until no worker process of the load is there.
    """
    rng = random.Random(seed)
    with two_computers(folder) as (machine, served, cable):
        paired = machine.run("bench", "pair", BENCH_HOST, "--code", served.code, "--name", "left", "--json")
        assert paired.returncode == 0, paired.stderr
        plan = machine.bench / "ended.toml"
        plan.write_text(PLAN)
        browser = Browser(served.computer, PORT + 1)
        cookie = browser.ask("POST", "/unlock", code=served.new_code()).cookie
        program = (sys.executable, "-m", "tests.link_loads", str(plan), "--bench-computer", BENCH_HOST, "--obey-link")
        runs = machine.start(program=program, stdin=subprocess.PIPE, stderr=subprocess.DEVNULL)
        ended_s, silent_s, answers = [], [], []
        try:
            for n in range(ends + silences):
                workers = _loaded(runs, lambda: browser.ask(cookie=cookie).body)
                time.sleep(rng.uniform(0.0, 0.4))
                began_s = time.monotonic()
                if n < ends:
                    path = wait_for(lambda: re.findall(r"/places/[^\"]+/end", browser.ask(cookie=cookie).body))
                    began_s = time.monotonic()
                    assert browser.ask("POST", path[-1], cookie).status == 204
                    ended_s.append(_gone_after_s(workers, began_s))
                else:
                    cable.cut = True
                    silent_s.append(_gone_after_s(workers, began_s))
                    cable.cut = False
                assert runs.stdout is not None
                answers.append(json.loads(runs.stdout.readline()))
        finally:
            runs.kill()
            runs.communicate()
            browser.close()
        page_s = [
            float(seen.detail["took_s"]) for twin in served.twins().values() for seen in read_seen(twin, "load-ended")
        ]
    causes = {json.dumps([a.get("outcome"), (a.get("cause") or {}).get("class")]) for a in answers}
    return {"ended_s": ended_s, "said_on_page_s": page_s, "silent_s": silent_s, "outcomes": sorted(causes)}


def _loaded(runs: subprocess.Popen[str], page: Callable[[], str]) -> list[psutil.Process]:
    """Start a run; return the workers of its load once it is on, and not only comes up.

    Where another load is on this machine just now, a run refuses, and is started anew.
    """
    assert runs.stdin is not None and runs.stdout is not None
    stdout, on = runs.stdout, False

    def over() -> bool:
        return bool(select.select([stdout], [], [], 0)[0])

    while not on:
        runs.stdin.write("\n")
        runs.stdin.flush()
        wait_for(lambda: "<strong>LOAD ON" in page() or over())
        on = not over()
        if not on:
            stdout.readline()
    workers = [one for one in psutil.Process(runs.pid).children(recursive=True) if _works(one)]
    assert len(workers) == 2
    return workers


def _works(process: psutil.Process) -> bool:
    with contextlib.suppress(psutil.Error):
        return "verifyrig.loads.worker" in " ".join(process.cmdline())
    return False


def _gone_after_s(workers: list[psutil.Process], began_s: float) -> float:
    """Wait until none of them can work any more; return how long that took."""

    def gone(worker: psutil.Process) -> bool:
        with contextlib.suppress(psutil.Error):
            return worker.status() == psutil.STATUS_ZOMBIE
        return True

    wait_for(lambda: all(map(gone, workers)), HANG_S, _LOOK_EVERY_S)
    return time.monotonic() - began_s
