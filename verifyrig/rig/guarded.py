"""Whether every stage that heats a part is guarded on the machine at hand, before any heat. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from verifyrig.core.ceilings import ceiling_c
from verifyrig.core.channels import base_name, of_role
from verifyrig.core.errors import ProfileError
from verifyrig.core.heat_sources import needs_limit_on
from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.profile import Profile, Stage, WorkName
from verifyrig.plan.guarding import ON_THERMAL_PATH, usual_max_c
from verifyrig.rig.arming import ArmedLimit

__all__ = ["Unguarded", "check_machine_limits", "unguarded"]


class Unguarded(NamedTuple):
    """A stage's load that no armed limit guards.

    Attributes:
        stage: The stage.
        role: Temperature of the part that it heats; empty for an external load without a probe on its heat path.
        channel: The channel without a guard: one of that role, or the role itself where the machine shows none.
    """

    stage: Stage
    role: str
    channel: str


def unguarded(
    stages: Sequence[Stage], infos: Mapping[str, ChannelInfo], armed: Sequence[ArmedLimit]
) -> list[Unguarded]:
    """Return every channel that a stage heats and no armed limit guards there; a part without a channel by its role.

    A limit that waits for its first reading guards nothing yet.
    """
    ready = [one for one in armed if one.maximum is not None and not one.from_first_reading]
    return [bare for stage in stages for bare in _bare_channels(stage, infos, ready)]


def _bare_channels(stage: Stage, infos: Mapping[str, ChannelInfo], ready: Sequence[ArmedLimit]) -> Iterator[Unguarded]:
    if stage.load is None:
        return
    guarded = {one.channel for one in ready if one.limit.armed_in(stage)}
    if stage.load.work == WorkName.EXTERNAL:
        if not {base_name(channel) for channel in guarded} & set(ON_THERMAL_PATH):
            yield Unguarded(stage, "", "")
        return
    for role in needs_limit_on(stage.load.work):
        for channel in of_role(role, infos) or (role,):
            if channel not in guarded:
                yield Unguarded(stage, role, channel)


def check_machine_limits(profile: Profile, infos: Mapping[str, ChannelInfo], armed: Sequence[ArmedLimit]) -> None:
    """Refuse limits that must hold, and whose only bound is a machine limit that this machine does not state.

    Raises:
        ProfileError: There is such a limit; it names the line to change.
    """
    for one in armed:
        limit = one.limit
        if limit.below_machine_limit_k is None or one.maximum is not None:
            continue
        heats = any(bare.channel == one.channel for bare in unguarded(profile.stages, infos, armed))
        if limit.optional and not heats:
            continue
        usual_c = min(usual_max_c(limit.channel), ceiling_c(limit.channel) or math.inf)
        raise ProfileError(
            f"this machine states no limit of its own for {one.channel}, so that below_machine_limit_k = "
            f"{limit.below_machine_limit_k:g} alone guards nothing",
            where=f"profile {profile.name}, trip.{limit.channel}",
            mend=f"Write a max beside it, such as {limit.channel} = {{ max = {usual_c:g}, below_machine_limit_k = "
            f"{limit.below_machine_limit_k:g} }}.",
        )
