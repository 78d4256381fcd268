"""QA over 10 000 records: with metrics kept, and without; beside computing every record one after the other.

`kept_s` is the whole command in its own process, start-up included: every file is looked at for changes, the kept
figures are read, all statistics are made and printed; `kept_cpu_s` is its processor time.
`anew_per_s_per_core` is what computing gives (checked against its digests, metrics of the whole record, 900 samples of
30 channels); the alternative is to do that for all records each time. `speed_up` compares one process with two;
its limit is 2. `same` says whether both gave the same bytes.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.benchmarks._qa_batch import PROFILE, fill_bench, simulated_record, template

REPO = Path(__file__).resolve().parent.parent.parent


def measure(full: bool = True) -> dict[str, Any]:
    """Return times, rates and the ratio; seconds."""
    n, distinct, repeats = (10_000, 8, 12) if full else (1_000, 2, 6)
    with tempfile.TemporaryDirectory(prefix="verifyrig-qa-") as folder:
        kept = _kept(Path(folder), n)
        anew = _anew(Path(folder) / "anew", distinct, repeats)
    alternative_s = n / anew["anew_per_s_per_core"]
    return {"records": n, **kept, **anew, "alternative_s": alternative_s, "ratio": alternative_s / kept["kept_s"]}


def _kept(folder: Path, n: int) -> dict[str, Any]:
    bench = folder / "kept"
    fill_bench(bench, n, template(folder))
    words = [sys.executable, "-m", "verifyrig", "qa", "--profile", PROFILE, "--bench", str(bench), "--json"]
    started, cpu_before_s = time.perf_counter(), _children_cpu_s()
    done = subprocess.run(
        words, capture_output=True, text=True, check=False, cwd=bench, env={**os.environ, "PYTHONPATH": str(REPO)}
    )
    took_s = time.perf_counter() - started
    answer = json.loads(done.stdout)
    cpu_s = _children_cpu_s() - cpu_before_s
    return {
        "kept_s": took_s,
        "kept_cpu_s": cpu_s,
        "units": answer["units"],
        "index_mb": (bench / "index.sqlite").stat().st_size / 1e6,
    }


def _children_cpu_s() -> float:
    """Return the processor time of ended children, s: on a machine that is busy otherwise this is the fair figure."""
    times = os.times()
    return times.children_user + times.children_system


def _anew(folder: Path, distinct: int, repeats: int) -> dict[str, Any]:
    records = [simulated_record(folder, seed, "build") for seed in range(1, distinct + 1)]
    paths = records * repeats
    one_s, alone = _in_own_process(paths, 1)
    two_s, together = _in_own_process(paths, 2)
    return {
        "anew_records": len(paths),
        "anew_per_s_per_core": len(paths) / one_s,
        "one_process_s": one_s,
        "two_processes_s": two_s,
        "speed_up": one_s / two_s,
        "cores": os.cpu_count(),
        "load_average": os.getloadavg()[0],
        "same": alone == together,
    }


_COMPUTE = """
import hashlib, sys, time
if __name__ == "__main__":
    import verifyrig.__main__
    from pathlib import Path
    from verifyrig.qa.index.compute import compute_all
    started = time.perf_counter()
    digest = hashlib.sha256()
    for item in compute_all([Path(name) for name in sys.argv[2:]], workers=int(sys.argv[1])):
        digest.update(item.kept.figures.tobytes() + repr((item.kept.head, item.kept.remarks)).encode())
    print(time.perf_counter() - started, digest.hexdigest())
"""


def _in_own_process(paths: list[Path], workers: int) -> tuple[float, str]:
    """Compute with so many workers as the command does; return the time, s, and a digest of all results."""
    with tempfile.TemporaryDirectory(prefix="verifyrig-qa-") as folder:
        script = Path(folder) / "compute.py"
        script.write_text(_COMPUTE, "utf-8")
        words = [sys.executable, str(script), str(workers), *map(str, paths)]
        done = subprocess.run(
            words, capture_output=True, text=True, check=True, env={**os.environ, "PYTHONPATH": str(REPO)}
        )
    seconds, digest = done.stdout.split()
    return float(seconds), digest
