"""Which runs are asked for, beside the profile; every table under `qa` takes it before it reads a row."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from verifyrig.qa.unit_run import UnitRun

__all__ = ["RunFilter", "in_utf8"]


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


def in_utf8(text: str) -> str:
    """Return a text as tables take it; half a character, which no record holds, becomes a question mark."""
    return text.encode("utf-8", "replace").decode("utf-8")
