"""How fast a sealed record is held against its digests, beside `sha256` over the whole file, which names no row."""

from __future__ import annotations

import hashlib
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.benchmarks._records import sample_table, write_record
from verifyrig.record.check import check_record


def measure(full: bool = True) -> dict[str, Any]:
    """Return samples a second, and the ratio of the time to that of hashing the file."""
    rows = 600_000 if full else 40_000
    with tempfile.TemporaryDirectory(prefix="verifyrig-seal-") as folder:
        path = Path(folder) / "r.sqlite"
        write_record(path, sample_table(rows, 20), 0.1)
        times, used = [], []
        for _ in range(3):
            start, cpu = time.perf_counter(), time.process_time()
            check = check_record(path)
            times.append(time.perf_counter() - start)
            used.append(time.process_time() - cpu)
        cpu = time.process_time()
        with path.open("rb") as file:
            hashlib.file_digest(file, "sha256")
        plain_s = time.process_time() - cpu
    return {
        "rows": rows,
        "whole_and_sealed": check.whole and check.sealed,
        "best_s": min(times),
        "cpu_s": min(used),
        "samples_per_s": rows / min(times),
        "samples_per_s_worst_of_3": rows / max(times),
        "samples_per_cpu_s": rows / min(used),
        "hash_of_file_cpu_s": plain_s,
        "ratio": min(used) / plain_s,
    }
