"""kill -9 of recording programs at random moments (real clock, 50 Hz), beside a plain text log that is only flushed.

Then kill -9 of a supervisor whose workers come up: how long they outlive it, in each of their states.
The pair: what a script that prints a line a sample leaves behind, killed in the same way.
"""

from __future__ import annotations

import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.benchmarks._bring_up import death_s, each_state
from tests.killing import kill_recorders

_PLAIN = """
import sys, time
f = open(sys.argv[1], "w")
i = 0
while True:
    f.write(f"{i},{40 + (i * 7919 % 1000) / 37.0!r},1200,20.5\\n")
    i += 1
    time.sleep(0.02)
"""


def measure(full: bool = True) -> dict[str, Any]:
    """Return how many of the killed recorders left a whole prefix, and what was lost."""
    kills = 1000 if full else 60
    with tempfile.TemporaryDirectory(prefix="verifyrig-kills-") as folder:
        deaths = kill_recorders(Path(folder), kills, random.Random(7), at_most_s=1.5, at_once=10)
        plain = [_kill_plain(Path(folder) / "plain.csv", random.Random(i)) for i in range(20 if full else 5)]
    whole = [d for d in deaths if not d.fault and d.acknowledged <= d.samples <= d.handed_over]
    lost = [d.handed_over - d.samples for d in deaths]
    return {
        "kills": kills,
        "whole_prefix": len(whole),
        "faults": [d.fault for d in deaths if d.fault][:5],
        "acknowledged_but_lost": sum(max(0, d.acknowledged - d.samples) for d in deaths),
        "with_samples": sum(1 for d in deaths if d.samples),
        "samples_median": statistics.median(d.samples for d in deaths),
        "in_flight_lost_median": statistics.median(lost),
        "in_flight_lost_most": max(lost),
        "plain_log_lost_median": statistics.median(plain),
        "ratio": statistics.median(lost) / max(1.0, statistics.median(plain)),
        "workers_gone_after_kill_of_supervisor": each_state(40 if full else 3, death_s),
    }


def _kill_plain(path: Path, rng: random.Random) -> int:
    """Return how many samples a killed script loses that writes text and leaves flushing to the library."""
    with subprocess.Popen([sys.executable, "-c", _PLAIN, str(path)]) as child:
        while not path.exists():
            time.sleep(0.01)
        lived_s = rng.uniform(0.5, 1.5)
        time.sleep(lived_s)
        os.kill(child.pid, signal.SIGKILL)
    written = path.read_text().count("\n")
    path.unlink()
    return max(0, int(lived_s / 0.0202) - written)
