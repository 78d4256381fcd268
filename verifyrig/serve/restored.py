"""The runs that were not over when the service ended, as places again: from their twins, and what was seen of them."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from pathlib import Path

from verifyrig.core.errors import RigError
from verifyrig.link.clocks import Clocks
from verifyrig.link.keys import Known
from verifyrig.record.restart_note import read_aftermath
from verifyrig.record.schema import opened, sample_channels
from verifyrig.record.seal import RECORD_PART
from verifyrig.serve.places import Place, PlaceState, plain_view
from verifyrig.serve.seen import read_seen
from verifyrig.serve.series import Series

# Whoever lives links again within seconds (`link.sender`); who does not counts as dark.
AWAITED_S = 6.0
_LOOKED_BACK_S = 24 * 3600.0
_KEPT_STATES = (PlaceState.DARK, PlaceState.PROGRAM_GONE)


def restored_places(received: Path, known: Known, clocks: Clocks) -> Iterator[Place]:
    """Yield a place for each run of the last day whose end nobody knows yet, oldest first.

    One that had gone dark is dark still. Of any other the service cannot know, having been away itself: it is not
    linked, and awaited for a while.

    Args:
        received: The folder of the twins, one folder a machine.
    """
    places = (_place_of(twin, known, clocks) for twin in sorted(received.glob("*/runs/*.sqlite"), key=lambda p: p.name))
    yield from (place for place in places if place is not None)


def refill(place: Place) -> None:
    """Take the course so far from the twin."""
    with contextlib.suppress(RigError), opened(place.twin) as connection:
        place.series.add(connection.execute("SELECT * FROM sample ORDER BY rowid"))


def _place_of(twin: Path, known: Known, clocks: Clocks) -> Place | None:
    arrivals, words, shown = (read_seen(twin, what, 1) for what in ("arrival", "word", "shown"))
    heard_utc_s = max((moment.utc_s for moment in (*arrivals, *shown)), default=-math.inf)
    if not words or clocks.wall_s() - heard_utc_s > _LOOKED_BACK_S:
        return None
    try:
        with opened(twin) as connection:
            if connection.execute("SELECT 1 FROM seal WHERE part = ?", (RECORD_PART,)).fetchone() is not None:
                return None
            channels = sample_channels(connection)
            samples = int(connection.execute("SELECT count(*) FROM sample").fetchone()[0])
        if read_aftermath(twin) is not None:
            return None
    except RigError:
        return None
    machine = twin.parent.parent.name
    paired = known.machine(machine)
    said = words[0].detail
    was = next((state for state in _KEPT_STATES if state == said.get("state")), None)
    place = Place(
        key=twin.stem, run=twin.stem, machine=machine, machine_name=paired.name if paired is not None else machine,
        twin=twin, channels=channels, series=Series(channels), samples=samples,
        shown=plain_view(shown[0].detail.get("shown")) if shown else {}, view=plain_view(said.get("view")),
        state=was or PlaceState.UNLINKED,
        heard_utc_s=heard_utc_s, heard_s=clocks.steady_s() - (clocks.wall_s() - heard_utc_s),
        began_utc_s=shown[0].utc_s if shown else heard_utc_s,
    )  # fmt: skip
    refill(place)
    return place
