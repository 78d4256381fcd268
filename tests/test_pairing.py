"""A machine's own record and a bench computer's, brought onto one time axis by their load steps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from verifyrig.core.trace import Event, Trace
from verifyrig.runs.pairing import on_one_axis, pair


def trace(steps: list[tuple[float, float]], channel: str, *, start_utc_s: float = 1e9, n: int = 300) -> Trace:
    t_s = np.arange(n, dtype=np.float64)
    return Trace(
        run_id="r", facts={}, profile=None, stages=(), t_s=t_s, utc_s=start_utc_s + t_s, columns={channel: t_s.copy()},
        events=tuple(Event(t_s=t, kind="load", detail={"share": share}) for t, share in steps),
    )  # fmt: skip


def test_load_steps_give_the_shift_whatever_the_clocks_say() -> None:
    own = trace([(60, 1.0), (120, 0.0), (180, 1.0), (240, 0.0)], "die_temp_c")
    # Marked by hand: half a second late, on a computer whose clock is an hour off.
    probe = trace([(20.5, 1.0), (80.4, 0.0), (140.6, 1.0), (200.5, 0.0)], "plate_temp_c", start_utc_s=1e9 + 3600)
    found = pair(own, probe)
    assert found is not None and found.how == "load edges" and found.steps == 4
    assert found.offset_s == pytest.approx(39.5, abs=0.2)
    assert found.spread_s is not None and found.spread_s <= 0.2


def test_a_step_that_one_record_lacks_does_not_mislead() -> None:
    own = trace([(60, 1.0), (120, 0.0), (180, 1.0), (240, 0.0)], "die_temp_c")
    found = pair(own, trace([(140, 1.0), (200, 0.0)], "plate_temp_c"))
    # Two pulses of equal length fit alike; the shift is one of the two, never something between them.
    assert found is not None and found.steps == 2 and found.offset_s in (-80.0, 40.0)


def test_without_load_steps_the_wall_clocks_have_to_do() -> None:
    found = pair(trace([], "die_temp_c"), trace([], "plate_temp_c", start_utc_s=1e9 + 25))
    assert found is not None and (found.how, found.offset_s, found.steps) == ("wall clocks", 25.0, 0)


def test_channels_of_both_lie_on_the_first_ones_times() -> None:
    own = trace([(60, 1.0)], "die_temp_c")
    probe = trace([(20, 1.0)], "plate_temp_c")
    pairing = pair(own, probe)
    assert pairing is not None
    t_s, columns = on_one_axis(own, probe, pairing)
    assert columns["plate_temp_c"][100] == t_s[100] - 40
    assert np.isnan(columns["plate_temp_c"][:39]).all()


def test_an_empty_record_pairs_with_nothing() -> None:
    empty = replace(trace([], "die_temp_c", n=1), t_s=np.array([]), utc_s=np.array([]), columns={})
    assert pair(empty, trace([], "plate_temp_c")) is None
