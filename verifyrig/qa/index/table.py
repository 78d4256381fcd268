"""The records of a bench folder as a table of runs: kept figures from the index, the others computed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from verifyrig.core.profile import Profile
from verifyrig.core.run_columns import RunColumns, RunFilter
from verifyrig.qa.columns import columns_of
from verifyrig.qa.findings import may_be_asked
from verifyrig.qa.index.collect import collect_runs
from verifyrig.qa.index.compute import Workers
from verifyrig.qa.unit_run import UnitRun

__all__ = ["BenchTable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchTable:
    """Records of a bench folder, as a `RunTable`.

    Attributes:
        paths: The records; `named` if a person named each, so that those of other profiles count too.
        workers: As `collect_runs` takes them.
        progress: Called with how many records are computed, of how many.
    """

    folder: Path
    paths: Sequence[Path]
    named: bool = False
    workers: Workers = None
    progress: Callable[[int, int], None] | None = None

    def runs(self, profile: Profile, asked: RunFilter) -> list[UnitRun]:
        """Return the runs; records that cannot be used are among them, with the reason."""
        return collect_runs(
            self.folder,
            self.paths,
            may_be_asked(profile),
            profile=None if self.named else profile,
            asked=asked,
            workers=self.workers,
            progress=self.progress,
        )

    def columns(self, profile: Profile, asked: RunFilter) -> RunColumns:
        """Return the same runs as columns."""
        runs = self.runs(profile, asked)
        wanted = may_be_asked(profile)
        names = dict.fromkeys(name for run in runs for name in run.metrics if wanted(name))
        return columns_of(runs, names)
