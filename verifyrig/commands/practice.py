"""A practice bench: a bench.toml with a table `[training]` measures simulated hardware where the screen measures.

[training]
before = "coolant-stopped"      # the simulated machine until something is changed
after = "healthy-liquid:7"      # and from then on; CASE or CASE:SEED
"""

from __future__ import annotations

from verifyrig.bench.folder import Bench


def practice_case(bench: Bench, *, changed: bool) -> str:
    """Return the simulated machine that is measured here, as CASE or CASE:SEED; empty on a bench of real machines."""
    table = bench.config.get("training", {})
    before, after = str(table.get("before") or ""), str(table.get("after") or "")
    return after if before and changed and after else before
