"""The table on columns says of all units what `find` says of them with an object a run, digit for digit."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pytest

from tests.small_records import PROFILE_TEXT
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.metrology.verdict import Verdict
from verifyrig.plan.text import parse_profile
from verifyrig.qa import UnitFigure, UnitRun, as_json, find
from verifyrig.qa.capability_table import capability_table
from verifyrig.qa.columns import columns_of
from verifyrig.qa.table_words import table_json, table_lines

PROFILE = parse_profile(PROFILE_TEXT, origin="test")
UNITS = {
    "load.die_temp_c.peak": "°C",
    "load.compute_errors": "1",
    "load.die_temp_c.rise": "K",
    "load.thermal_impedance_5s": "K/W",
}
NAMES = tuple(UNITS)


def runs(seed: int, n: int, *, drift_k: float = 0.0) -> list[UnitRun]:
    """Return invented runs of which some cannot count, some were repeated, and some have no figure."""
    rng = np.random.default_rng(seed)

    def of(*words: object) -> object:
        return words[int(rng.integers(len(words)))]

    made = []
    for number in range(n):
        ambient_c = None if rng.random() < 0.05 else 22.0 + float(rng.normal())
        rise_k = 40.0 + float(rng.normal()) + drift_k * number
        peak = UnitFigure(rise_k + (ambient_c or 22.0), 0.8, "°C", "", "not settled" if rng.random() < 0.05 else "")
        metrics = {name: UnitFigure(None, None, unit) for name, unit in UNITS.items()}
        metrics |= {NAMES[0]: peak, NAMES[1]: UnitFigure(float(rng.random() < 0.02), 0.0, "1")}
        if rng.random() < 0.9:
            metrics |= {NAMES[2]: UnitFigure(rise_k, 0.5, "K"), NAMES[3]: UnitFigure(rise_k / 400, 0.01, "K/W")}
        ended = rng.random()
        outcome = Outcome.INTERRUPTED if ended < 0.06 else Outcome.COMPLETED
        cause = of(CauseClass.OPERATOR, CauseClass.POWER_OFF) if ended < 0.06 else None
        made.append(
            UnitRun(
                run=f"run-{number:03d}",
                unit=f"unit-{number if rng.random() < 0.9 else number // 2}",
                metrics=metrics,
                batch=f"week-{number // 20}",
                bench=str(of("north", "north", "south", "west")),
                board=str(of("a", "b")) if rng.random() < 0.04 else None,
                recipe=PROFILE.recipe if rng.random() < 0.96 else "another",
                version="6" if rng.random() < 0.03 else "7",
                started_utc_s=1.77e9 + 600.0 * number,
                outcome=outcome,
                cause=cause,  # type: ignore[arg-type]
                lost_power=cause == CauseClass.POWER_OFF,
                ambient_c=ambient_c,
                states={"panel": "closed" if rng.random() < 0.97 else "open"},
                rework="R1" if rng.random() < 0.5 else "",
                simulated=True,
            )
        )
    return made


@pytest.mark.parametrize(("seed", "n", "drift_k"), [(1, 90, 0.0), (2, 90, 0.1), (3, 7, 0.0), (4, 1, 0.0), (5, 0, 0.0)])
def test_every_figure_of_the_table_is_that_of_find(seed: int, n: int, drift_k: float) -> None:
    own = runs(seed, n, drift_k=drift_k)
    whole = as_json(find(own, PROFILE))
    table = table_json(capability_table(columns_of(own[::-1], NAMES), PROFILE))
    assert list(table["metrics"]) == list(whole["metrics"])
    for name, metric in table["metrics"].items():
        beside: dict[str, Any] = dict(whole["metrics"][name])
        # Which units have no figure is told by name there, and counted here.
        notes = [note for note in beside.pop("notes") if not note.startswith(("not measured in", "left out, since"))]
        told: dict[str, Any] = dict(metric)
        assert [note for note in told.pop("notes") if not note.startswith("not measured in")] == notes
        assert told == {key: beside[key] for key in told}
    for key in ("units", "verdict", "steady", "first_pass", "final", "simulated"):
        assert table[key] == whole[key]
    assert len(whole["left_out"]) == sum(table["left_out"].values()) and table["runs"] == n
    last = {attempt["unit"]: attempt["verdict"] for attempt in whole["attempts"] if attempt["attempt"] == attempt["of"]}
    assert table["verdicts"] == Counter(last.values())
    assert table["questions"] == len(whole["questions"])
    if n == 90:
        assert len(table["left_out"]) >= 4 and len(table["verdicts"]) >= 3
        assert whole["steady"] is (drift_k == 0.0)


def test_the_table_in_words_counts_what_it_leaves_out() -> None:
    found = capability_table(columns_of(runs(1, 90), NAMES), PROFILE)
    text = "\n".join(table_lines(found))
    assert f"Capability by tiny-build: {found.units} units in 90 runs, simulated hardware" in text
    assert f"Left out: {found.left_out['recipe-other']} runs, their recipe is another one." in text
    assert f"failed: {found.verdicts[Verdict.FAIL]} units" in text
