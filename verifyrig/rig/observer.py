"""What a run shows of itself while it lasts; the faces implement it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol

from verifyrig.analysis import Forecast
from verifyrig.core.interfaces import ChannelInfo, Reading
from verifyrig.core.profile import Profile, Stage
from verifyrig.rig.run_buffer import RunBuffer


class Attention(StrEnum):
    """What somebody who does not look at the screen must hear of."""

    TRIP = "trip"
    GATE = "gate"
    STOP = "stop"
    QUESTION = "question"
    END = "end"


@dataclass(frozen=True, slots=True, kw_only=True)
class TickView:
    """One sample as a face sees it.

    Attributes:
        t_s: Since the run began, s; `stage_s` since the stage began.
        forecast: Of the channel that comes nearest to its limit, `forecast_channel`; None while there is none.
        margin_k: Kelvin left to the nearest armed temperature limit, that of `margin_channel`, or None.
        limits_c: Limits that apply on this machine by channel, °C.
        remaining_s: Longest time that the stage may still last, s, or None.
        until_end_s: Longest time until the run ends, s, or None.
        until_question_s: Time until a person is asked the next thing, s; None where nothing will be asked.
        buffer: The run's samples, this one included.
        order: What a person must do now, said until it is done; empty where there is nothing.
        keys: Keys that have an effect now, each with it.
    """

    t_s: float
    stage_s: float
    stage: Stage
    share: float
    readings: Mapping[str, Reading]
    forecast: Forecast | None
    margin_k: float | None
    limits_c: Mapping[str, float]
    remaining_s: float | None
    until_end_s: float | None = None
    until_question_s: float | None = None
    buffer: RunBuffer = field(default_factory=RunBuffer)
    forecast_channel: str = ""
    margin_channel: str = ""
    order: str = ""
    keys: tuple[tuple[str, str], ...] = ()


class Observer(Protocol):
    """A face of a running measurement; it must return at once."""

    def begin(self, profile: Profile, infos: Mapping[str, ChannelInfo], notes: list[str]) -> None:
        """Show what is about to be run, and what cannot be guarded or measured."""
        ...

    def stage(self, stage: Stage, index: int, t_s: float) -> None:
        """A stage starts."""
        ...

    def tick(self, view: TickView) -> None:
        """A sample was taken."""
        ...

    def say(self, text: str, *, loud: bool = False) -> None:
        """Say something to the person; loud is for danger."""
        ...

    def attend(self, what: Attention | None) -> None:
        """Call somebody who does not look at the screen; None: what was asked is answered."""
        ...

    def end(self) -> None:
        """The run is over; give the terminal back."""
        ...
