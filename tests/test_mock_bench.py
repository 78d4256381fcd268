"""The simulated bench as a run on the virtual clock uses it."""

from __future__ import annotations

from pathlib import Path

import pytest

from mock_hw.bench import SimulatedBench
from mock_hw.physics.parameters import CASES


def ask(bench: SimulatedBench, line: str) -> None:
    (bench.root / "verifyrig" / "load").write_text(line)


@pytest.mark.parametrize("case", CASES)
def test_every_case_lives_through_an_idle_minute_and_a_minute_of_load(case: str, tmp_path: Path) -> None:
    with SimulatedBench(case, 0, tmp_path) as bench:
        bench.advance_to(60.0)
        idle_c = bench.machine.die_c
        ask(bench, "1.000000\n")
        bench.advance_to(120.0)
        assert bench.cause == CASES[case]
        assert bench.machine.die_c > idle_c + 5 or not bench.is_on
