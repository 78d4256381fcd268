"""What ended a run that went dark: the machine's record as far as it came, and what the bench computer saw after it."""

from __future__ import annotations

from pathlib import Path

from verifyrig.core.plain_text import plain_line
from verifyrig.record import read_trace
from verifyrig.record.restart_note import read_aftermath
from verifyrig.runs.end_of_run import post_mortem_of
from verifyrig.serve.seen import read_seen

_AFTER_S = 5.0  # probes that a dark machine shows for so long after its last sample say how it cools


def made_of_it(twin: Path) -> tuple[str, ...]:
    """Return sentences for a person; raise `RecordError` where the twin cannot be read."""
    trace = read_trace(twin)
    if not len(trace.t_s):
        return ("Nothing was recorded before.",)
    lines = list(_seen_lines(twin, float(trace.t_s[-1])))
    found = post_mortem_of(twin, trace)
    if found is not None:
        lines.append(_sentence(str(found.conclusion)))
        reasons = "; ".join(str(why) for why in found.reasons[:3])
        lines += [_sentence(f"for it: {reasons}")] if reasons else []
    if read_aftermath(twin) is None:
        lines.append("Waits for the machine to come back: its own log may say more.")
    return tuple(plain_line(line, 400) for line in lines)


def _seen_lines(twin: Path, last_s: float) -> list[str]:
    """Return what the bench computer saw around the end: the last arrival, and its probes since."""
    arrivals = read_seen(twin, "arrival", 1)
    words = read_seen(twin, "word", 1)
    lines = []
    if arrivals:
        silent = words[-1].steady_s - arrivals[-1].steady_s if words else None
        after = f"; {max(0.0, silent):.1f} s later it counted as dark" if silent is not None else ""
        lines.append(f"The last sample is of {last_s:.1f} s into the run{after}.")
        since = [s for s in read_seen(twin, "probe") if 0 <= s.steady_s - arrivals[-1].steady_s <= _AFTER_S]
        for channel in dict.fromkeys(str(s.detail.get("channel")) for s in since):
            values = [float(s.detail["value"]) for s in since if s.detail.get("channel") == channel]
            lines.append(f"The probe {channel} read {values[0]:.1f}, then {values[-1]:.1f} after it.")
    return lines


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}".rstrip(".") + "."
