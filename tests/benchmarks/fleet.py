"""Does the dataset stay linear: export, one batch of 400, the capability table over all; beside objects and pandas.

Records: invented units of one model through the real writer, their figures computed on all cores, taken over by another
bench, exported. Rows: generated from the figures of one run on simulated hardware, units a few per cent apart, twelve
benches each at a level of its own and drifting, one row in fifty written by two sites. Each question is asked by a
process of its own, so that its memory is its own: wall time, processor time of all its threads, and largest memory.
`exponent` is the slope of log processor time over log rows between two sizes.

- `batch`: `qa --batch` of 400 units. `objects`: `qa` of all units, with an object a run, as it was before there were
  columns (the smallest size only).
- `table`: `qa --table`, everything that is said of all units: order, shape, tolerance intervals, claims. Beyond a
  million rows it is asked of one bench, since a million runs take about two gigabytes.
- `duckdb` and `pandas`: runs each once, then count, mean, spread and Ppk of each limited metric, and nothing more.

Needs beside the test extra: pandas>=2 (pip install pandas).
"""

from __future__ import annotations

import json
import math
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks._qa_batch import PROFILE, fill_bench, template
from tests.small_records import write_record
from verifyrig.analysis import ANALYSIS_VERSION
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench
from verifyrig.core.profile import Profile
from verifyrig.core.run_columns import RunFilter
from verifyrig.jobs.take_over import collect
from verifyrig.qa import as_json, find
from verifyrig.qa.capability_table import capability_table
from verifyrig.qa.dataset import Dataset, export_dataset
from verifyrig.qa.dataset.schema import bytes_of, head_columns, starts_us, table_of
from verifyrig.qa.findings import may_be_asked
from verifyrig.qa.index.kept import Kept, json_of
from verifyrig.qa.table_words import table_json

_BATCH = 400
_A_FILE = 50_000
_BENCHES = 12
_MOST_FOR_A_TABLE = 1_000_000
# One year, whatever the number of rows.
_BEGIN_UTC_S, _SPAN_S = 1_767_225_600.0, 365 * 86_400.0


def measure(full: bool = True) -> dict[str, Any]:
    """Return times, s, rates, 1/s, memory, MiB, by number of rows."""
    sizes = (100_000, 1_000_000, 10_000_000) if full else (3_000, 12_000)
    with tempfile.TemporaryDirectory(prefix="verifyrig-fleet-") as text:
        folder = Path(text)
        records = _records(folder / "records", 10_000 if full else 60)
        kept = template(folder)
        export = _export(folder, kept, 10_000 if full else 1_000)
        rows: dict[int, dict[str, Any]] = {}
        for n in sizes:
            rows[n] = rows_of(folder / f"set-{n}", n, kept, smallest=n == sizes[0])
        return {"records": records, **export, **{str(n): own for n, own in rows.items()}, "exponent": exponents(rows)}


def exponents(rows: dict[int, dict[str, Any]]) -> dict[str, float]:
    """Return by question how its processor time grows from the smallest to the largest size that were asked alike."""
    found = {}
    for question in ("batch", "table", "duckdb", "pandas"):
        known = {n: own[question]["cpu_s"] for n, own in rows.items() if question in own}
        low, high = min(known), max(known)
        found[question] = math.log(known[high] / known[low]) / math.log(high / low)
    return found


def rows_of(place: Path, n: int, kept: Kept, *, smallest: bool) -> dict[str, Any]:
    """Generate `n` rows at a place and ask each question."""
    wanted = may_be_asked(_profile())
    _generate(place, n, kept, [name for name, _ in kept.names if wanted(name)])
    questions = ["batch", "duckdb", "pandas", "table" if n <= _MOST_FOR_A_TABLE else "table_of_a_bench"]
    found = {question: _asked(question, place, n) for question in [*questions, *(["objects"] if smallest else [])]}
    if not np.allclose(found["duckdb"].pop("answer"), found["pandas"].pop("answer")):
        raise SystemExit("the tables of DuckDB and pandas differ")
    return found


def _profile() -> Profile:
    return find_profile(PROFILE, Bench(root=Path()))


# ---- questions, each in a process of its own ----------------------------------------------------------------------


