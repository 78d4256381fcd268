"""How hot a steady load would make a machine or a card, forecast from idle time and gentle loads.

It is the same question that a climb asks of each of its steps (`plausible.outlook`), asked once.
"""

from __future__ import annotations

import numpy as np

from verifyrig.analysis.plausible.history import History
from verifyrig.analysis.plausible.outlook import outlook_of
from verifyrig.analysis.posterior import DRAWS
from verifyrig.analysis.results import LoadStart
from verifyrig.core.heat_sources import CARD, DIE, HeatSource
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray

__all__ = ["load_start_forecast"]

_LEAST_LOADED = 3
# It is asked once a load, and a far end of what is possible decides: more machines than while a stage runs.
_DRAWS = 4 * DRAWS


def load_start_forecast(
    t_s: FloatArray,
    temp_c: FloatArray,
    *,
    load_share: FloatArray,
    share: float,
    power_w: FloatArray | None = None,
    ambient_c: float | FloatArray | None = None,
    fan_rpm: FloatArray | None = None,
    part: HeatSource = DIE,
    power_limit_w: float | None = None,
    resolution_k: float | None = None,
) -> LoadStart:
    """Return how hot a steady load of `share` would make the part if it lasted for ever, from idle and gentle loads.

    Args:
        t_s, temp_c: Samples so far: s and °C, shape (n,); NaN where there was no reading.
        load_share: Commanded share of the whole part at each sample, 0 to 1, shape (n,).
        share: Share of the load that is to start, 0 to 1.
        power_w: Measured power, W, shape (n,), where there is a reading.
        ambient_c: Room, °C.
        fan_rpm: Fan speed, rpm, shape (n,).
        part: What is heated.
        power_limit_w: The part's own power limit, W, where it is known.
        resolution_k: Step of the sensor, where known.
    """
    commanded = np.nan_to_num(load_share)
    seen = np.isfinite(temp_c)
    if not (seen & (commanded <= 0)).any():
        return _unknown(reason("no-reading-at-rest"))
    if np.count_nonzero(seen & (commanded > 0)) < _LEAST_LOADED:
        return _unknown(reason("card-not-moved" if part is CARD else "no-pulse-yet"))
    history = History(
        t_s=t_s,
        temp_c=temp_c,
        share=commanded,
        power_w=_column(power_w, len(t_s)),
        fan_rpm=_column(fan_rpm, len(t_s)),
        ambient_c=_column(ambient_c, len(t_s)),
        part=part,
        power_limit_w=power_limit_w,
        resolution_k=resolution_k,
    )
    outlook = outlook_of(history, draws=_DRAWS)
    if outlook is None:
        return _unknown(reason("few-readings-in-pulses"))
    end = outlook.settles(share)
    from_what = reason("scaled-from-lesser-loads" if part is CARD else "from-rest-and-pulses")
    return LoadStart(peak_c=end.at_c, u95_k=end.u95_k, why=(from_what, *outlook.samples.why))


def _unknown(why: Reason) -> LoadStart:
    return LoadStart(peak_c=None, u95_k=None, why=(why,))


def _column(values: float | FloatArray | None, n: int) -> FloatArray:
    return np.broadcast_to(np.asarray(np.nan if values is None else values, dtype=np.float64), n)
