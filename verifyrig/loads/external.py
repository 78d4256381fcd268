"""A load that somebody else runs on the machine: nothing is started here; the operator says when it is on and off."""

from __future__ import annotations

from verifyrig.core.interfaces import Load, LoadDemand, LoadStatus
from verifyrig.core.profile import WorkName

IDLE = LoadStatus(work_done=0.0, compute_errors=0, workers_wanted=0, workers_alive=0)


class ExternalLoad:
    """Follows what the operator marks. It cannot be told a share, and cannot be stopped from here.

    Attributes:
        on: Whether the operator has marked the load as on.
        share_asked: The duty that the stage asks for, for the operator to set; 0 once it is to be switched off.
    """

    def __init__(self) -> None:
        self.on = False
        self.share_asked = 0.0

    def start(self, demand: LoadDemand) -> None:
        """Begin with the load off."""
        self.on = False
        self.share_asked = 0.0

    def mark(self, *, on: bool) -> None:
        """Note that the operator has switched the load on or off."""
        self.on = on

    def set_share(self, share: float) -> None:
        """Note what the stage asks for."""
        self.share_asked = min(max(share, 0.0), 1.0)

    def beat(self) -> None:
        """Nothing listens."""

    def status(self) -> LoadStatus:
        """Return that nothing is counted: no workers, no work, no checks."""
        return IDLE

    def stop(self) -> float:
        """Ask for no load any more; that it is off, only the operator knows."""
        self.share_asked = 0.0
        return 0.0

    def close(self) -> None:
        """Nothing to let go of."""


class LoadByWork:
    """One load for a whole run: real or simulated workers, or the operator's own where a stage says `external`."""

    def __init__(self, workers: Load) -> None:
        """Take the load for all works but `external`."""
        self._workers = workers
        self._external = ExternalLoad()
        self._now: Load = workers

    @property
    def notes(self) -> list[str]:
        """What could not be done as asked, one sentence each."""
        return list(getattr(self._now, "notes", ()))

    def start(self, demand: LoadDemand) -> None:
        """Bring up the load that the demand means; raise `LoadError` where that cannot be."""
        self._now.close()
        self._now = self._external if demand.work == WorkName.EXTERNAL else self._workers
        self._now.start(demand)

    def mark(self, *, on: bool) -> None:
        """Note that the operator has switched an external load on or off."""
        self._external.mark(on=on)

    def set_share(self, share: float) -> None:
        """Tell the duty share."""
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
        """Stop if still running and let go of everything."""
        self._external.close()
        self._workers.close()
