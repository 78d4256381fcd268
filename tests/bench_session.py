"""Plays a morning at the bench with three open jobs on a real terminal, and writes down what the screen shows.

`python -m tests.bench_session` plays it anew and writes docs/three-jobs.txt; a test plays it, too, and compares.
Shop, people and machines are invented; the machines are simulated. Ids, times and figures that differ from run to run
are written as a word.
"""

from __future__ import annotations

import os
import re
import sys
import tempfile
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from verifyrig.bench.day import note_shift
from verifyrig.bench.folder import Bench
from verifyrig.jobs.model import Customer, Intake, Machine
from verifyrig.jobs.store import new_job

SCRIPT = Path(__file__).resolve().parent.parent / "docs" / "three-jobs.txt"
COLUMNS = 96
_SETTINGS = """\
[shop]
name = "Demo Bench (invented)"
operator = "N. Bench"

[place]
names = ["left", "right"]

[prices]
country = "DE"
tax_percent = 19
labour_per_hour = 60

[training]
before = "coolant-stopped"
after = "healthy-liquid"
"""
SHORT_PROFILE = """
name = "desktop-liquid"
title = "Desktop with a closed liquid cooler, short"

[trip]
die_temp_c = { max = 95.0, below_machine_limit_k = 3.0, max_rate_k_per_s = 8.0 }

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 20
gate = { channel = "die_temp_c", max = 50.0, max_rise_k = 25.0 }

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 10, count = 1, workers = "quarter" }

[[threshold]]
metric = "pulses.die_temp_c.peak"
max = 85.0
"""
PEOPLE = (
    ("T-101", "Q. Uestion", "Model One", "It goes off a minute after the start."),
    ("T-102", "S. Ample", "Model Two", "Loud, and slow in the afternoon."),
    ("T-103", "N. O. Body", "Model Three", "It has begun to gurgle."),
)
MENU = "q leave\r\n"


def lay_bench(root: Path) -> None:
    """Lay a bench with two places and three machines taken in this morning; nobody need say who is there."""
    now = datetime.now(UTC)
    (root / "bench.toml").write_text(_SETTINGS, encoding="utf-8")
    (root / "profiles").mkdir()
    for name in ("desktop-liquid", "pulses-only"):
        (root / "profiles" / f"{name}.toml").write_text(SHORT_PROFILE.replace("desktop-liquid", name), encoding="utf-8")
    note_shift(root, "N. Bench", now)
    for n, (ticket, who, model, complaint) in enumerate(PEOPLE):
        intake = Intake(
            complaint=complaint,
            customer=Customer(name=who, ticket=ticket),
            machine=Machine(kind="desktop-liquid", maker="Example Works", model=model, serial=f"DEMO-000{n + 1}"),
            consent={"heavy-load": "yes"},
        )
        new_job(
            Bench(root=root), intake, operator="N. Bench", job_id=f"job-{n + 1}", now=now - timedelta(minutes=9 - n)
        )


@dataclass
class Screen:
    """A terminal that somebody works at: what was typed, and what stood there."""

    root: Path
    written: list[str] = field(default_factory=list)
    keys: int = 0
    child: Any = None

    def start(self, *words: str) -> None:
        """Type a command."""
        import pexpect

        env = {key: value for key, value in os.environ.items() if key not in ("COLUMNS", "LINES")}
        env |= {"TERM": "dumb"}
        env.pop("VERIFYRIG_PLACE", None)
        self.written.append("$ " + " ".join(("verifyrig", *words)))
        self.child = pexpect.spawn(
            sys.executable, ["-m", "verifyrig", *words], dimensions=(60, COLUMNS), cwd=str(self.root),
            encoding="utf-8", timeout=120, env=env,
        )  # fmt: skip

    def until(self, text: str) -> None:
        """Wait until a text stands there."""
        self.child.expect_exact(text)
        self.written.append(self.child.before + self.child.after)

    def press(self, keys: str, until: str) -> None:
        """Press keys, and wait."""
        self.keys += len(keys)
        self.written.append(f"[{keys.replace(chr(13), 'Enter').replace(chr(27) + '[B', 'Down')}]")
        self.child.send(keys)
        self.until(until)

    def end(self) -> int:
        """Wait for the end; return the exit code."""
        import pexpect

        self.child.expect(pexpect.EOF)
        self.written.append(self.child.before)
        self.child.close()
        return int(self.child.exitstatus)


def play(root: Path) -> Screen:
    """Work at three open jobs, each named wherever something is done."""
    screen = Screen(root)
    screen.start("job", "list")
    assert screen.end() == 0
    for place, job in (("left", "job-1"), ("right", "job-2")):
        screen.start("job", "place", place, "--job", job)
        assert screen.end() == 0
    screen.start("run", "desktop-liquid", "--mock", "coolant-stopped")
    screen.until("Model Three\r\n")
    screen.press("2", "Model Two.\r\n")
    assert screen.end() in (0, 1, 3, 4)
    screen.start("run", "desktop-liquid", "--mock", "healthy-liquid", "--place", "left")
    assert screen.end() in (0, 1, 3, 4)
    screen.start()
    screen.until("none of them\r\n")
    for keys, until in (
        ("1", MENU), ("3", "touched\r\n"), ("1", "hot)\r\n"), ("1", MENU), ("9", "back (Enter)\r\n"),
        ("8", "none of them\r\n"), ("3", MENU), ("3", "touched\r\n"), ("3", "gurgles\r\n"), ("4", MENU),
        ("q", "leave\r\n"),
    ):  # fmt: skip
        screen.press(keys, until)
    assert screen.end() == 0
    screen.start("job", "note", "waits for a pump", "--job", "job-3")
    assert screen.end() == 0
    screen.start("job", "list", "example", "T-103")
    assert screen.end() == 0
    return screen


def told(screen: Screen) -> str:
    """Return what was written, without what differs from run to run."""
    text = "\n".join(screen.written).replace("\r\n", "\n").replace("\r", "\n")
    text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text)
    for pattern, word in (
        (r"\d{8}-\d{6}-[a-z0-9]{4}", "RUN"),
        (r"\d{4}-\d\d-\d\d", "DAY"),
        (r"\d\d [A-Z][a-z]{2} \d\d:\d\d", "DAY TIME"),
        (re.escape(str(screen.root)), "BENCH"),
    ):
        text = re.sub(pattern, word, text)
    return "\n".join(line.rstrip() for line in text.split("\n")).strip() + "\n"


def of_jobs(text: str) -> list[str]:
    """Return the lines that say what was typed and which job is meant, without what a run says of its figures."""
    return [line for line in text.split("\n") if line.startswith(("$ ", "[", "Which job?")) or "job-" in line]


def main() -> None:
    """Play it, and write what was seen."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder).resolve()
        lay_bench(root)
        SCRIPT.write_text(told(play(root)), encoding="utf-8")
    print(SCRIPT)


if __name__ == "__main__":
    main()
