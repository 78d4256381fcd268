"""A load that somebody else runs on the machine: nothing is started here, and nothing can be stopped from here."""

from __future__ import annotations

from verifyrig.core.interfaces import Load, LoadDemand, LoadStatus
from verifyrig.core.profile import WorkName
from verifyrig.core.reason import Reason

IDLE = LoadStatus(work_done=0.0, compute_errors=0, workers_wanted=0, workers_alive=0)


class ExternalLoad:
    """Stands for a load that a person runs: it takes every command and does nothing.

    When it is on, the person says by a key (`rig.load_driver`).
    """

    def start(self, demand: LoadDemand) -> None:
        """Start nothing."""

    def set_share(self, share: float) -> None:
        """Nothing is sent: the person reads on the screen what the stage asks for."""

    def beat(self) -> None:
        """Nothing listens."""

    def status(self) -> LoadStatus:
        """Return that nothing is counted: no workers, no work, no checks."""
        return IDLE

    def stop(self) -> float:
        """Nothing ends here; that the load is off, only the person knows."""
        return 0.0

    def close(self) -> None:
        """Nothing to release."""


class LoadByWork:
    """One load for a whole run: real or simulated workers, or the operator's own where a stage says `external`."""

    def __init__(self, workers: Load) -> None:
        """Take the load for all works but `external`."""
        self._workers = workers
        self._external = ExternalLoad()
        self._now: Load = workers

    @property
    def notes(self) -> list[Reason]:
        """What could not be done as asked."""
        return list(getattr(self._now, "notes", ()))

    def start(self, demand: LoadDemand) -> None:
        """Bring up the load that the demand means; raise `LoadError` where that cannot be."""
        self._now.close()
        self._now = self._external if demand.work == WorkName.EXTERNAL else self._workers
        self._now.start(demand)

    def set_share(self, share: float) -> None:
        """Command the duty share."""
        self._now.set_share(share)

    def beat(self) -> None:
        """Send the heartbeat."""
        self._now.beat()

    def status(self) -> LoadStatus:
        """Return counts without waiting."""
        return self._now.status()

    def stop(self) -> float:
        """End the load; return the seconds until it was gone."""
        return self._now.stop()

    def close(self) -> None:
        """Stop if still running and release everything."""
        self._external.close()
        self._workers.close()
