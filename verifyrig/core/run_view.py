"""What a run shows of itself on the page of the bench computer, and what it hears of the link, as plain data."""

from __future__ import annotations

from typing import TypedDict


class ForecastView(TypedDict):
    """The forecast of the channel that comes nearest to its limit; `remaining_s` is None where that is not known."""

    channel: str
    value_c: float
    u95_k: float
    known: bool
    remaining_s: float | None


class RunView(TypedDict, total=False):
    """What is shown of a run; a part of it is sent where only that changed.

    `customer`, `job`, `ticket`, `device`, `place`, `operator` and `simulated` are said once, when the run begins.
    Times are in s, of the run's own clock.
    """

    profile: str | None
    stages: list[str]
    stage: str | None
    stage_index: float | None
    kind: str | None
    t_s: float | None
    stage_s: float | None
    period_s: float | None
    share: float | None
    margin_k: float | None
    margin_channel: str | None
    limits_c: dict[str, float]
    remaining_s: float | None
    until_end_s: float | None
    until_question_s: float | None
    forecast: ForecastView | None
    order: str | None
    said: str | None
    attention: str | None
    outcome: str | None
    verdict: str | None
    job: str | None
    ticket: str | None
    customer: str | None
    device: str | None
    place: str | None
    operator: str | None
    simulated: bool


class LinkNews(TypedDict, total=False):
    """What happened to the link: `act` is linked, lost, back, refused or clock, and what belongs to it."""

    act: str
    why_refused: str
    wall_offset_s: float
    steady_offset_s: float
    u95_s: float
