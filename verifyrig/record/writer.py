"""Takes what a run produces and hands it to the file, without making the run wait for the disk."""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any, Literal, overload

from verifyrig.core.errors import RecordError
from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.core.outcome import CauseClass
from verifyrig.record import store as _store
from verifyrig.record.outcome_of import host_facts
from verifyrig.record.schema import SCHEMA_VERSION, check_channels
from verifyrig.record.seal import BLOCK_ROWS
from verifyrig.record.store import SYNCHRONOUS_IN_BLOCKS, Change, Connect, Store, connect_alone

_LAG_STEP_S = 0.2
_BLOCK_AT_MOST_S = 0.5  # real time: a simulated run that is watched at its own pace can be killed, too
_JOIN_S = 60.0  # a disk that has not answered for a minute is not waited for at the end of a run


@overload
def open_record(
    path: Path,
    *,
    facts: Mapping[str, Any],
    profile_text: str | None,
    channels: Sequence[str],
    live: Literal[True],
    connect: Connect = connect_alone,
) -> LiveWriter: ...
@overload
def open_record(
    path: Path,
    *,
    facts: Mapping[str, Any],
    profile_text: str | None,
    channels: Sequence[str],
    live: bool,
    connect: Connect = connect_alone,
) -> LiveWriter | BlockWriter: ...
def open_record(
    path: Path,
    *,
    facts: Mapping[str, Any],
    profile_text: str | None,
    channels: Sequence[str],
    live: bool,
    connect: Connect = connect_alone,
) -> LiveWriter | BlockWriter:
    """Make a new record and return what writes it.

    Args:
        path: The file to make; its folder is made too.
        facts: First facts of the run, JSON-able; added are the schema version, the channels, and `keeper`: which
            computer, boot and process writes the record, so that it can be checked later whether it still does.
        profile_text: The profile as read, or None.
        channels: Contract names, in recording order.
        live: True on the real clock: a thread commits each sample, `sample` never waits for the disk. False on a
            virtual clock and for imports: rows are committed in blocks by the caller.
        connect: Makes and opens the file; another one than that alone where its medium may be pulled.

    Raises:
        RecordError: The file exists, cannot be written, or a channel has no name of the contract.
    """
    names = check_channels(channels)
    first = {
        "schema_version": SCHEMA_VERSION,
        **facts,
        "channels": facts.get("channels", list(names)),
        "profile_text": profile_text,
        "live": live,
        "keeper": host_facts(),
    }
    synchronous = _store.SYNCHRONOUS_LIVE if live else SYNCHRONOUS_IN_BLOCKS
    store = Store(path, names, synchronous=synchronous, connect=connect)
    store.commit([partial(store.set_fact, key, value) for key, value in first.items()])
    store.take_log_in()
    return LiveWriter(store, names) if live else BlockWriter(store, names)


