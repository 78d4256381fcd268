"""What the decision rule costs: false accept and false reject by simulation, beside the closed form of JCGM 106.

Units are drawn, measured and judged with the rule itself (guard band w = U). The alternative is what is done without
a guard band, accepting whatever reads inside the limit; `ratio` is its false accepts over ours.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from verifyrig.capability import global_risks
from verifyrig.metrology.verdict import Verdict, judge

_MEAN, _SD, _U, _LIMIT = 57.0, 2.0, 0.75, 60.0


def measure(full: bool = True) -> dict[str, Any]:
    """Return shares of all units: simulated and in closed form, with and without the guard band."""
    draws = 1_000_000 if full else 50_000
    rng = np.random.default_rng(2026)
    true = rng.normal(_MEAN, _SD, draws)
    seen = true + rng.normal(0.0, _U, draws)
    verdicts = np.array([judge(value, 2 * _U, maximum=_LIMIT).value for value in seen.tolist()])
    bad = true > _LIMIT
    guarded, plain = _closed(2 * _U), _closed(0.0)
    lenient = _closed(-2 * _U)
    accepted_bad = float(np.mean((verdicts == Verdict.PASS) & bad))
    plain_bad = float(np.mean((seen <= _LIMIT) & bad))
    return {
        "draws": draws,
        "bad_units": float(bad.mean()),
        "passed_though_bad": {"simulated": accepted_bad, "closed_form": guarded.false_accept},
        "failed_though_good": {
            "simulated": float(np.mean((verdicts == Verdict.FAIL) & ~bad)),
            "closed_form": lenient.false_reject,
        },
        "good_not_passed_outright": {
            "simulated": float(np.mean((verdicts != Verdict.PASS) & ~bad)),
            "closed_form": guarded.false_reject,
        },
        "without_guard_band": {
            "accepted_though_bad": {"simulated": plain_bad, "closed_form": plain.false_accept},
            "rejected_though_good": {
                "simulated": float(np.mean((seen > _LIMIT) & ~bad)),
                "closed_form": plain.false_reject,
            },
        },
        "ratio": plain_bad / accepted_bad if accepted_bad else None,
    }


def _closed(guard_band: float) -> Any:
    return global_risks(
        process_mean=_MEAN, process_sd=_SD, standard_uncertainty=_U, maximum=_LIMIT, guard_band=guard_band
    )
