"""All trials of the stick: `python -m tests.stick.run IMAGE [TRIAL...]`; what they saw is written beside the image."""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.stick.before_after import job
from tests.stick.board import board
from tests.stick.cable import cable
from tests.stick.chips import chips
from tests.stick.day import Day
from tests.stick.guest import lacking
from tests.stick.later import after_panic, cuts, faulty, panic, secure_boot, trip, whole, whole_secure
from tests.stick.live import live_cuts
from tests.stick.trials import Bench

TRIALS: dict[str, Callable[[Bench], None]] = {
    "job": job,
    "day": lambda bench: Day(bench).run(),
    "cuts": cuts,
    "panic": panic,
    "uefi": after_panic,
    "trip": trip,
    "faulty": faulty,
    "secure": secure_boot,
    "whole": whole,
    "whole-secure": whole_secure,
    "board": board,
    "chips": chips,
    "cable": cable,
    "live": live_cuts,
}
"""By name, in the order in which they are made: `uefi` goes on with the stick of `panic` or `cuts`."""


def main() -> int:
    """Make the trials named, else all; return 1 where one saw a failure."""
    parser = argparse.ArgumentParser(prog="python -m tests.stick.run", description=__doc__)
    parser.add_argument("image", type=Path, help="an image of `stick/build`, small or whole")
    parser.add_argument("trials", nargs="*", metavar="TRIAL", help=f"of {', '.join(TRIALS)} (all)")
    parser.add_argument("--work", type=Path, help="folder for sticks, logs and pictures (a temporary one)")
    args = parser.parse_args()
    why = lacking()
    if why:
        print(f"no guest can be started here: {why}")
        return 2
    bench = Bench(image=args.image, work=args.work or Path(tempfile.mkdtemp(prefix="stick-trials-")))
    bench.work.mkdir(parents=True, exist_ok=True)
    for name in args.trials or TRIALS:
        print(f"{name} begins", flush=True)
        try:
            TRIALS[name](bench)
        except Exception as error:  # told with the others: the next trial may stand by itself
            bench.seen.setdefault(name, []).append(f"FAILED: {type(error).__name__}: {str(error)[-600:]}")
            print(bench.seen[name][-1], flush=True)
        (bench.work / "seen.json").write_text(json.dumps(bench.seen, indent=1, ensure_ascii=False))
    for name, lines in bench.seen.items():
        print("\n".join([f"\n{name}", *(f"  {line}" for line in lines)]))
    return int(any("FAILED" in line for lines in bench.seen.values() for line in lines))


if __name__ == "__main__":
    raise SystemExit(main())
