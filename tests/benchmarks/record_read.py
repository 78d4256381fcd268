"""A day at 10 Hz with 20 channels read from a record to numpy, beside the rows taken from SQLite one by one."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks._records import sample_table, write_record

_READ = """
import json, re, sys, time
from pathlib import Path
import numpy
from verifyrig.record import read_trace

def peak_kib():  # since this program was loaded; getrusage would count what the parent held when it forked
    return int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1])

before, start, cpu = peak_kib(), time.perf_counter(), time.process_time()
trace = read_trace(Path(sys.argv[1]))
took, used = time.perf_counter() - start, time.process_time() - cpu
data = trace.t_s.nbytes + trace.utc_s.nbytes + sum(c.nbytes for c in trace.columns.values())
peak = (peak_kib() - before) * 1024
print(json.dumps({"took_s": took, "cpu_s": used, "data_bytes": data, "peak_bytes": peak, "rows": len(trace.t_s)}))
"""


def measure(full: bool = True) -> dict[str, Any]:
    """Return seconds to read, memory over the size of the data, and the ratio to plain fetching."""
    import json

    rows = 864_000 if full else 40_000
    with tempfile.TemporaryDirectory(prefix="verifyrig-read-") as folder:
        path = Path(folder) / "r.sqlite"
        start = time.perf_counter()
        write_record(path, sample_table(rows, 20), 0.1)
        wrote_s = time.perf_counter() - start
        # A process of its own: the memory of this one has held the whole table already.
        repo = Path(__file__).resolve().parents[2]
        done = [
            json.loads(
                subprocess.run(
                    [sys.executable, "-c", _READ, str(path)], capture_output=True, check=True, cwd=repo
                ).stdout
            )
            for _ in range(3)
        ]
        plain_s, plain_cpu_s = _plain(path)
        size = path.stat().st_size
    best = min(done, key=lambda one: one["took_s"])
    return {
        "rows": best["rows"],
        "file_mb": size / 1e6,
        "wrote_s": wrote_s,
        "read_s": best["took_s"],
        "read_cpu_s": best["cpu_s"],
        "read_s_worst_of_3": max(one["took_s"] for one in done),
        "memory_over_data": max(one["peak_bytes"] for one in done) / best["data_bytes"],
        "plain_fetch_s": plain_s,
        "plain_fetch_cpu_s": plain_cpu_s,
        "ratio": best["cpu_s"] / plain_cpu_s,
    }


def _plain(path: Path) -> tuple[float, float]:
    """Return how long `fetchall` and `numpy.array` take, s, and the processor's part of it: the first thing to try."""
    start, cpu = time.perf_counter(), time.process_time()
    connection = sqlite3.connect(path)
    table = np.array(connection.execute("SELECT * FROM sample").fetchall(), dtype=np.float64)
    connection.close()
    assert table.ndim == 2
    return time.perf_counter() - start, time.process_time() - cpu
