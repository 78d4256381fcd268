"""Does QA stay linear: its time at 1 000, 10 000 and 100 000 kept records, beside reading as many lines of a CSV.

`exponent` is the slope of log time over log records between the two largest: 1 is linear. The alternative is what a
spreadsheet user has: the figures that QA looks at, with their uncertainties, in one exported CSV, read and turned into
numbers with nothing made of them yet; `ratio` is its time over ours at the largest.
"""

from __future__ import annotations

import csv
import math
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests.benchmarks._qa_batch import PROFILE, fill_bench, template
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench
from verifyrig.qa import as_json, find
from verifyrig.qa.findings import may_be_asked
from verifyrig.qa.index import collect_runs
from verifyrig.qa.index.kept import Kept


def measure(full: bool = True) -> dict[str, Any]:
    """Return the times by number of records, s, and how they grow."""
    sizes = (1_000, 10_000, 100_000) if full else (300, 1_000, 3_000)
    with tempfile.TemporaryDirectory(prefix="verifyrig-qa-") as folder:
        kept = template(Path(folder))
        times = {n: _one(Path(folder) / str(n), n, kept) for n in sizes}
        csv_s = _read_csv(Path(folder) / "all.csv", sizes[-1], kept)
    largest, before = sizes[-1], sizes[-2]
    exponent = math.log(times[largest]["qa_s"] / times[before]["qa_s"]) / math.log(largest / before)
    return {
        **{str(n): figures for n, figures in times.items()},
        "exponent": exponent,
        "csv_s": csv_s,
        "ratio": csv_s / times[largest]["qa_s"],
    }


def _one(folder: Path, n: int, kept: Kept) -> dict[str, Any]:
    fill_bench(folder, n, kept)
    bench = Bench(root=folder)
    profile = find_profile(PROFILE, bench)
    started = time.perf_counter()
    paths = bench.records()
    listed = time.perf_counter()
    runs = collect_runs(folder, paths, may_be_asked(profile), profile=profile)
    collected = time.perf_counter()
    answer = as_json(find(runs, profile))
    done = time.perf_counter()
    return {
        "qa_s": done - started,
        "list_s": listed - started,
        "collect_s": collected - listed,
        "statistics_s": done - collected,
        "units": answer["units"],
    }


def _read_csv(path: Path, n: int, kept: Kept) -> float:
    """Write a CSV of the figures that QA looks at, and return how long reading it takes, s."""
    wanted = may_be_asked(find_profile(PROFILE, Bench(root=path.parent)))
    places = [at for at, (name, _) in enumerate(kept.names) if wanted(name)]
    line: Sequence[float] = kept.figures[:, places].ravel().tolist()
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        for number in range(n):
            writer.writerow([number, *line])
    started = time.perf_counter()
    with path.open(newline="", encoding="utf-8") as file:
        rows = sum(1 for row in csv.reader(file) if [float(cell) for cell in row])
    if rows != n:
        raise SystemExit(f"{rows} rows of {n}")
    return time.perf_counter() - started
