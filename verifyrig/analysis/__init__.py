"""Thermal analysis: metrics with their uncertainty, forecasts, judged thresholds, comparable runs. Pure functions."""

from verifyrig.analysis.comparable import compare, may_compare
from verifyrig.analysis.contradictions import Contradiction, contradictions_of
from verifyrig.analysis.forecast import forecast
from verifyrig.analysis.load_start import load_start_forecast
from verifyrig.analysis.metrics import metrics_of
from verifyrig.analysis.results import (
    Comparison,
    Forecast,
    LoadStart,
    Metric,
    MetricDifference,
    StageComparison,
    ThresholdResult,
)
from verifyrig.analysis.stage_forecaster import StageForecaster
from verifyrig.analysis.thresholds import judge_thresholds
from verifyrig.analysis.touch import TOUCH_SAFE_C, touch_safe_in_s

ANALYSIS_VERSION = "15"

__all__ = [
    "ANALYSIS_VERSION",
    "TOUCH_SAFE_C",
    "Comparison",
    "Contradiction",
    "Forecast",
    "LoadStart",
    "Metric",
    "MetricDifference",
    "StageComparison",
    "StageForecaster",
    "ThresholdResult",
    "compare",
    "contradictions_of",
    "forecast",
    "judge_thresholds",
    "load_start_forecast",
    "may_compare",
    "metrics_of",
    "touch_safe_in_s",
]
