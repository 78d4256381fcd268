"""A face that also shows the run on the bench computer's page: hands everything on, and says the same afar."""

from __future__ import annotations

from collections.abc import Mapping

from verifyrig.core.interfaces import ChannelInfo, SecondComputer
from verifyrig.core.profile import Profile, Stage
from verifyrig.core.run_view import RunView
from verifyrig.rig.observer import Attention, Observer, TickView


class ShownAfar:
    """Shows a run here and there."""

    def __init__(self, face: Observer, second: SecondComputer) -> None:
        self._face = face
        self._second = second
        self._asks = False

    def begin(self, profile: Profile, infos: Mapping[str, ChannelInfo], notes: list[str]) -> None:
        """Show what is about to be run."""
        self._face.begin(profile, infos, notes)
        self._second.show({"profile": profile.title or profile.name, "stages": [s.name for s in profile.stages]})

    def stage(self, stage: Stage, index: int, t_s: float) -> None:
        """A stage starts."""
        self._face.stage(stage, index, t_s)
        self._second.show({"stage": stage.name, "kind": stage.kind.value, "stage_index": index})
        if self._asks:  # nobody answered while its load was on: with that, the question is over
            self._asks = False
            self._second.show({"attention": None})

    def tick(self, view: TickView) -> None:
        """A sample was taken."""
        self._face.tick(view)
        self._second.show(_shown(view))

    def say(self, text: str, *, loud: bool = False) -> None:
        """Say something; the loud things are said afar, too."""
        self._face.say(text, loud=loud)
        if loud:
            self._second.show({"said": text})

    def attend(self, what: Attention | None) -> None:
        """Call somebody; None: what was asked is answered."""
        self._face.attend(what)
        self._asks = what is Attention.QUESTION
        self._second.show({"attention": None if what is None else what.value})

    def end(self) -> None:
        """The run is over."""
        self._face.end()
        self._second.show({"attention": Attention.END.value, "share": 0.0})


def _shown(view: TickView) -> RunView:
    forecast = view.forecast
    return {
        "t_s": view.t_s,
        "stage": view.stage.name,
        "kind": view.stage.kind.value,
        "stage_s": view.stage_s,
        "share": view.share,
        "margin_k": view.margin_k,
        "margin_channel": view.margin_channel,
        "limits_c": dict(view.limits_c),
        "remaining_s": view.remaining_s,
        "until_end_s": view.until_end_s,
        "until_question_s": view.until_question_s,
        "order": view.order,
        "forecast": None
        if forecast is None
        else {
            "channel": view.forecast_channel,
            "value_c": forecast.settles_at_c,
            "u95_k": forecast.u95_k,
            "known": forecast.known,
            "remaining_s": forecast.remaining_s,
        },
    }
