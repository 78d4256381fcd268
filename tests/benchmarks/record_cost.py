"""What one durable sample costs, beside a plain file that is written and synced with the same bytes each time.

Time is from handing the sample over to its acknowledgement; bytes are what reaches the disk (from /proc/self/io
where the system counts them) and what the closed file holds.
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.benchmarks._records import channel_names, sample_table
from verifyrig.core.interfaces import Reading
from verifyrig.record import open_record


def measure(full: bool = True) -> dict[str, Any]:
    """Return µs and bytes a sample with 20 and 100 channels, and the ratio to write and fsync."""
    samples = 1500 if full else 200
    found: dict[str, Any] = {}
    for channels in (20, 100):
        with tempfile.TemporaryDirectory(prefix="verifyrig-cost-", dir=Path.cwd()) as folder:
            found[f"channels_{channels}"] = _compare(Path(folder), channels, samples)
    found["ratio"] = max(found[f"channels_{channels}"]["ratio"] for channels in (20, 100))
    return found


def _compare(folder: Path, channels: int, samples: int) -> dict[str, Any]:
    """Take turns in short stretches, so that another program's disk work falls on both."""
    table = sample_table(samples, channels).tolist()
    names = channel_names(channels)
    writer = open_record(folder / "r.sqlite", facts={"run": "r"}, profile_text=None, channels=names, live=True)
    plain = os.open(folder / "plain.csv", os.O_CREAT | os.O_WRONLY | os.O_APPEND)
    record_us: list[float] = []
    plain_us: list[float] = []
    record_bytes = 0
    for begin in range(0, samples, 50):
        before = _written_bytes()
        for i in range(begin, min(begin + 50, samples)):
            readings = {name: Reading(value=value) for name, value in zip(names, table[i], strict=True)}
            start = time.perf_counter()
            writer.sample(i * 1.0, 1.7e9 + i, readings)
            writer.wait_until_durable(i + 1, 60.0)
            record_us.append((time.perf_counter() - start) * 1e6)
        record_bytes += _written_bytes() - before
        for i in range(begin, min(begin + 50, samples)):
            line = (",".join(map(repr, (float(i), 1.7e9 + i, *table[i]))) + "\n").encode()
            start = time.perf_counter()
            os.write(plain, line)
            os.fsync(plain)
            plain_us.append((time.perf_counter() - start) * 1e6)
    os.close(plain)
    writer.close()
    return {
        "record_us_median": statistics.median(record_us),
        "plain_us_median": statistics.median(plain_us),
        "record_us_mean": statistics.fmean(record_us),
        "plain_us_mean": statistics.fmean(plain_us),
        "record_bytes_to_disk_a_sample": record_bytes / samples if record_bytes else None,
        "file_bytes_a_sample": (folder / "r.sqlite").stat().st_size / samples,
        "plain_file_bytes_a_sample": (folder / "plain.csv").stat().st_size / samples,
        "ratio": statistics.fmean(record_us) / statistics.fmean(plain_us),
    }


def _written_bytes() -> int:
    """Return the bytes that this process has given to files so far; 0 where the system does not count them."""
    try:
        text = Path("/proc/self/io").read_text()
    except OSError:
        return 0
    return int(next(line.split()[1] for line in text.splitlines() if line.startswith("wchar:")))
