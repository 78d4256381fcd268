"""A run as the analysis sees it: stages, sampled columns, qualities, events, facts. No file behind it."""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from verifyrig.core.event_kind import EventKind
from verifyrig.core.old_sentences import kept_reasons, reason_of_sentence
from verifyrig.core.outcome import CauseClass, Outcome, StageEnd
from verifyrig.core.probe_only import is_from_outside
from verifyrig.core.profile import Profile, StageKind
from verifyrig.core.reason import Reason, reason_of_json
from verifyrig.core.recorded import Recorded, recorded

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

# Under which of these an event keeps the English sentence of its reason.
SENTENCE_KEYS = ("why", "text", "note")
# A dip and what is left out after it is no longer than this, whatever a record says: nobody hides a stage by it.
_LONGEST_DIP_S = 30.0
_LONGEST_RUN_S = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class StageSpan:
    """A stage as it was run; `end_s` and `ended` are None while it is open."""

    name: str
    kind: StageKind
    start_s: float
    end_s: float | None = None
    ended: StageEnd | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityInterval:
    """From `from_s` to `to_s`, both ends included, the channel's readings had this quality (never `ok`)."""

    channel: str
    from_s: float
    to_s: float
    quality: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened at `t_s`: load steps (`load` with share), trips, gates, faults, keys."""

    t_s: float
    kind: str
    detail: Mapping[str, Any] = field(default_factory=dict)

    @property
    def why(self) -> Reason | None:
        """Why it happened, None where the record gives no reason of ours."""
        said = next((self.detail[key] for key in SENTENCE_KEYS if key in self.detail), "")
        return reason_of_json(self.detail.get("reason")) or reason_of_sentence(str(said))


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One run.

    Attributes:
        t_s: Sample times since the run began, s, shape (n,), rising.
        utc_s: Wall clock of each sample, s since 1970, shape (n,).
        columns: Values by channel, each shape (n,), NaN where there was no reading.
        qualities: Where readings were not `ok`.
        facts: Table `run` of the record, JSON values: `purpose`, `simulated`, `ambient`
            ({"value_c", "u95_k", "source"}), `states`, `machine`, `channels`, `outcome`, `cause`, `trip`, ...
    """

    run_id: str
    facts: Mapping[str, Any]
    profile: Profile | None
    stages: tuple[StageSpan, ...]
    t_s: FloatArray
    utc_s: FloatArray
    columns: Mapping[str, FloatArray]
    qualities: tuple[QualityInterval, ...] = ()
    events: tuple[Event, ...] = ()
    _recorded: list[Recorded] = field(default_factory=list, init=False, repr=False, compare=False)

    @property
    def recorded(self) -> Recorded:
        """The facts, typed; read once."""
        if not self._recorded:
            self._recorded.append(recorded(self.facts))
        return self._recorded[0]

    @property
    def why_stopped(self) -> tuple[Reason | str, ...]:
        """What stopped the run, and what forbade its load beforehand; texts that are from outside as they are."""
        facts = self.facts
        stopped = kept_reasons(facts.get("stopped_because"), facts.get("stopped_reasons"))
        return (*stopped, *kept_reasons(facts.get("refusals"), facts.get("refusal_reasons")))

    @property
    def why_interrupted(self) -> tuple[Reason | str, ...]:
        """Why the run was interrupted, none where it was not."""
        cause = self.facts.get("cause")
        return kept_reasons(cause.get("why"), self.facts.get("cause_reasons")) if isinstance(cause, Mapping) else ()

    @property
    def lost_power(self) -> bool:
        """Whether the machine under test went dark without a person's doing.

        Once the screen has said to switch it off, darkness is taken for a person's hand. A record that another
        computer kept, of probes on the machine, ends where that computer dies, and says nothing of the machine.
        """
        facts = self.recorded
        if facts.outcome != Outcome.INTERRUPTED or facts.cause_class != CauseClass.POWER_OFF:
            return False
        if any(event.kind == EventKind.SWITCH_OFF_ADVISED for event in self.events):
            return False
        kept_beside = self.profile is not None and is_from_outside(self.profile) and bool(self.facts.get("keeper"))
        return not kept_beside or bool(self.facts.get("went_dark"))

    def digest(self) -> bytes:
        """Return a digest of all that the run says."""
        said = (self.run_id, self.facts, self.profile, self.stages, self.qualities, self.events)
        columns = [(name, values.tobytes()) for name, values in self.columns.items()]
        return hashlib.blake2b(pickle.dumps((said, self.t_s.tobytes(), self.utc_s.tobytes(), columns))).digest()

    def has(self, channel: str) -> bool:
        """Return whether the channel has at least one reading."""
        return channel in self.columns and bool(np.isfinite(self.columns[channel]).any())

    def stage(self, name: str) -> StageSpan | None:
        """Return the stage of that name, or None."""
        return next((stage for stage in self.stages if stage.name == name), None)

    def usable(self, channel: str) -> FloatArray:
        """Return the channel with NaN wherever its reading was not `ok`, shape (n,)."""
        values = np.array(self.columns[channel], dtype=np.float64, copy=True)
        for interval in self.qualities:
            if interval.channel == channel:
                low = np.searchsorted(self.t_s, interval.from_s, side="left")
                high = np.searchsorted(self.t_s, interval.to_s, side="right")
                values[low:high] = np.nan
        return values

    def dips(self) -> list[tuple[float, float]]:
        """Return the dips of the load, each from its start to where figures count again, s."""
        return [span for event in self.events if (span := _dip_span(event)) is not None]

    def without_dips(self) -> Trace:
        """Return the run without the samples of its dips and of the moments after: figures describe the load alone.

        A dip takes the load away for a moment so that a reading that stands still has to answer (event `dip`).
        """
        spans = self.dips()
        if not spans:
            return self
        keep = np.ones(len(self.t_s), dtype=np.bool_)
        for from_s, until_s in spans:
            keep &= (self.t_s <= from_s) | (self.t_s > until_s)
        return replace(
            self,
            t_s=self.t_s[keep],
            utc_s=self.utc_s[keep],
            columns={name: values[keep] for name, values in self.columns.items()},
        )

    def load_on(self) -> BoolArray:
        """Return whether the load was on, shape (n,); a dip after which it comes back is no end of it."""
        share = self.columns.get("load_share")
        on = np.zeros(len(self.t_s), dtype=np.bool_) if share is None else np.asarray(share > 0)  # NaN: no load
        for from_s, until_s in self.dips():
            low, high = np.searchsorted(self.t_s, (from_s, until_s), side="left")
            back = np.flatnonzero(on[low : high + 1])
            if len(back) and low > 0 and on[low - 1]:
                on[low : low + int(back[-1])] = True
        return on

    def within(self, stage: StageSpan) -> slice:
        """Return the samples from the stage's start to its end, both included, as a slice of the columns."""
        end_s = np.inf if stage.end_s is None else stage.end_s
        low = int(np.searchsorted(self.t_s, stage.start_s, side="left"))
        return slice(low, int(np.searchsorted(self.t_s, end_s, side="right")))

    def until(self, t_s: float) -> Trace:
        """Return what was known `t_s` seconds into the run: nothing later, open stages open, outcome `running`."""
        n = int(np.searchsorted(self.t_s, t_s, side="right"))
        if n == len(self.t_s) and (len(self.t_s) == 0 or t_s >= self._last_s()):
            return self
        return replace(
            self,
            facts={**self.facts, "outcome": Outcome.RUNNING, "cause": None, "trip": None},
            stages=tuple(_stage_until(stage, t_s) for stage in self.stages if stage.start_s <= t_s),
            t_s=self.t_s[:n],
            utc_s=self.utc_s[:n],
            columns={name: values[:n] for name, values in self.columns.items()},
            qualities=tuple(replace(q, to_s=min(q.to_s, t_s)) for q in self.qualities if q.from_s <= t_s),
            events=tuple(event for event in self.events if event.t_s <= t_s),
        )

    def _last_s(self) -> float:
        ends = [stage.end_s for stage in self.stages if stage.end_s is not None]
        return max([float(self.t_s[-1]), *ends])


def _dip_span(event: Event) -> tuple[float, float] | None:
    until_s = event.detail.get("left_out_until_s") if event.kind == EventKind.DIP else None
    if isinstance(until_s, bool) or not isinstance(until_s, int | float) or not abs(until_s) < _LONGEST_RUN_S:
        return None
    return event.t_s, min(float(until_s), event.t_s + _LONGEST_DIP_S)


def _stage_until(stage: StageSpan, t_s: float) -> StageSpan:
    if stage.end_s is not None and stage.end_s <= t_s:
        return stage
    return replace(stage, end_s=None, ended=None)
