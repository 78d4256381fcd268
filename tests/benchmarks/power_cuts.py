"""Power cut after every sync of a recording run, in three ways each; beside it the same record without syncs.

The pair shows what the syncs are for: the share of cuts that leave less than a whole prefix.
"""

from __future__ import annotations

import random
import tempfile
from pathlib import Path
from typing import Any

from tests.power_cut import can_trace, cut_everywhere, trace_recorder


def measure(full: bool = True) -> dict[str, Any]:
    """Return how many disk states were read, and how many of them were at fault."""
    why_not = can_trace()
    if why_not:
        return {"skipped": why_not}
    share, samples = (1.0, 720) if full else (0.1, 360)
    found: dict[str, Any] = {}
    for name, synchronous in (("synced", ""), ("not_synced", "OFF")):
        with tempfile.TemporaryDirectory(prefix="verifyrig-cuts-") as root:
            folder = Path(root) / "disk"
            trace = trace_recorder(folder, samples if not synchronous else 100, synchronous=synchronous)
            cuts = cut_everywhere(trace, folder, Path(root) / "cut", share, random.Random(3))
        states = sum(cuts.states.values())
        found[name] = {
            "states": states,
            "checkpoints": cuts.checkpoints,
            "faults": len(cuts.faults),
            "fault_share": len(cuts.faults) / max(1, states),
            "examples": cuts.faults[:3],
        }
    found["ratio"] = found["synced"]["fault_share"] / max(1e-9, found["not_synced"]["fault_share"])
    return found
