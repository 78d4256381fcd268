"""What ended a run, from its record alone: share of right verdicts on simulated machines that end by themselves.

The pair: the rule of thumb "hot at the last reading means heat, anything else means power".
"""

from __future__ import annotations

import tempfile
from itertools import islice
from pathlib import Path
from typing import Any

from tests.endings import EXPECTED, ends
from verifyrig.bench.folder import Bench
from verifyrig.runs.post_mortem import EndedBy, PostMortem

_HOT_C = 80.0


def measure(full: bool = True) -> dict[str, Any]:
    """Return, by case, the share of right verdicts and of right classes, and how often heat was blamed in vain."""
    seeds = 200 if full else 8
    found: dict[str, Any] = {}
    for case, (reason, _) in EXPECTED.items():
        with tempfile.TemporaryDirectory(prefix="verifyrig-ends-") as folder:
            results = [one for _, one in islice(ends(case, Bench(root=Path(folder))), seeds)]
        found[case] = {
            "ends": len(results),
            "right": sum(one.verdict is reason for one in results) / len(results),
            "rule_of_thumb_right": sum(_thumb(one) is reason for one in results) / len(results),
            "verdicts": {v.value: n for v in EndedBy if (n := sum(one.verdict is v for one in results))},
            "heat_blamed_below_70_c": sum(
                one.verdict is EndedBy.HEAT and (one.moments.die is None or one.moments.die.high_c < 70)
                for one in results
            ),
        }
    rights = [found[case]["right"] for case in EXPECTED]
    thumbs = [found[case]["rule_of_thumb_right"] for case in EXPECTED]
    found["worst_right"] = min(rights)
    found["ratio"] = (1 - sum(rights) / len(rights)) / max(1e-9, 1 - sum(thumbs) / len(thumbs))
    return found


def _thumb(one: PostMortem) -> EndedBy:
    die = one.moments.die
    return EndedBy.HEAT if die is not None and die.last_c >= _HOT_C else EndedBy.POWER
