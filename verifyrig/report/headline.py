"""The three numbers of the first page: the most informative ones, before and after, with their uncertainty."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from verifyrig.analysis.results import Metric
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import StageSpan
from verifyrig.report.inputs import ReportInput, RunInput
from verifyrig.report.names import metric_label, metric_parts, stage_label
from verifyrig.report.timeline import main_load
from verifyrig.report.wording import Words

# The most informative first; of each group at most one metric is taken, so that three different things are said.
_GROUPS: tuple[tuple[str, ...], ...] = (
    ("die_temp_c.settled", "core_temp_c.settled", "gpu_temp_c.settled", "die_temp_c.peak", "plate_temp_c.settled"),
    (
        *("thermal_resistance", "thermal_impedance_600s", "thermal_impedance_60s", "thermal_impedance_5s"),
        *("gpu_thermal_resistance", "gpu_thermal_impedance_60s", "gpu_thermal_impedance_5s"),
    ),
    ("work_rate_kept_share", "throttle_share"),
    ("coolant_temp_c.settled", "coolant_temp_c.peak"),
    ("die_temp_c.rise", "gpu_temp_c.rise"),
    ("package_power_w.mean", "gpu_power_w.mean"),
    ("pump_speed_rpm.mean", "cpu_fan_speed_rpm.mean"),
    ("compute_errors",),
)
COUNT = 3
# A figure vaguer than this says nothing on a first page; it still stands behind.
_VAGUE_K, _VAGUE_SHARE = 8.0, 0.3


class HeadlineNumber(NamedTuple):
    """One of the three numbers; `before` and `after` are ready texts, None where there is no such run."""

    label: str
    stage: str
    before: str | None
    after: str | None
    difference: str | None


def headlines(report: ReportInput, words: Words) -> list[HeadlineNumber]:
    """Return at most three numbers: under load where both runs have it, else one of idle and what load there is."""
    runs = [run for run in (report.before_run, report.after_run) if run is not None]
    if not runs:
        return []
    return [_headline(report, name, words) for name in _chosen(runs)[:COUNT]]


def _chosen(runs: Sequence[RunInput]) -> list[str]:
    loads, idles = _stages(runs[-1], StageKind.LOAD), _stages(runs[-1], StageKind.IDLE)
    names = _shared(runs, loads)
    if len(runs) == 1 or not names:
        # A run that was stopped while idle can be compared with the other's idle stage only.
        names = [*_shared(runs, idles)[:1], *_of_last(runs[-1], loads), *names]
    return _one_a_group([*names, *_of_last(runs[-1], loads)]) or _one_a_group(_of_last(runs[-1], idles))


def _stages(run: RunInput, kind: str) -> list[str]:
    """Stages of a kind that were run, the longest first."""
    ran = [stage for stage in run.trace.stages if stage.kind == kind and stage.ended != StageEnd.SKIPPED]
    return [stage.name for stage in sorted(ran, key=_length_s, reverse=True)]


def _length_s(stage: StageSpan) -> float:
    return (stage.end_s if stage.end_s is not None else stage.start_s) - stage.start_s


def _shared(runs: Sequence[RunInput], stages: Sequence[str]) -> list[str]:
    return [name for name in _candidates(stages) if all(_is_sharp(run.metrics.get(name)) for run in runs)]


def _of_last(run: RunInput, stages: Sequence[str]) -> list[str]:
    return [name for name in _candidates(stages) if _is_sharp(run.metrics.get(name))]


def _candidates(stages: Sequence[str]) -> list[str]:
    return [f"{stage}.{metric}" for group in _GROUPS for metric in group for stage in stages]


def _one_a_group(names: Iterable[str]) -> list[str]:
    """The first metric of each group; an idle figure beside one under load is something else again."""
    taken: dict[tuple[int, bool], str] = {}
    ordered = list(names)
    first = metric_parts(ordered[0])[0] if ordered else ""
    for name in ordered:
        stage, metric = metric_parts(name)
        group = next(n for n, group in enumerate(_GROUPS) if metric in group)
        taken.setdefault((group, stage == first), name)
    return list(taken.values())


def _is_sharp(metric: Metric | None) -> bool:
    """Whether the metric has a value, and one known well enough to be shown first; what did not settle is not."""
    if metric is None or metric.number is None or metric.u95 is None or metric.settled is False:
        return False
    return metric.u95 <= (_VAGUE_K if metric.unit in ("°C", "K") else _VAGUE_SHARE * abs(metric.number))


def _headline(report: ReportInput, name: str, words: Words) -> HeadlineNumber:
    before, after = report.before_run, report.after_run
    return HeadlineNumber(
        metric_label(name, words),
        stage_label(metric_parts(name)[0], words),
        None if before is None else _said(before, name, words),
        None if after is None else _said(after, name, words),
        _difference(report, name, words),
    )


def _said(run: RunInput, name: str, words: Words) -> str:
    stage = run.trace.stage(metric_parts(name)[0])
    if (stage is None or stage.ended == StageEnd.SKIPPED) and main_load(run.trace) is None:
        return words.t("no load run")
    return share_or_text(name, run.metrics.get(name), words)


def _difference(report: ReportInput, name: str, words: Words) -> str | None:
    found = report.comparison.metrics.get(name) if report.comparison is not None else None
    metric = report.after_run.metrics.get(name) if report.after_run is not None else None
    if found is None or metric is None or found.difference is None:
        return None
    value, u95 = found.difference, found.u95
    unit = "K" if metric.unit == "°C" else metric.unit
    if metric_parts(name)[1].endswith("_share"):
        value, unit, u95 = value * 100, "%", None if u95 is None else u95 * 100
    sign = "+" if value > 0 else ""
    said = f"{sign}{words.quantity(value, unit, u95)}"
    if found.significant is False:
        said += ", " + words.t("not more than the uncertainty")
    return said


def metric_text(metric: Metric | None, words: Words) -> str:
    """Return a metric's value with uncertainty; what was not measured says so."""
    if metric is None or metric.value is None:
        return words.t("not measured")
    if isinstance(metric.value, tuple):
        return "; ".join(words.quantity(one, metric.unit) for one in metric.value)
    return words.quantity(metric.value, metric.unit, metric.u95)


def share_or_text(name: str, metric: Metric | None, words: Words) -> str:
    """Return the metric as text; shares as per cent."""
    if metric is not None and name.endswith("_share") and metric.number is not None:
        return words.share(metric.number, metric.u95)
    return metric_text(metric, words)
