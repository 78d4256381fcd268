"""Which channels belong to the parts that a job records as changed: in a comparison they are results, no conditions."""

from __future__ import annotations

from verifyrig.jobs.model import Job

# Words in the name of a part, most telling first, and its channels.
_CHANNELS_OF_PART = {
    "pump": ("pump_speed_rpm", "pump_duty_share"),
    "cooler": ("cpu_fan_speed_rpm", "cpu_fan_duty_share", "pump_speed_rpm", "pump_duty_share"),
    "case fan": ("case_fan_speed_rpm", "case_fan_duty_share"),
    "fan": ("cpu_fan_speed_rpm", "cpu_fan_duty_share"),
}


def changed_channels(job: Job) -> tuple[str, ...]:
    """Return the channels of the parts that the job records as changed."""
    found: list[str] = []
    for change in job.changes:
        part = change.text("part").lower()
        word = next((word for word in _CHANNELS_OF_PART if word in part), None)
        found += _CHANNELS_OF_PART[word] if word is not None else ()
    return tuple(dict.fromkeys(found))
