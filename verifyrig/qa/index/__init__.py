"""The index of a bench: what was computed from its records, kept by record digest and version of the analysis."""

from verifyrig.qa.index.collect import INDEX_NAME, collect_runs
from verifyrig.qa.index.table import BenchTable

__all__ = ["INDEX_NAME", "BenchTable", "collect_runs"]
