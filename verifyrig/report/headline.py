"""The three numbers of the first page: those that tell most, before and after, with their uncertainty."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from verifyrig.report.inputs import ReportInput
from verifyrig.report.names import metric_label, metric_parts, stage_label
from verifyrig.report.wording import Words

# In the order of telling power; of each line at most one metric is taken, so that three different things are said.
_WANTED: tuple[tuple[str, ...], ...] = (
    ("thermal_resistance",),
    ("die_temp_c.settled", "core_temp_c.settled", "gpu_temp_c.settled", "plate_temp_c.settled", "die_temp_c.peak"),
    ("work_rate_kept_share", "throttle_share"),
    ("die_temp_c.rise",),
    ("coolant_temp_c.settled", "plate_temp_c.settled"),
    ("package_power_w.mean",),
    ("compute_errors",),
    ("pump_speed_rpm.mean", "cpu_fan_speed_rpm.mean"),
)
COUNT = 3


class Headline(NamedTuple):
    """One of the three numbers; `before` and `after` are ready texts, None where there is no such run."""

    label: str
    stage: str
    before: str | None
    after: str | None
    difference: str | None


def headlines(report: ReportInput, words: Words) -> list[Headline]:
    """Return at most three numbers; those that both runs have come first."""
    runs = [run for run in (report.before_run, report.after_run) if run is not None]
    if not runs:
        return []
    stages = _stages(report)
    known = [run.metrics for run in runs]
    both = _pick(stages, lambda name: all(_has(metrics, name) for metrics in known))
    some = _pick(stages, lambda name: _has(known[-1], name))
    names = list(dict.fromkeys([*_varied(both), *_varied(some)]))
    return [_headline(report, name, words) for name in _varied(names)[:COUNT]]


def _stages(report: ReportInput) -> list[str]:
    """Stage names, the longest load first, then rest: what holds under load says most."""
    run = report.after_run or report.before_run
    if run is None:
        return []
    order = {"load": 0, "idle": 1, "cooldown": 2}
    ran = [stage for stage in run.trace.stages if stage.ended != "skipped"]
    ran.sort(key=lambda s: (order.get(s.kind, 3), -((s.end_s or s.start_s) - s.start_s)))
    return [stage.name for stage in ran if stage.kind != "cooldown"]


def _pick(stages: Sequence[str], wanted: Callable[[str], bool]) -> list[str]:
    return [name for group in _WANTED for stage in stages for metric in group if wanted(name := f"{stage}.{metric}")]


def _varied(names: Sequence[str]) -> list[str]:
    """At most one metric of each group."""
    taken: dict[int, str] = {}
    for name in names:
        group = next(n for n, group in enumerate(_WANTED) if metric_parts(name)[1] in group)
        taken.setdefault(group, name)
    return list(taken.values())


def _has(metrics: Mapping[str, Mapping[str, Any]], name: str) -> bool:
    return isinstance((metrics.get(name) or {}).get("value"), (int, float))


def _headline(report: ReportInput, name: str, words: Words) -> Headline:
    before, after = report.before_run, report.after_run
    return Headline(
        metric_label(name, words),
        stage_label(metric_parts(name)[0], words),
        share_or_text(name, before.metrics.get(name), words) if before is not None else None,
        share_or_text(name, after.metrics.get(name), words) if after is not None else None,
        _difference(report, name, words),
    )


def _difference(report: ReportInput, name: str, words: Words) -> str | None:
    found = ((report.comparison or {}).get("metrics") or {}).get(name)
    run = report.after_run
    if not found or run is None or found.get("difference") is None:
        return None
    unit = str((run.metrics.get(name) or {}).get("unit") or "")
    value, u95 = float(found["difference"]), found.get("u95")
    unit = "K" if unit == "°C" else unit
    if metric_parts(name)[1].endswith("_share"):
        value, unit, u95 = value * 100, "%", None if u95 is None else u95 * 100
    sign = "+" if value > 0 else ""
    said = f"{sign}{words.quantity(value, unit, u95)}"
    if found.get("significant") is False:
        said += " – " + words.t("not more than the uncertainty")
    return said


def metric_text(metric: Mapping[str, Any] | None, words: Words) -> str:
    """Return a metric's value with uncertainty; what was not measured says so."""
    if metric is None:
        return words.t("not measured")
    value, unit, u95 = metric.get("value"), str(metric.get("unit") or ""), metric.get("u95")
    if isinstance(value, (list, tuple)):
        return "; ".join(words.quantity(float(one), unit) for one in value)
    if not isinstance(value, (int, float)):
        return words.t("not measured")
    return words.quantity(float(value), unit, u95)


def share_or_text(name: str, metric: Mapping[str, Any] | None, words: Words) -> str:
    """Return the metric as text; shares as per cent."""
    if metric is not None and name.endswith("_share") and isinstance(metric.get("value"), (int, float)):
        return words.share(float(metric["value"]), metric.get("u95"))
    return metric_text(metric, words)
