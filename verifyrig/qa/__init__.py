"""QA of builds: units against limits, what they prove of those to come, and which of them stand out. No I/O."""

from verifyrig.qa.as_json import as_json
from verifyrig.qa.charting import ChartSignal
from verifyrig.qa.csv_text import as_csv
from verifyrig.qa.findings import QaFinding, find
from verifyrig.qa.junit import as_junit
from verifyrig.qa.metric_finding import MetricFinding
from verifyrig.qa.shapes import OddShape, find_shapes
from verifyrig.qa.text import lines_of
from verifyrig.qa.units import Attempt, ExcludedRun, UnitFigure, UnitRun, judge_figure, judge_unit, sort_out

__all__ = [
    "Attempt",
    "ChartSignal",
    "ExcludedRun",
    "MetricFinding",
    "OddShape",
    "QaFinding",
    "UnitFigure",
    "UnitRun",
    "as_csv",
    "as_json",
    "as_junit",
    "find",
    "find_shapes",
    "judge_figure",
    "judge_unit",
    "lines_of",
    "sort_out",
]
