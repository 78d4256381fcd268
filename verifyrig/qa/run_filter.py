"""Which runs are asked for, beside the profile; every table under `qa` takes it before it reads a row."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from verifyrig.qa.unit_run import UnitRun

__all__ = ["RunFilter"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFilter:
    """Runs of a batch (or model), of a bench, of a time; None asks for all.

    Attributes:
        since, until: Start of the run, `until` exclusive, with a zone.
    """

    batch: str | None = None
    bench: str | None = None
    since: datetime | None = None
    until: datetime | None = None

    def fits(self, run: UnitRun) -> bool:
        """Return whether a run is among those asked for."""
        begun = datetime.fromtimestamp(run.started_utc_s, UTC)
        return (
            (self.batch is None or self.batch in (run.batch, run.model))
            and (self.bench is None or self.bench == run.bench)
            and (self.since is None or begun >= self.since)
            and (self.until is None or begun < self.until)
        )