class _Writer:
    """What both writers share: turning readings into rows and intervals. `_put` takes the changes."""

    def __init__(self, store: Store, channels: Sequence[str]) -> None:
        self._store = store
        self._channels = tuple(channels)
        self._qualities: dict[str, Quality] = {}
        self._last_s = 0.0
        self._stages: set[str] = set()
        self._done = False

    @property
    def path(self) -> Path:
        """The file."""
        return self._store.path

    @property
    def is_away(self) -> bool:
        """Whether the medium that the record belongs on is away, and it is kept in memory meanwhile."""
        return self._store.is_away

    def sample(self, t_s: float, utc_s: float, readings: Mapping[str, Reading]) -> None:
        """Append one row; values of readings that are not `ok` are kept where they exist, with their quality."""
        changes = self._quality_changes(t_s, readings)
        row = (float(t_s), float(utc_s), *(_value(readings.get(channel)) for channel in self._channels))
        self._put([*changes, partial(self._store.add_sample, row)], samples=1)
        self._last_s = float(t_s)

    def stage_started(self, name: str, kind: str, t_s: float) -> None:
        """Note the start of a stage."""
        self._stages.add(name)
        self._put([partial(self._store.start_stage, name, str(kind), float(t_s))])

    def stage_ended(self, name: str, t_s: float, ended: str) -> None:
        """Note the end of a stage and the rule that ended it."""
        if name not in self._stages:
            raise ValueError(f"stage {name!r} is not open")
        self._stages.remove(name)
        self._put([partial(self._store.end_stage, name, float(t_s), str(ended))])

    def event(self, t_s: float, kind: EventKind, detail: Mapping[str, Any]) -> None:
        """Append an event with a JSON-able detail."""
        self._put([partial(self._store.add_event, float(t_s), kind, dict(detail))])

    def fact(self, key: str, value: Any) -> None:
        """Set a JSON-able fact of the run."""
        self._put([partial(self._store.set_fact, key, value)])

    def _quality_changes(self, t_s: float, readings: Mapping[str, Reading]) -> list[Change]:
        changes: list[Change] = []
        for channel in self._channels:
            reading = readings.get(channel)
            quality = reading.quality if reading is not None else Quality.OK
            before = self._qualities.get(channel, Quality.OK)
            if quality is before:
                continue
            if before is not Quality.OK:
                changes.append(partial(self._store.close_quality, channel, self._last_s))
            if reading is not None and quality is not Quality.OK:
                note = reading.note
                changes.append(partial(self._store.open_quality, channel, float(t_s), quality.value, note))
            self._qualities[channel] = quality
        return changes

    def _went_dark(self, kind: str) -> Change:
        """Return the note that this computer lives on: the one that keeps a record did not die of what it records."""
        return partial(self._store.set_fact, "went_dark", kind)

    def _last_changes(self) -> list[Change]:
        """Return what ends the open intervals, at the last sample."""
        open_ones = [channel for channel, quality in self._qualities.items() if quality is not Quality.OK]
        self._qualities.clear()
        return [partial(self._store.close_quality, channel, self._last_s) for channel in open_ones]

    def _put(self, changes: Sequence[Change], samples: int = 0) -> None:
        raise NotImplementedError


def _value(reading: Reading | None) -> float | None:
    if reading is None or reading.value is None or not math.isfinite(reading.value):
        return None
    return float(reading.value)


class BlockWriter(_Writer):
    """Commits in blocks, in the caller's thread: for virtual clocks and imports."""

    def __init__(self, store: Store, channels: Sequence[str]) -> None:
        super().__init__(store, channels)
        self._waiting: list[Change] = []
        self._samples = 0
        self._committed_s = time.monotonic()

    def lag_s(self) -> float:
        """Return 0: nothing is written behind the caller's back."""
        return 0.0

    @property
    def durable_samples(self) -> int:
        """Number of samples committed."""
        return self._store.sample_rows

    def close(self) -> None:
        """Commit, seal, checkpoint into one file; raise `RecordError` where the disk does not take it."""
        if self._done:
            return
        self._done = True
        self._waiting += self._last_changes()
        self._waiting.append(partial(self._store.set_fact, "largest_lag_s", 0.0))
        with self._store.dropped_on_failure():
            self._commit()
            self._store.seal()

    def abandon(self, went_dark: str = CauseClass.POWER_OFF) -> None:
        """Close unsealed, as after a power cut, with all that was taken so far."""
        if self._done:
            return
        self._done = True
        self._waiting.append(self._went_dark(went_dark))
        self._commit()
        self._store.leave()

    def _put(self, changes: Sequence[Change], samples: int = 0) -> None:
        self._waiting += changes
        self._samples += samples
        if self._samples >= BLOCK_ROWS or time.monotonic() - self._committed_s > _BLOCK_AT_MOST_S:
            self._commit()

    def _commit(self) -> None:
        changes, self._waiting, self._samples = self._waiting, [], 0
        self._store.commit(changes)
        self._committed_s = time.monotonic()


