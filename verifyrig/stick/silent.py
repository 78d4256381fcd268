"""A face that shows nothing: the first minutes are recorded while somebody reads the first screen."""

from __future__ import annotations

from collections.abc import Mapping

from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.profile import Profile, Stage
from verifyrig.rig.observer import Attention, TickView


class BlankScreen:
    """Shows nothing."""

    def begin(self, profile: Profile, infos: Mapping[str, ChannelInfo], notes: list[str]) -> None:
        """Show nothing."""

    def stage(self, stage: Stage, index: int, t_s: float) -> None:
        """Show nothing."""

    def tick(self, view: TickView) -> None:
        """Show nothing."""

    def say(self, text: str, *, loud: bool = False) -> None:
        """Say nothing."""

    def attend(self, what: Attention | None) -> None:
        """Call nobody."""

    def end(self) -> None:
        """Give nothing back."""
