"""Records one run: a simulated machine in one network namespace, probe and page of the bench computer in another.

`python -m tests.link_transcript FILE` (as root): what the programs said, and the page as its words stand there.
The cable between both is pulled under load, and plugged in again.
"""

from __future__ import annotations

import html
import re
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import IO

from tests.bad_cable import BENCH_HOST, MACHINE_HOST
from tests.two_computers import Browser, Computer, two_computers, wait_for
from verifyrig.core.integrity import Integrity
from verifyrig.record.check import integrity_of

PROFILE = """
name = "watched"
title = "An invented short plan: the probe of the bench computer guards it"

[sampling]
period_s = 0.5

[trip]
die_temp_c = { max = 95.0 }
plate_temp_c = { max = 80.0 }
stale_after_s = 2.0

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 5

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 2, count = 20, workers = "quarter" }

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 5
"""
INSTRUMENT = '[[instrument]]\nid = "lent"\nurl = "socket://127.0.0.1:8530"\nchannels = { t1 = "plate_temp_c" }\n'


class Transcript:
    """What was typed and said, with the seconds since the start."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self._began_s = time.monotonic()

    def add(self, who: str, text: str) -> None:
        """Add what somebody said now."""
        for line in text.rstrip("\n").split("\n"):
            self.lines.append(f"{time.monotonic() - self._began_s:6.1f}  {who:<8}{line}".rstrip())

    def follow(self, who: str, stream: IO[str]) -> threading.Thread:
        """Add each line of a stream as it comes."""

        def follow() -> None:
            for line in stream:
                self.add(who, line)

        thread = threading.Thread(target=follow, daemon=True)
        thread.start()
        return thread

    def ran(self, who: str, computer: Computer, *words: str, typed: str = "") -> None:
        """Run a command to its end."""
        self.add(who, f"$ verifyrig {typed or ' '.join(words)}")
        done = computer.run(*words)
        self.add(who, (done.stdout + done.stderr) or f"(exit code {done.returncode})")


def panel_words(body: str) -> str:
    """Return what the panel says, as text."""
    article = re.search(r"<article.*?</article>", body, re.DOTALL)
    text = re.sub(r"<svg.*?</svg>", "", article[0] if article else "", flags=re.DOTALL)
    lines = (re.sub(r"\s+", " ", html.unescape(re.sub("<[^>]+>", " ", line))).strip() for line in text.split("</p>"))
    return "\n".join(line for line in lines if line) or "(no run is linked)"


def record(folder: Path) -> list[str]:
    """Return the transcript."""
    said = Transcript()
    with two_computers(folder) as (machine, served, cable):
        bench = served.computer
        served.kill()
        (bench.bench / "bench.toml").write_text(INSTRUMENT)
        (machine.bench / "bench.toml").write_text("[bench_computer]\nlink_local_only = true\n")
        (machine.bench / "profiles").mkdir()
        (machine.bench / "profiles" / "watched.toml").write_text(PROFILE)
        shows = ("thermometer", "--url", "socket://127.0.0.1:8530", "--constant", "26.0", "--period", "0.2")
        thermometer = bench.start(*shows, program=(sys.executable, "-m", "mock_hw"))
        said.add(
            "",
            f"The machine has {MACHINE_HOST}, the bench computer {BENCH_HOST}; one cable between them, nothing else.",
        )
        said.add("bench", f"$ verifyrig bench serve --listen {BENCH_HOST}")
        served.start()
        said.add("bench", served.said)
        said.ran("machine", machine, "bench", "pair", BENCH_HOST, "--code", served.code, "--name", "left")
        page = Browser(bench, served.page_port)

        def until(word: str) -> None:
            wait_for(lambda: f"<strong>{word}</strong>" in page.ask().body)
            said.add("page", panel_words(page.ask().body))

        words = ("run", "watched", "--mock", "healthy-air", "--speed", "1", "--bench-computer", "auto",
                 "--bench-probe", "plate_temp_c")  # fmt: skip
        said.add("machine", f"$ verifyrig {' '.join(words)}")
        run = machine.start(*words)
        assert run.stderr is not None and run.stdout is not None
        heard = [said.follow("machine", run.stderr), said.follow("machine", run.stdout)]
        until("IDLE")
        until("LOAD ON")
        time.sleep(2)
        said.add("", "The cable is pulled.")
        cable.cut = True
        until("WENT DARK")
        run.wait()
        for thread in heard:
            thread.join()
        said.add("", "The cable is back; the next run of the machine sends what is left.")
        cable.as_new()
        short = ("run", "quick-look", "--mock", "healthy-air", "--bench-computer", "auto", "--speed", "max", "--json")
        said.ran("machine", machine, *short, typed=f"{' '.join(short[:-3])} >/dev/null")
        said.lines = [line for line in said.lines if '{"schema"' not in line]
        record, *_ = machine.records()
        twin = wait_for(lambda: served.twins().get(record.stem))
        wait_for(lambda: integrity_of(twin)[0] is Integrity.SEALED)
        said.ran("machine", machine, "inspect", str(record), typed=f"inspect runs/{record.name}")
        said.ran("bench", bench, "inspect", str(twin), typed=f"inspect {twin.relative_to(bench.bench)}")
        page.close()
        thermometer.kill()
        thermometer.communicate()
    return said.lines


def main() -> None:
    """Write it."""
    with tempfile.TemporaryDirectory() as folder:
        lines = [line.replace(folder, "") for line in record(Path(folder))]
    head = "A recorded run (`python -m tests.link_transcript FILE`): seconds, who, what. Simulated hardware.\n\n"
    Path(sys.argv[1]).write_text(head + "\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
