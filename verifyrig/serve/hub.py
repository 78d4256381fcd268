"""What all connections of the bench computer share: who is known, runs, codes, probes, and news for the page."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from weakref import WeakValueDictionary

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import RigError
from verifyrig.link.clocks import Clocks
from verifyrig.link.keys import Certificate, Known, known_stamp, read_known
from verifyrig.record.twin import Twin
from verifyrig.serve.codes import Codes
from verifyrig.serve.mortem import made_of_it
from verifyrig.serve.places import Place, Places, PlaceState
from verifyrig.serve.restored import AWAITED_S, restored_places
from verifyrig.serve.seen import Seen
from verifyrig.serve.stand import ProbeStand

_LOOK_EVERY_S = 0.1
_OWN_PAUSE_S = 0.3


class Hub:
    """The bench computer's state; all of it belongs to one event loop."""

    def __init__(self, bench: Bench, certificate: Certificate, clocks: Clocks | None = None) -> None:
        self.bench = bench
        self.certificate = certificate
        self.clocks = clocks or Clocks()
        self.name = str(bench.config.get("shop", {}).get("name", "")) or socket.gethostname()
        self.codes = Codes(self.clocks.steady_s)
        self.places = Places()
        self.stand = ProbeStand(bench.config)
        self.twins: WeakValueDictionary[str, Twin] = WeakValueDictionary()  # by run, while a connection writes it
        self.seen: dict[str, Seen] = {}
        self.linked: dict[str, tuple[str, Callable[[], None]]] = {}  # by session: the machine, and what ends it
        self._news = asyncio.Event()
        self.opening = threading.Lock()  # of a twin: the one before comes to its end first, also of an aborted try
        self._examining: set[asyncio.Task[None]] = set()

    @property
    def known(self) -> Known:
        """Who was paired, as kept now: another command may have forgotten somebody."""
        return read_known()

    def twin_path(self, machine: str, run: str) -> Path:
        """Return where the twin of a machine's run lies: a bench folder of its own for each machine."""
        return self.bench.root / "received" / machine / "runs" / f"{run}.sqlite"

    def announce(self) -> None:
        """Wake everybody who waits for news."""
        self._news.set()
        self._news = asyncio.Event()

    async def news(self, up_to_s: float) -> None:
        """Wait until something changed, or so long."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._news.wait(), up_to_s)

    async def watch(self) -> None:
        """Look after silent runs and forgotten machines, for ever."""
        kept = known_stamp()
        while True:
            asked_s = self.clocks.steady_s()
            if (now := known_stamp()) != kept:
                kept = now
                self.end_forgotten()
            await asyncio.sleep(_LOOK_EVERY_S)
            if self.clocks.steady_s() - asked_s > _OWN_PAUSE_S:
                continue  # this computer was busy itself: what came meanwhile is read first
            dark = self.places.look(self.clocks.steady_s())
            for place in dark:
                self.note(place, "word", state=place.state.value, heard_utc_s=place.heard_utc_s, view=place.view)
            if dark:
                self.announce()
            for place in dark:
                self._examine_soon(place)

    def end_forgotten(self) -> None:
        """End the connections of machines whose key is void now."""
        with contextlib.suppress(RigError):  # it cannot be read just now: who is linked stays
            known = self.known
            for machine, end in list(self.linked.values()):
                if known.machine(machine) is None:
                    end()

    def restore(self) -> None:
        """Show again what was not over when the service ended; what was dark is dark at once."""
        for place in restored_places(self.bench.root / "received", self.known, self.clocks):
            self.places.by_run[place.run] = place
            self.seen[place.run] = Seen(place.twin, self.clocks)
        for place in self.places.by_run.values():
            place.awaited_until_s = self.clocks.steady_s() + AWAITED_S  # from when all are read: nobody is heard before
            if place.state is PlaceState.DARK:
                self._examine_soon(place)

    def _examine_soon(self, place: Place) -> None:
        self._examining.add(task := asyncio.create_task(self.examine(place)))
        task.add_done_callback(self._examining.discard)

    async def examine(self, place: Place) -> None:
        """Read back what the records say of a run's end."""
        seen = self.seen.get(place.run)
        if seen is not None:
            await asyncio.to_thread(seen.flush)
        with contextlib.suppress(RigError, OSError):
            place.mortem = await asyncio.to_thread(made_of_it, place.twin)
        place.touch()
        self.announce()

    def aside(self, work: Callable[[], object]) -> None:
        """Do something with the disk, whatever becomes of the connection that it is for; nobody waits for it."""

        def done() -> None:
            with contextlib.suppress(RigError):  # a twin stands without it
                work()

        asyncio.get_running_loop().run_in_executor(None, done)

    def note(self, place: Place, what: str, **detail: object) -> None:
        """Keep what the bench computer saw of a run."""
        seen = self.seen.get(place.run)
        if seen is not None:
            seen.note(what, **detail)
