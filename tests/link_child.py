"""A program that keeps live records and sends them, with nothing of a run around them: for kills and for many places.

`python -m tests.link_child FOLDER BENCH_COMPUTER PLACES HZ CHANNELS`: says on stdout, as JSON lines, how many samples
of each run it recorded and how many the bench computer acknowledged, until stdin ends; then it closes the records.
"""

from __future__ import annotations

import json
import math
import select
import sys
import time
from pathlib import Path

from verifyrig.core.interfaces import Controls, Reading
from verifyrig.core.run_view import RunView
from verifyrig.link.find import find_bench_computer
from verifyrig.link.follow import RunLink
from verifyrig.record import new_run_id, open_record

TEMPERATURES = ("die_temp_c", "ambient_temp_c")


def channel_names(n: int) -> list[str]:
    """Return so many channels."""
    return [*TEMPERATURES, *(f"core_{k}_temp_c" for k in range(2, n))][:n]


class Recorded:
    """One run: its record, its link, and its load, which is only a word here."""

    def __init__(self, folder: Path, named: str, channels: list[str], number: int) -> None:
        self.run = new_run_id(time.time())
        self.link = RunLink(find_bench_computer(named))
        self.channels, self.number, self.samples, self.controls = channels, number, 0, Controls()
        path = folder / f"{self.run}.sqlite"
        self.writer = open_record(
            path, facts={"run": self.run, "period_s": 0.1}, profile_text=None, channels=channels, live=True
        )
        self.began_s = time.monotonic()
        self.link.follow(path, self.run, self.controls, {"device": f"Invented {number}", "period_s": 0.1})

    def sample(self) -> None:
        """Take one sample, show it, and end the load where that is wanted."""
        t_s = time.monotonic() - self.began_s
        values = {name: 40 + n + 5 * math.sin(t_s / 20 + self.number) for n, name in enumerate(self.channels)}
        self.writer.sample(t_s, time.time(), {name: Reading(value=value) for name, value in values.items()})
        self.samples += 1
        view: RunView = {
            "t_s": t_s, "stage": "load", "kind": "load", "stage_s": t_s, "share": 1.0, "margin_k": 40.0,
            "margin_channel": "die_temp_c", "limits_c": {"die_temp_c": 95.0},
            "forecast": {"channel": "die_temp_c", "value_c": 47.0, "u95_k": 2.0, "known": False, "remaining_s": 60.0},
        }  # fmt: skip
        self.link.show(view)

    def obey(self) -> None:
        """Answer the wish to end a load at once; there is none, so another may be asked for."""
        if self.controls.end_load.is_set():
            self.controls.end_load.clear()
            self.link.load_ended()


def main() -> None:
    """Record and send until stdin ends."""
    folder, named, places, hz, channels = sys.argv[1:]
    runs = [Recorded(Path(folder), named, channel_names(int(channels)), n) for n in range(int(places))]
    next_s, said_s = time.monotonic(), 0.0
    while not select.select([sys.stdin], [], [], 0)[0]:
        for one in runs:
            one.sample()
        if time.monotonic() - said_s > 0.1:
            said_s = time.monotonic()
            print(json.dumps({one.run: [one.samples, one.link.sent] for one in runs}), flush=True)
        next_s += 1 / float(hz)
        while (left_s := next_s - time.monotonic()) > 0:
            runs[0].controls.wake.wait(min(left_s, 0.01))
            for one in runs:
                one.obey()
    for one in runs:
        one.writer.fact("outcome", "completed")
        one.writer.close()
        one.link.close()


if __name__ == "__main__":
    main()