def _asked(question: str, place: Path, n: int) -> dict[str, Any]:
    words = [sys.executable, "-m", "tests.benchmarks.fleet", question, str(place), str(n)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{question} of {n}: {done.stderr.strip().splitlines()[-1]}")
    return dict(json.loads(done.stdout))


def _ask_batch(place: str, n: int) -> None:
    runs = Dataset(place).runs(_profile(), RunFilter(batch=f"batch-{n // _BATCH // 2:06d}"))
    if as_json(find(runs, _profile()))["units"] != _BATCH:
        raise SystemExit(f"not {_BATCH} units were found")


def _ask_objects(place: str, n: int) -> None:
    if as_json(find(Dataset(place).runs(_profile(), RunFilter()), _profile()))["units"] != n:
        raise SystemExit(f"not {n} units were found")


def _ask_table(place: str, n: int) -> None:
    if table_json(capability_table(Dataset(place).columns(_profile(), RunFilter()), _profile()))["units"] != n:
        raise SystemExit(f"not {n} units were found")


def _ask_table_of_a_bench(place: str, n: int) -> None:
    table_json(capability_table(Dataset(place).columns(_profile(), RunFilter(bench="b01")), _profile()))


def _limits() -> list[tuple[str, float]]:
    return [(t.metric, t.maximum) for t in _profile().thresholds if t.maximum]


def _ask_duckdb(place: str, n: int) -> list[float]:
    import duckdb

    figures = ", ".join(
        f'count("{m}"), avg("{m}"), stddev_samp("{m}"), ({most!r} - avg("{m}")) / (3 * nullif(stddev_samp("{m}"), 0))'
        for m, most in _limits()
    )
    columns = ", ".join(f'"{metric}"' for metric, _ in _limits())
    query = f"""
        SELECT {figures} FROM (SELECT DISTINCT ON (digest) digest, {columns}
        FROM read_parquet('{place}/**/*.parquet', union_by_name = true))
    """
    (row,) = duckdb.execute(query).fetchall()
    return [math.nan if cell is None else float(cell) for cell in row]


def _ask_pandas(place: str, n: int) -> list[float]:
    import pandas as pd  # type: ignore[import-untyped]

    columns = ["digest", *(metric for metric, _ in _limits())]
    files = sorted(Path(place).rglob("*.parquet"))
    frame = pd.concat([pd.read_parquet(file, columns=columns, partitioning=None) for file in files])
    frame = frame.drop_duplicates("digest")
    found: list[float] = []
    for metric, most in _limits():
        own = frame[metric].dropna()
        sd = float(own.std())
        found += [float(own.size), float(own.mean()), sd, (most - float(own.mean())) / (3 * sd) if sd else math.nan]
    return found


_QUESTIONS: dict[str, Callable[[str, int], Any]] = {
    "batch": _ask_batch,
    "objects": _ask_objects,
    "table": _ask_table,
    "table_of_a_bench": _ask_table_of_a_bench,
    "duckdb": _ask_duckdb,
    "pandas": _ask_pandas,
}


def _main(question: str, place: str, n: int) -> None:
    wall, cpu = time.perf_counter(), time.process_time()
    answer = _QUESTIONS[question](place, n)
    figures = {
        "wall_s": time.perf_counter() - wall,
        "cpu_s": time.process_time() - cpu,
        "mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }
    json.dump(figures if answer is None else {**figures, "answer": answer}, sys.stdout)


# ---- records ------------------------------------------------------------------------------------------------------


def _records(folder: Path, n: int) -> dict[str, float]:
    """Return how many records a second are computed, taken over by another bench and exported, and again."""
    bench, other = Bench(root=folder / "bench"), Bench(root=folder / "shop")
    for root in (bench.root / "runs", other.root):
        root.mkdir(parents=True)
    for number in range(n):
        write_record(bench.root / "runs", number, unit=f"unit-{number:06d}")
    paths, place = bench.records(), str(folder / "set")
    rates: dict[str, float] = {"records": float(n)}
    for name in ("computed_and_exported_per_s", "exported_again_per_s"):
        started = time.perf_counter()
        export_dataset(bench.root, paths, place, site="north", bench="b01")
        rates[name] = n / (time.perf_counter() - started)
    for name in ("taken_over_per_s", "had_per_s"):
        started = time.perf_counter()
        collect(other, bench.root)
        rates[name] = n / (time.perf_counter() - started)
    return rates


def _export(folder: Path, kept: Kept, n: int) -> dict[str, float]:
    """Return how many kept records a second are exported, and by second of processor time."""
    paths = fill_bench(folder / "bench", n, kept)
    started, cpu = time.perf_counter(), time.process_time()
    done = export_dataset(folder / "bench", paths, str(folder / "export"), site="north", bench="b01")
    wall_s, cpu_s = time.perf_counter() - started, time.process_time() - cpu
    return {"export_rows_per_s": done.runs / wall_s, "export_rows_per_cpu_s": done.runs / cpu_s}


def _generate(place: Path, n: int, kept: Kept, names: list[str]) -> None:
    units = dict(kept.names)
    at = [list(units).index(name) for name in names]
    wanted = [(name, units[name]) for name in names]
    rng = np.random.default_rng(n)
    for begin in range(0, n, _A_FILE):
        count = min(_A_FILE, n - begin)
        numbers = np.arange(begin, begin + count)
        listed, digests = numbers.tolist(), rng.bytes(32 * count).hex()
        benches = numbers % _BENCHES
        factor = 1 + 0.03 * rng.standard_normal(count) + 0.01 * (benches - _BENCHES / 2) / _BENCHES + 0.01 * numbers / n
        starts_utc_s = (_BEGIN_UTC_S + _SPAN_S / n * numbers).astype(np.float64)
        started_us = starts_us(starts_utc_s)
        month = str(started_us[:1].astype("datetime64[us]").astype("datetime64[M]")[0])
        columns: dict[str, Any] = {name: own * count for name, own in head_columns([kept.head]).items()}
        columns |= {
            "run": [f"r{number:09d}" for number in listed],
            "unit": [f"unit-{number:08d}" for number in listed],
            "batch": [f"batch-{number // _BATCH:06d}" for number in listed],
            "started": started_us.tolist(),
            "started_utc_s": starts_utc_s.tolist(),
            "bench": [f"b{bench:02d}" for bench in benches.tolist()],
            "digest": [digests[begun : begun + 64] for begun in range(0, 64 * count, 64)],
            "version": [ANALYSIS_VERSION] * count,
            "site": ["north"] * count,
            "remarks": [json_of({})] * count,
        }
        figures = np.broadcast_to(kept.figures[:, at], (count, 2, len(at))).copy()
        figures[:, 0] *= factor[:, None]
        table = table_of(columns, wanted, figures, {})
        for site, some in (("north", table), ("south", table.take(np.arange(0, count, 50)))):
            folder = place / f"site={site}" / f"month={month}"
            folder.mkdir(parents=True, exist_ok=True)
            (folder / f"all-{begin:08d}.parquet").write_bytes(bytes_of(some))


if __name__ == "__main__":
    _main(sys.argv[1], sys.argv[2], int(sys.argv[3]))
