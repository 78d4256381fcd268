"""A recording program that is killed at any moment leaves a whole prefix, with no more lost than was in flight."""

from __future__ import annotations

import random
from pathlib import Path

from tests.killing import kill_recorders

KILLS = 40


def test_every_killed_recorder_leaves_a_whole_prefix(tmp_path: Path) -> None:
    deaths = kill_recorders(tmp_path, KILLS, random.Random(11), at_most_s=0.6, at_once=20)
    assert len(deaths) == KILLS
    for death in deaths:
        assert death.fault == "", death
        assert death.acknowledged <= death.samples <= death.handed_over, death
    assert max(death.samples for death in deaths) > 20
