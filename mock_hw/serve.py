"""A simulated bench in real time."""

from __future__ import annotations

import threading
import time

from mock_hw.bench import SimulatedBench

_TICK_S = 0.1


def serve(
    bench: SimulatedBench, stop: threading.Event, *, speed: float = 1.0, restart_after_s: float | None = None
) -> None:
    """Move the bench on with the clock until asked to stop, ten times a second on absolute deadlines.

    Args:
        bench: The simulated hardware.
        stop: Ends it.
        speed: Simulated seconds per second, above 0.
        restart_after_s: Switches the machine on again after that many simulated seconds of being off or hung;
            None leaves it so.

    Raises:
        ValueError: The speed is not above 0.
    """
    if not speed > 0:
        raise ValueError(f"the speed is {speed}, and must be above 0")
    start_s, tick, ended_s = time.monotonic(), 0, None
    while not stop.wait(max(0.0, start_s + (tick + 1) * _TICK_S - time.monotonic())):
        # A late wake-up takes all missed ticks at once, so that simulated time never drifts.
        tick = max(tick + 1, int((time.monotonic() - start_s) / _TICK_S))
        bench.advance_to(tick * _TICK_S * speed)
        ended_s = _look_after(bench, ended_s, restart_after_s)


def _look_after(bench: SimulatedBench, ended_s: float | None, restart_after_s: float | None) -> float | None:
    """Say once that the machine stopped; restart it when due. Return since when it is off or hung."""
    if bench.is_on and not bench.is_hung:
        return None
    if ended_s is None:
        print(f"simulated hardware: the machine stopped ({bench.machine.last_stop})", flush=True)
        return bench.elapsed_s
    if restart_after_s is not None and bench.elapsed_s - ended_s >= restart_after_s:
        bench.restart()
        return None
    return ended_s
