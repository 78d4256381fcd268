"""Does the dataset stay linear: export, one batch of 400, and a capability table over all, beside plain pandas.

Rows are generated from one real run on simulated hardware: units a few per cent apart, twelve benches each at a level
of its own and drifting, one row in fifty written by two sites. `exponent` is the slope of log time over log rows of the
capability table between the two largest. The alternative reads the same columns with pandas and groups them.
"""

from __future__ import annotations

import math
import resource
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks._qa_batch import PROFILE, fill_bench, template
from verifyrig.analysis import ANALYSIS_VERSION
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench
from verifyrig.core.run_columns import RunFilter
from verifyrig.qa import as_json, find
from verifyrig.qa.dataset import Dataset, export_dataset
from verifyrig.qa.dataset.schema import head_columns, starts_us, table_of
from verifyrig.qa.findings import may_be_asked
from verifyrig.qa.index.kept import Kept, json_of

_BATCH = 400
_A_FILE = 50_000
_BENCHES = 12
# One year, whatever the number of rows.
_BEGIN_UTC_S, _SPAN_S = 1_767_225_600.0, 365 * 86_400.0
_METRIC = "load.thermal_resistance"


def measure(full: bool = True) -> dict[str, Any]:
    """Return times by number of rows, s, the rate of an export, rows/s, and the largest memory, MiB."""
    sizes = (10_000, 100_000, 1_000_000) if full else (3_000, 12_000)
    with tempfile.TemporaryDirectory(prefix="verifyrig-fleet-") as folder:
        kept = template(Path(folder))
        export_rows_per_s = _export(Path(folder), kept, 10_000 if full else 1_000)
        times = {n: _one(Path(folder) / f"set-{n}", n, kept) for n in sizes}
    largest, before = sizes[-1], sizes[-2]
    growth = math.log(times[largest]["table_s"] / times[before]["table_s"]) / math.log(largest / before)
    return {
        "export_rows_per_s": export_rows_per_s,
        **{str(n): figures for n, figures in times.items()},
        "exponent": growth,
        "largest_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def _export(folder: Path, kept: Kept, n: int) -> float:
    paths = fill_bench(folder / "bench", n, kept)
    started = time.perf_counter()
    done = export_dataset(folder / "bench", paths, str(folder / "export"), site="north", bench="b01")
    return done.runs / (time.perf_counter() - started)


def _one(place: Path, n: int, kept: Kept) -> dict[str, float]:
    profile = find_profile(PROFILE, Bench(root=place))
    wanted = may_be_asked(profile)
    _generate(place, n, kept, [name for name, _ in kept.names if wanted(name)])
    started = time.perf_counter()
    runs = Dataset(str(place)).runs(profile, RunFilter(batch=f"batch-{n // _BATCH // 2:06d}"))
    answer = as_json(find(runs, profile))
    batch_s = time.perf_counter() - started
    if answer["units"] != _BATCH:
        raise SystemExit(f"{answer['units']} units of {_BATCH} were found")
    started = time.perf_counter()
    ours = _table_by_duckdb(place)
    table_s = time.perf_counter() - started
    started = time.perf_counter()
    theirs = _table_by_pandas(place)
    pandas_s = time.perf_counter() - started
    if not np.allclose(sorted(ours), sorted(theirs)):
        raise SystemExit("the two tables differ")
    return {"batch_of_400_s": batch_s, "table_s": table_s, "pandas_s": pandas_s}


def _generate(place: Path, n: int, kept: Kept, names: list[str]) -> None:
    from pyarrow import parquet

    units = dict(kept.names)
    at = [list(units).index(name) for name in names]
    wanted = [(name, units[name]) for name in names]
    rng = np.random.default_rng(n)
    for begin in range(0, n, _A_FILE):
        count = min(_A_FILE, n - begin)
        numbers = np.arange(begin, begin + count)
        benches = numbers % _BENCHES
        factor = 1 + 0.03 * rng.standard_normal(count) + 0.01 * (benches - _BENCHES / 2) / _BENCHES + 0.01 * numbers / n
        starts_utc_s = (_BEGIN_UTC_S + _SPAN_S / n * numbers).astype(np.float64)
        started_us = starts_us(starts_utc_s)
        month = str(started_us[:1].astype("datetime64[us]").astype("datetime64[M]")[0])
        columns: dict[str, Any] = {name: own * count for name, own in head_columns([kept.head]).items()}
        columns |= {
            "run": [f"r{number:09d}" for number in numbers],
            "unit": [f"unit-{number:08d}" for number in numbers],
            "batch": [f"batch-{number // _BATCH:06d}" for number in numbers],
            "started": started_us.tolist(),
            "started_utc_s": starts_utc_s.tolist(),
            "bench": [f"b{bench:02d}" for bench in benches],
            "digest": [rng.bytes(32).hex() for _ in range(count)],
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
            parquet.write_table(some, folder / f"all-{begin:08d}.parquet", compression="zstd", row_group_size=20_000)


def _table_by_duckdb(place: Path) -> list[float]:
    import duckdb

    query = f"""
        SELECT avg(x) FROM (SELECT DISTINCT ON (digest) batch, "{_METRIC}" AS x
        FROM read_parquet('{place}/**/*.parquet', union_by_name = true)) GROUP BY batch
    """
    return [float(mean) for (mean,) in duckdb.execute(query).fetchall()]


def _table_by_pandas(place: Path) -> list[float]:
    import pandas as pd  # type: ignore[import-untyped]

    files = sorted(place.rglob("*.parquet"))
    columns = ["digest", "batch", _METRIC]
    frame = pd.concat([pd.read_parquet(file, columns=columns, partitioning=None) for file in files])
    return [float(mean) for mean in frame.drop_duplicates("digest").groupby("batch", observed=True)[_METRIC].mean()]
