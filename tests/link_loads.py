"""A program that runs one profile again and again with a real load on this machine, for whoever ends it from elsewhere.

`python -m tests.link_loads PROFILE [WORD...]`: each line on stdin starts one run; stdout says how it ended. It is one
process for all runs, so that a hundred of them cost no hundred starts of an interpreter.
"""

from __future__ import annotations

import sys

from verifyrig.commands.cli import run

# Blind: the machine that runs this may show no temperature. Pulses of a quarter need nobody's answer.
PLAN = """
name = "ended"
title = "A short load that somebody ends from elsewhere"
blind_load_s = 30

[sampling]
period_s = 0.1

[trip]
die_temp_c = { max = 90.0, optional = true }

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 0.2

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 10, count = 5, share = 0.25, workers = 2 }

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 0.2
"""


def main() -> None:
    """Run until stdin ends; each run's answer is one line of JSON."""
    for _ in sys.stdin:
        run(["run", *sys.argv[1:], "--yes", "--json"])
        sys.stdout.flush()


if __name__ == "__main__":
    main()
