"""Whether a profile measures another machine from outside, by probes alone. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from verifyrig.core.channels import base_name
from verifyrig.core.profile import Profile, WorkName

# What a probe laid on a machine, or a meter in its lead, can show of it.
PROBED = (
    "ambient_temp_c",
    "inlet_temp_c",
    "exhaust_temp_c",
    "radiator_temp_c",
    "hose_in_temp_c",
    "hose_out_temp_c",
    "coolant_temp_c",
    "plate_temp_c",
    "vrm_temp_c",
    "board_temp_c",
    "wall_power_w",
    "rail_12v_v",
    "rail_5v_v",
    "rail_3v3_v",
)


def is_from_outside(profile: Profile) -> bool:
    """Return whether the load is another's and no channel that only the machine itself shows is asked for.

    The computer that keeps the record is then not the machine under test, and its own sensors say nothing of it.
    """
    works = {stage.load.work for stage in profile.stages if stage.load is not None}
    return works == {WorkName.EXTERNAL} and all(base_name(channel) in PROBED for channel in _channels(profile))


def _channels(profile: Profile) -> Iterator[str]:
    yield from profile.requires
    yield from (channel for group in profile.requires_one_of for channel in group)
    yield from (limit.channel for limit in profile.trip_limits)
    for stage in profile.stages:
        if stage.settle is not None:
            yield stage.settle.channel
        if stage.gate is not None:
            yield stage.gate.channel
