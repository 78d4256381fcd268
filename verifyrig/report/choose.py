"""Which runs count since the last change, and which channel shows what happened."""

from __future__ import annotations

from verifyrig.core.profile import Purpose
from verifyrig.report.inputs import JobFacts, ReportInput, RunInput

# The first that a run holds is drawn; the others follow in the strips and tables.
_MAIN_TEMPERATURES = ("die_temp_c", "core_temp_c", "gpu_temp_c", "plate_temp_c", "coolant_temp_c", "board_temp_c")


def last_change_utc_s(job: JobFacts | None) -> float | None:
    """Return when the machine was changed last, s since 1970; None where it never was."""
    times = [entry.utc_s for entry in job.of_kind("change") if entry.utc_s is not None] if job else []
    return max(times, default=None)


def runs_since_last_change(report: ReportInput) -> list[RunInput]:
    """Return the verifications that began after the last change; those of a job without changes are all runs."""
    since = last_change_utc_s(report.job)
    if since is None:
        return list(report.runs)
    later = [run for run in report.runs if (run.started_utc_s or 0.0) >= since]
    return [run for run in later if _purpose(run) == Purpose.VERIFICATION] or later


def main_channel(*runs: RunInput | None) -> str | None:
    """Return the temperature that most of the runs hold, the die's before all others; None without any."""
    present = [run.trace for run in runs if run is not None]
    counts = {name: sum(trace.has(name) for trace in present) for name in _MAIN_TEMPERATURES}
    best = max(counts.values(), default=0)
    return next((name for name in _MAIN_TEMPERATURES if counts[name] == best), None) if best else None


def _purpose(run: RunInput) -> str:
    return run.trace.recorded.purpose or Purpose.CHECK
