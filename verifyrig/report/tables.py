"""Rows of the tables of figures behind the first page: the picture in numbers, limits, stages, comparison."""

from __future__ import annotations

from typing import NamedTuple

from verifyrig.analysis.results import Metric, StageComparison, ThresholdResult
from verifyrig.core.outcome import StageEnd
from verifyrig.metrology.verdict import Verdict
from verifyrig.report.headline import share_or_text
from verifyrig.report.inputs import ReportInput, RunInput
from verifyrig.report.names import (
    VerdictCell,
    ended_words,
    kind_word,
    metric_label,
    metric_parts,
    stage_label,
    verdict_cell,
)
from verifyrig.report.reasons import reason_text, reasons_text
from verifyrig.report.timeline import highest, last_s, load_start_s, main_load, value_at
from verifyrig.report.wording import Words


def picture_rows(report: ReportInput, channel: str, words: Words) -> list[tuple[str, list[str]]]:
    """Return the number table of the first picture: moment, then one text a run."""
    runs = [run for run in (report.before_run, report.after_run) if run is not None]
    rows = [(words.t("when the load began"), [_reading(run, channel, 0.0, words) for run in runs])]
    if any(main_load(run.trace) is not None for run in runs):
        rows += [
            (
                words.t("{time} into the load", time=words.duration(after_s)),
                [_loaded(run, channel, after_s, words) for run in runs],
            )
            for after_s in (5.0, 60.0, 600.0)
        ]
    rows.append((words.t("highest"), [_peak(run, channel, words) for run in runs]))
    rows.append((words.t("last reading"), [_last(run, channel, words) for run in runs]))
    return rows


def _reading(run: RunInput, channel: str, after_s: float, words: Words) -> str:
    value = value_at(run.trace, channel, load_start_s(run.trace) + after_s)
    if value is None:
        return words.t("not measured")
    said = words.temperature(value)
    return said if main_load(run.trace) is not None else f"{said} ({words.t('no load was run')})"


def _loaded(run: RunInput, channel: str, after_s: float, words: Words) -> str:
    span = main_load(run.trace)
    if span is None:
        return words.t("no load was run")
    if span.length_s < after_s:
        return words.t("load was over")
    return _reading(run, channel, after_s, words)


def _peak(run: RunInput, channel: str, words: Words) -> str:
    peak = highest(run.trace, channel)
    if peak is None:
        return words.t("not measured")
    return words.temperature(peak[1])


def _last(run: RunInput, channel: str, words: Words) -> str:
    value = value_at(run.trace, channel, last_s(run.trace))
    return words.t("not measured") if value is None else words.temperature(value)


class JudgedFigure(NamedTuple):
    """A figure against its limit: value, verdict, and what the analysis remarks."""

    value: str
    verdict: VerdictCell
    note: str


class ThresholdRow(NamedTuple):
    """One accepted limit and what became of it in both runs."""

    label: str
    stage: str
    accepted: str
    why: str
    before: JudgedFigure | None
    after: JudgedFigure | None


def threshold_rows(report: ReportInput, words: Words) -> list[ThresholdRow]:
    """Return the limits of both runs, in the order of the later run."""
    before, after = report.before_run, report.after_run
    names = list(dict.fromkeys(limit.metric for run in (after, before) if run is not None for limit in run.limits))
    return [_threshold_row(name, before, after, words) for name in names]


def _threshold_row(name: str, before: RunInput | None, after: RunInput | None, words: Words) -> ThresholdRow:
    old, new = (run.limit(name) if run is not None else None for run in (before, after))
    unit = _unit(name, before, after)
    return ThresholdRow(
        metric_label(name, words),
        stage_label(metric_parts(name)[0], words),
        accepted_words(new or old, unit, name, words),
        reason_text(_why_of_limit(name, after or before), words),
        None if before is None else _judged(old, unit, name, words),
        None if after is None else _judged(new, unit, name, words),
    )


def _judged(found: ThresholdResult | None, unit: str, name: str, words: Words) -> JudgedFigure:
    cell = verdict_cell(Verdict.NOT_MEASURED if found is None else found.verdict, words)
    why = () if found is None else found.why
    return JudgedFigure(_value(found, unit, name, words), cell, reasons_text(why, words))


def _why_of_limit(name: str, run: RunInput | None) -> str:
    """The profile's reason for the limit, in its own words."""
    profile = run.trace.profile if run is not None else None
    return next((t.why for t in profile.thresholds if t.metric == name), "") if profile is not None else ""


def _unit(name: str, *runs: RunInput | None) -> str:
    metrics = [run.metrics.get(name) for run in reversed(runs) if run is not None]
    return next((metric.unit for metric in metrics if metric is not None and metric.unit), "")


def accepted_words(limit: ThresholdResult | None, unit: str, name: str, words: Words) -> str:
    """Return "at most 0.45 K/W", "at least 11.4 V", or both."""
    said = []
    if limit is not None and limit.minimum is not None:
        said.append(words.t("at least {value}", value=_figure(limit.minimum, None, unit, name, words)))
    if limit is not None and limit.maximum is not None:
        said.append(words.t("at most {value}", value=_figure(limit.maximum, None, unit, name, words)))
    return words.listed(said)


def _figure(value: float, u95: float | None, unit: str, name: str, words: Words) -> str:
    return share_or_text(name, Metric(value=value, u95=u95, unit=unit), words)


def _value(found: ThresholdResult | None, unit: str, name: str, words: Words) -> str:
    if found is None or found.value is None:
        return words.t("not measured")
    return _figure(found.value, found.u95, unit, name, words)


class StageRow(NamedTuple):
    """One stage of the plan in both runs; texts are ready, "not run" included."""

    name: str
    kind: str
    cells: list[str]


def stage_rows(report: ReportInput, words: Words) -> list[StageRow]:
    """Return the stages of both runs, in the order of the plan."""
    runs = [run for run in (report.before_run, report.after_run) if run is not None]
    planned = [s for run in runs if run.trace.profile for s in run.trace.profile.stages]
    kinds = {s.name: str(s.kind) for s in planned} | {s.name: str(s.kind) for run in runs for s in run.trace.stages}
    return [
        StageRow(stage_label(name, words), kind_word(kind, words), [_stage_text(run, name, words) for run in runs])
        for name, kind in kinds.items()
    ]


def _stage_text(run: RunInput, name: str, words: Words) -> str:
    stage = run.trace.stage(name)
    if stage is None or stage.ended == StageEnd.SKIPPED:
        return words.t("not run")
    end_s = stage.end_s if stage.end_s is not None else last_s(run.trace)
    return f"{words.duration(end_s - stage.start_s)}, {ended_words(stage.ended, words)}"


class CompareRow(NamedTuple):
    """Whether one stage may be compared, and why not."""

    stage: str
    answer: str
    why: list[str]


def compare_rows(report: ReportInput, words: Words) -> list[CompareRow]:
    """Return the answer for every stage; empty where there is nothing to compare."""
    stages = report.comparison.stages if report.comparison is not None else {}
    return [
        CompareRow(
            stage_label(name, words),
            _comparable(found, words),
            [reason_text(why, words) for why in found.why],
        )
        for name, found in stages.items()
    ]


def _comparable(found: StageComparison, words: Words) -> str:
    if found.before:
        return words.t("before: not run, unsafe")
    return words.t("comparable") if found.comparable else words.t("not comparable")
