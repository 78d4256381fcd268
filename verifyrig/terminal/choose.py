"""Which face a run gets on this terminal."""

from __future__ import annotations

import os
import sys

from verifyrig.rig.observer import Observer


def choose_face(*, simulated_fast: bool, title: str = "") -> Observer:
    """Return the live panel where stderr is a terminal that can be drawn on, plain lines elsewhere.

    A simulation as fast as the processor allows gets lines: nobody could follow its panel.

    Args:
        title: Whose machine it is, named at the top.
    """
    from verifyrig.terminal.lines import PlainLines

    if simulated_fast:
        return PlainLines(every_s=300.0, title=title)
    if not sys.stderr.isatty() or os.environ.get("TERM", "dumb") in ("dumb", ""):
        return PlainLines(title=title)
    from verifyrig.terminal.panel import LivePanel

    return LivePanel(title)
