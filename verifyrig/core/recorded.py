"""What a record says of its run, typed. A fact that is missing, or of the wrong type, counts as absent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, cast

from verifyrig.core.ambient import TypedAmbient, typed_ambient
from verifyrig.core.contract import CauseObject, TripObject
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.plain_json import number_or_none


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """The facts of one run (table `run` of its record).

    Attributes:
        purpose: A word of the contract, or what a later version wrote.
        started_utc_s: Wall clock of the start, s since 1970.
        utc_known: Whether the sample's wall clock is to be believed; noted only where it is not.
        period_s: Time from sample to sample, s.
        no_load: Whether the load was left out of choice.
        blind: Whether it loaded without any temperature.
        bench, operator: Which bench measured, and who at it.
        rework: Why the unit was measured again, a code of the line's own.
        board: Keyed digest of the machine's serial, of a unit of a build line alone.
        channels: What is known of each channel's sensor, by channel.
        machine: What the machine said of itself, by name.
    """

    outcome: Outcome | None = None
    cause: CauseObject | None = None
    trip: TripObject | None = None
    purpose: str | None = None
    job: str | None = None
    unit: str | None = None
    batch: str | None = None
    bench: str | None = None
    operator: str | None = None
    rework: str | None = None
    board: str | None = None
    profile_name: str | None = None
    recipe: str | None = None
    analysis_version: str | None = None
    simulated: bool = False
    no_load: bool = False
    blind: bool = False
    utc_known: bool = True
    started_utc_s: float | None = None
    period_s: float | None = None
    ambient: TypedAmbient | None = None
    states: Mapping[str, str] = field(default_factory=dict)
    machine: Mapping[str, Any] = field(default_factory=dict)
    channels: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    not_armed: tuple[str, ...] = ()
    not_watched: tuple[str, ...] = ()
    stopped_because: tuple[str, ...] = ()
    attestation: Mapping[str, Any] | None = None

    @property
    def cause_class(self) -> CauseClass | None:
        """What interrupted the run, None where nothing did; a word of a later version is `unknown`."""
        word = text_or_none(self.cause.get("class")) if self.cause is not None else None
        if word is None:
            return None
        return CauseClass(word) if word in set(CauseClass) else CauseClass.UNKNOWN

    @property
    def cores(self) -> int | None:
        """How many cores the machine has."""
        cores = number_or_none(self.machine.get("cores"))
        return int(cores) if cores else None

    @property
    def firmware_power_limit_w(self) -> float | None:
        """The limit that the firmware sets for long work, W."""
        return number_or_none(_table(self.machine.get("power_limits_w")).get("long_term"))

    def limit_of(self, channel: str) -> float | None:
        """Return the machine's own limit of a channel, in its unit."""
        return number_or_none(self.channels.get(channel, {}).get("limit"))


def recorded(facts: Mapping[str, Any]) -> Recorded:
    """Return the facts of a run, typed; never raises, whatever they hold."""
    cause, trip, attestation = (facts.get(key) for key in ("cause", "trip", "attestation"))
    whose = ("job", "unit", "batch", "bench", "operator", "rework", "board")
    texts = ("purpose", *whose, "profile_name", "recipe", "analysis_version")
    flags = ("simulated", "no_load", "blind")
    outcome = text_or_none(facts.get("outcome"))
    return Recorded(
        outcome=Outcome(outcome) if outcome in set(Outcome) else None,
        cause=cast(CauseObject, cause) if isinstance(cause, Mapping) else None,
        trip=cast(TripObject, trip) if isinstance(trip, Mapping) else None,
        utc_known=facts.get("utc_known") is not False,
        started_utc_s=number_or_none(facts.get("started_utc_s")),
        period_s=number_or_none(facts.get("period_s")),
        ambient=typed_ambient(facts),
        states={str(key): str(value) for key, value in _table(facts.get("states")).items() if value is not None},
        machine=_table(facts.get("machine")),
        channels=_channels(facts.get("channels")),
        not_armed=_texts(facts.get("not_armed")),
        not_watched=_texts(facts.get("not_watched")),
        stopped_because=_texts(facts.get("stopped_because")),
        attestation=attestation if isinstance(attestation, Mapping) else None,
        **{key: text_or_none(facts.get(key)) for key in texts},  # type: ignore[arg-type]
        **{key: bool(facts.get(key)) for key in flags},  # type: ignore[arg-type]
    )


def text_or_none(value: Any) -> str | None:
    """Return a text, None for anything else."""
    return value if isinstance(value, str) else None


def _channels(raw: Any) -> Mapping[str, Mapping[str, Any]]:
    """Return what is recorded by channel; early records have a list, which may hold no more than the names."""
    if isinstance(raw, list | tuple):
        tables = [entry for entry in raw if isinstance(entry, Mapping)]
        return {str(entry["channel"]): entry for entry in reversed(tables) if "channel" in entry}
    return {str(name): info for name, info in _table(raw).items() if isinstance(info, Mapping)}


def _table(raw: Any) -> Mapping[str, Any]:
    return raw if isinstance(raw, Mapping) else {}


def _texts(raw: Any) -> tuple[str, ...]:
    return tuple(each for each in raw if isinstance(each, str)) if isinstance(raw, list | tuple) else ()
