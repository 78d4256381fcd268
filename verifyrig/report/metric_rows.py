"""All figures of the runs, what could not be measured, and what could not be guarded."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from verifyrig.analysis.regulator_probe import probe_advice
from verifyrig.core.channels import base_name, number_of
from verifyrig.core.reason import Reason, reason
from verifyrig.core.reason_texts import TEXTS
from verifyrig.report.headline import share_or_text
from verifyrig.report.inputs import ReportInput, RunInput
from verifyrig.report.names import (
    channel_label,
    metric_label,
    metric_label_of,
    metric_parts,
    stage_label,
)
from verifyrig.report.reasons import reason_text, reasons_text
from verifyrig.report.wording import Words


class MetricRow(NamedTuple):
    """One metric before and after."""

    stage: str
    label: str
    cells: list[str]
    notes: str


def metric_rows(report: ReportInput, words: Words) -> list[MetricRow]:
    """Return all metrics of both runs."""
    runs = [run for run in (report.before_run, report.after_run) if run is not None]
    names = list(dict.fromkeys(name for run in reversed(runs) for name in run.metrics))
    return [
        MetricRow(
            stage_label(metric_parts(name)[0], words),
            metric_label(name, words),
            [share_or_text(name, run.metrics.get(name), words) for run in runs],
            "; ".join(dict.fromkeys(filter(None, (_why(run, name, words) for run in runs)))),
        )
        for name in names
    ]


def _why(run: RunInput, name: str, words: Words) -> str:
    metric = run.metrics.get(name)
    return "" if metric is None else reasons_text(metric.why, words)


class Unmeasured(NamedTuple):
    """Figures of one stage that have no value for one reason."""

    stage: str
    figures: str
    reason: str


def unmeasured_rows(report: ReportInput, words: Words) -> list[Unmeasured]:
    """Return what the run after (else before) could not measure, those of one stage and reason together."""
    run = report.after_run or report.before_run
    found: dict[tuple[str, tuple[Reason, ...]], list[str]] = {}
    for name, metric in (run.metrics if run is not None else {}).items():
        if metric.value is None:
            found.setdefault((metric_parts(name)[0], metric.why), []).append(name)
    return [
        Unmeasured(stage_label(stage, words), grouped_metrics(names, words), reasons_text(why, words))
        for (stage, why), names in found.items()
    ]


def grouped_metrics(names: Sequence[str], words: Words) -> str:
    """Return the metrics by name; numbered ones of a kind in one: "processor core 1–8, time constant"."""
    by_base: dict[str, list[str]] = {}
    for name in names:
        head, _, suffix = metric_parts(name)[1].partition(".")
        by_base.setdefault(f"{base_name(head)}.{suffix}" if suffix else head, []).append(name)
    return "; ".join(_grouped(members, words) for members in by_base.values())


def _grouped(names: Sequence[str], words: Words) -> str:
    label = metric_label(names[0], words)
    if len(names) == 1:
        return label
    numbers = sorted(number_of(metric_parts(name)[1].partition(".")[0]) for name in names)
    channel = channel_label(base_name(metric_parts(names[0])[1].partition(".")[0]), words)
    return metric_label_of(names[0], f"{channel} {numbers[0]}–{numbers[-1]}", words)


def not_armed_words(report: ReportInput, words: Words) -> list[str]:
    """Return the trip limits that this machine could not be guarded by, each with the runs concerned."""
    found: dict[str, list[str]] = {}
    for run in report.runs:
        for channel in run.trace.recorded.not_armed:
            found.setdefault(channel, []).append(run.run_id)
    return [
        words.t(
            "{what}: no reading, so its trip limit guarded nothing ({runs})",
            what=channel_label(name, words),
            runs=", ".join(runs),
        )
        for name, runs in found.items()
    ]


def probe_words(report: ReportInput, words: Words, *, archive: bool) -> list[str]:
    """Return what to do about regulators that nobody watched: suspected ones always, else in the archive's edition."""
    found: dict[Reason, list[str]] = {}
    for run in report.runs:
        advice = probe_advice(run.trace)
        if advice is not None and (archive or advice.code == "regulators-may-be-hot"):
            found.setdefault(advice, []).append(run.run_id)
    said = [(reason_text(advice, words), ", ".join(runs)) for advice, runs in found.items()]
    return [f"{text[:1].upper()}{text[1:]} ({runs})" for text, runs in said]


def not_watched_words(report: ReportInput, words: Words) -> list[str]:
    """Return the parts that a load heated and no sensor showed, each with the runs concerned."""
    found: dict[str, list[str]] = {}
    for run in report.runs:
        for part in run.trace.recorded.not_watched:
            found.setdefault(part, []).append(run.run_id)
    return [
        words.t(
            "{what}: warmed by the load, and no sensor shows it ({runs})",
            what=reason_text(reason(f"part-{part}"), words) if f"part-{part}" in TEXTS else part,
            runs=", ".join(runs),
        )
        for part, runs in found.items()
    ]
