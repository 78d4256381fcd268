"""What a load says of itself in each sample: its share, how fast it works, and whether its results are right."""

from __future__ import annotations

from collections.abc import Mapping

from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.rig.load_control import LoadControl
from verifyrig.rig.run_notes import RunNotes


def load_readings(
    load: LoadControl, notes: RunNotes, t_s: float, readings: Mapping[str, Reading]
) -> dict[str, Reading]:
    """Count what the load did, steer a held one by this sample, and return the channels of the load itself."""
    driver = load.driver
    if driver is None:
        return {"load_share": Reading(value=load.share)}
    commanded = driver.share
    rate = driver.counts.take(t_s)
    driver.steer(t_s, readings)
    for fault in driver.counts.new_faults:
        notes.event(EventKind.COMPUTE_ERROR, work=fault.work, core=fault.core, at_s=fault.t_s, detail=fault.detail)
        where = f"on core {fault.core}" if fault.core is not None else "on the graphics processor"
        notes.say(f"Wrong result {where}: {fault.detail}.", loud=True)
    none_yet = Reading(value=None, quality=Quality.MISSING, note="the first sample under load")
    return {
        "load_share": Reading(value=commanded),
        "work_rate_per_s": Reading(value=rate) if rate is not None else none_yet,
        "compute_errors": Reading(value=float(driver.counts.errors)),
    }
