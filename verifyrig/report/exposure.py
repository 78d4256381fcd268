"""What each measurement asked of the machine, in one sentence."""

from __future__ import annotations

from verifyrig.analysis.exposure import NEAR_LIMIT_K, WARM_BELOW_LIMIT_K, exposure_of
from verifyrig.report.inputs import ReportInput, RunInput
from verifyrig.report.wording import Words

__all__ = ["exposure_lines"]

_J_PER_WH = 3600.0


def exposure_lines(report: ReportInput, words: Words) -> list[str]:
    """Return a sentence for each run that the page is about; none where its readings say nothing."""
    runs = {run.run_id: run for run in (report.before_run, report.after_run) if run is not None}
    return [line for run in runs.values() if (line := _line(run, words))]


def _line(run: RunInput, words: Words) -> str:
    asked = exposure_of(run.trace)
    parts = []
    if asked.near_limit_s is not None and asked.degree_minutes is not None:
        parts.append(
            words.t(
                "{time} within {near} of its own limit",
                time=words.duration(asked.near_limit_s),
                near=words.difference(NEAR_LIMIT_K, decimals=0),
            )
        )
        parts.append(
            words.t(
                "{warm} degree-minutes above {below} below that limit",
                warm=words.number(words.converted(asked.degree_minutes, None, "K")[0], 0),
                below=words.difference(WARM_BELOW_LIMIT_K, decimals=0),
            )
        )
    if asked.energy_j is not None:
        parts.append(words.t("{energy} of energy put in", energy=f"{words.number(asked.energy_j / _J_PER_WH, 1)} Wh"))
    if not parts:
        return ""
    return words.t("What measurement {run} asked of the machine: {what}.", run=run.run_id, what=words.listed(parts))
