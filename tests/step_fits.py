"""What independent fits accept of real steps as their dominant time constant, kept: they take seconds each.

`python -m tests.step_fits FOLDER` makes the table anew; FOLDER holds the traces of the board.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

from tests.independent_fit import accepted
from tests.real_series import RealStep, real_steps

_TABLE = Path(__file__).parent / "data" / "step_fits.csv"
_HEAD = """\
# Dominant time constants of real steps that fits by scipy alone accept (tests/independent_fit.py): lowest and highest,
# of the step that begins so many seconds into its series. Made by `python -m tests.step_fits`; scipy 1.17.
"""


def kept_steps(traces: Path | None) -> list[RealStep]:
    """Return the steps that the table holds: every fourth of a board kept aside, where its trace is there, and all of
    the cards kept aside."""
    steps = real_steps(traces)
    return [step for step in steps if step.series == "board_solid_top"][::4] + [s for s in steps if s.card and s.aside]


def name_of(step: RealStep) -> tuple[str, str]:
    """Return series and beginning of a step as the table has them."""
    return step.series, f"{step.t_s[step.start]:.1f}"


def limits_s(step: RealStep) -> tuple[float, float]:
    """Return lowest and highest time constant, computed anew, s."""
    found = accepted(*step.own(), step.resolution_k)
    return found.low_s, found.high_s


def kept_limits_s() -> dict[tuple[str, str], tuple[float, float]]:
    """Return lowest and highest time constant by step, s."""
    lines = (line for line in _TABLE.read_text("utf-8").splitlines() if not line.startswith("#"))
    return {
        (row["series"], row["start_s"]): (float(row["low_s"]), float(row["high_s"])) for row in csv.DictReader(lines)
    }


def main() -> None:
    """Write the table."""
    with _TABLE.open("w", encoding="utf-8", newline="") as file:
        file.write(_HEAD)
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(("series", "start_s", "low_s", "high_s"))
        for step in kept_steps(Path(sys.argv[1])):
            rows.writerow((*name_of(step), *(f"{tau_s:.4g}" for tau_s in limits_s(step))))


if __name__ == "__main__":
    main()