class LiveWriter(_Writer):
    """Commits each sample from a thread of its own, in order, as soon as the disk has taken the one before.

    What piles up while the disk stalls is taken as one transaction, still in order. After the first failed write
    nothing more is written: SQLite's guarantees end where a sync has failed.
    """

    def __init__(self, store: Store, channels: Sequence[str]) -> None:
        super().__init__(store, channels)
        self._changed = threading.Condition()
        self._waiting: deque[tuple[float, Sequence[Change], int]] = deque()
        self._closing = False
        self._failure: RecordError | None = None
        self._durable_samples = 0
        self._largest_lag_s = 0.0
        self._noted_lag_s = 0.0
        self._thread = threading.Thread(target=self._run, name="record committer", daemon=True)
        self._thread.start()

    @property
    def durable_samples(self) -> int:
        """Number of samples that the medium has acknowledged."""
        return self._durable_samples

    def lag_s(self) -> float:
        """Return how far the disk is behind, s; raise `RecordError` where writing failed."""
        with self._changed:
            if self._failure is not None:
                raise self._failure
            return time.monotonic() - self._waiting[0][0] if self._waiting else 0.0

    def wait_until_durable(self, samples: int, timeout_s: float) -> bool:
        """Wait until so many samples are acknowledged; return whether they are."""
        with self._changed:
            self._changed.wait_for(lambda: self._durable_samples >= samples or self._failure is not None, timeout_s)
            return self._durable_samples >= samples

    def close(self) -> None:
        """Commit, seal, checkpoint into one file; raise `RecordError` where the disk does not take it."""
        if self._done:
            return
        self._finish(self._last_changes())
        with self._store.dropped_on_failure():
            self._store.commit([partial(self._store.set_fact, "largest_lag_s", round(self._largest_lag_s, 3))])
            self._store.seal()

    def abandon(self, went_dark: str = CauseClass.POWER_OFF) -> None:
        """Close unsealed, as after a power cut, with all that was taken so far."""
        if self._done:
            return
        self._finish([self._went_dark(went_dark)])
        self._store.leave()

    def _finish(self, changes: Sequence[Change]) -> None:
        self._done = True
        with self._changed:
            self._waiting.append((time.monotonic(), changes, 0))
            self._closing = True
            self._changed.notify_all()
        self._thread.join(_JOIN_S)
        if self._thread.is_alive():
            raise RecordError(
                f"the disk has not answered for {_JOIN_S:.0f} s",
                where=str(self.path),
                mend="Check the disk or stick; what was recorded so far stays whole.",
            )
        if self._failure is not None:
            self._store.drop()
            raise self._failure

    def _put(self, changes: Sequence[Change], samples: int = 0) -> None:
        if self._done:
            raise ValueError("the record is closed")
        with self._changed:
            if self._failure is None:
                self._waiting.append((time.monotonic(), changes, samples))
                self._changed.notify_all()

    def _run(self) -> None:
        while batch := self._next_batch():
            try:
                self._store.commit([*self._lag_note(), *(change for _, changes, _ in batch for change in changes)])
            except RecordError as error:
                self._give_up(error)
                return
            except Exception as error:  # a fault of ours must end the load too, not vanish with the thread
                self._give_up(
                    RecordError(f"writing broke ({error!r})", where=str(self.path), mend="Report this fault.")
                )
                return
            self._acknowledge(batch)

    def _lag_note(self) -> list[Change]:
        """Return what puts the largest lag into the record, where it has grown: a run may end without `close`."""
        if self._largest_lag_s < self._noted_lag_s + _LAG_STEP_S:
            return []
        self._noted_lag_s = self._largest_lag_s
        return [partial(self._store.set_fact, "largest_lag_s", round(self._largest_lag_s, 3))]

    def _next_batch(self) -> list[tuple[float, Sequence[Change], int]]:
        with self._changed:
            self._changed.wait_for(lambda: bool(self._waiting) or self._closing)
            return list(self._waiting)

    def _acknowledge(self, batch: Sequence[tuple[float, Sequence[Change], int]]) -> None:
        with self._changed:
            for _ in batch:
                self._waiting.popleft()
            self._durable_samples += sum(samples for _, _, samples in batch)
            self._largest_lag_s = max(self._largest_lag_s, time.monotonic() - batch[0][0])
            self._changed.notify_all()

    def _give_up(self, error: RecordError) -> None:
        with self._changed:
            self._failure = error
            self._waiting.clear()
            self._changed.notify_all()
