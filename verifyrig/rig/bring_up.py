"""Brings a load up in a thread of its own: sampling goes on meanwhile, and it can be ended at any moment."""

from __future__ import annotations

import math
import threading
import time

from verifyrig.core.errors import LoadError
from verifyrig.core.interfaces import Load, LoadDemand

# A load that is asked to end while it comes up says so within milliseconds; sampling does not wait longer for that.
ANSWER_LIMIT_S = 0.2
_POLL_S = 0.005


class BringUp:
    """One load on its way up.

    Attributes:
        ended: Whether it was ended before it was up.
        failure: Why the load did not come up, None where it did.
    """

    def __init__(self, load: Load, demand: LoadDemand, wake: threading.Event) -> None:
        """Take the load and what it shall bring up; `wake` is set once it is up, or will not be."""
        self._load = load
        self._demand = demand
        self._wake = wake
        self._fault: BaseException | None = None
        self._thread = threading.Thread(target=self._start, name="load-start", daemon=True)
        self.ended = False
        self.failure: LoadError | None = None

    def begin(self, wait_s: float) -> None:
        """Start; wait that long for a load that is up at once."""
        self._thread.start()
        self._thread.join(wait_s)

    def over(self) -> bool:
        """Return whether the load is up, or will not be; one that was ended is asked again until then.

        Raises:
            BaseException: What the load raised other than `LoadError`.
        """
        if self._thread.is_alive():
            if self.ended:
                self._load.stop()
            return False
        if self._fault is not None:
            raise self._fault
        return True

    def end(self) -> float:
        """End the load in whatever state it is; return the seconds until nothing of it could work any more.

        A load that has not begun to start when it is asked to end hears it the next time.
        """
        self.ended = True
        began_s = time.perf_counter()
        while True:
            unseen = math.isinf(self._load.stop())
            took_s = time.perf_counter() - began_s
            if not self._thread.is_alive() or took_s > ANSWER_LIMIT_S:
                return math.inf if unseen else took_s
            self._thread.join(_POLL_S)

    def _start(self) -> None:
        try:
            self._load.start(self._demand)
        except LoadError as error:
            self.failure = error
        except BaseException as error:  # raised again by `over`, where the run is
            self._fault = error
        finally:
            self._wake.set()
