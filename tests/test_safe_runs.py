"""Random simulated machines through whole runs: sound ones never trip, dangerous ones never go far past their limit.

The full campaign, 200 machines a case, is the benchmark `safe-runs`.
"""

from __future__ import annotations

import pytest

from tests.benchmarks.safe_runs import DANGEROUS, HEALTHY, one_run

ALLOWED_OVER_K = 3.0


# A whole run is ten seconds of a processor: one machine of each case, the campaign has hundreds.
@pytest.mark.parametrize(("case", "seed"), list(zip(HEALTHY, (3, 41), strict=True)))
def test_a_sound_machine_never_trips(case: str, seed: int) -> None:
    assert one_run(case, seed)["outcome"] in ("completed", "stopped")


@pytest.mark.parametrize("case", DANGEROUS)
def test_a_dangerous_machine_does_not_pass_its_limit_by_more_than_three_kelvin(case: str) -> None:
    assert one_run(case, 5)["over_k"] <= ALLOWED_OVER_K
