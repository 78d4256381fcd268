"""A batch watched while it grows: what is planted is found, once; sound batches alarm no oftener than is stated."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import beta

from tests.batches import PROFILE, batch, batch_with_three_faults, unit_run
from tests.small_records import PROFILE_TEXT, write_record
from tests.test_contract import verifyrig
from verifyrig.bench.folder import Bench
from verifyrig.capability import LOOKS, alpha_of_a_look, find_order, looks_due
from verifyrig.commands import Context
from verifyrig.commands.line_watch import _records
from verifyrig.core.errors import BenchError
from verifyrig.line.watch_state import keep_watched, read_watched
from verifyrig.qa import UnitFigure, UnitRun
from verifyrig.qa.watching import AlarmCode, BatchAlarm, WatchedBatch, watch_batch

ALPHA = 0.049


def false_alarms(looks: tuple[int, ...], alpha: float, batches: int) -> int:
    """Return in how many of sound batches of five metrics that depend on one another some look finds an order."""
    found = 0
    for seed in range(batches):
        rng = np.random.default_rng([44, seed])
        values = 0.6 * rng.normal(size=(looks[-1], 1)) + rng.normal(size=(looks[-1], 5))
        found += any(
            find_order({str(k): values[:look, k].tolist() for k in range(5)}, [None] * look, alpha=alpha)
            for look in looks
        )
    return found


def at_least(found: int, of: int) -> float:
    """Return the lower end of the exact 95 % interval of a share (Clopper and Pearson 1934)."""
    return float(beta.ppf(0.025, found, of - found + 1)) if found else 0.0


def test_looks_keep_the_budget() -> None:
    # In full, and beside looks at every unit, which break it: `tests/benchmarks/watch.py`. The parts add up (Boole).
    assert sum(alpha_of_a_look(ALPHA) for _ in LOOKS) == pytest.approx(ALPHA)
    assert at_least(false_alarms(LOOKS[:5], alpha_of_a_look(ALPHA), 40), 40) <= ALPHA


def test_each_look_comes_once_however_the_records_arrive() -> None:
    assert looks_due(0, 30) == (8, 12, 18, 27) and looks_due(3, 30) == (27,) and looks_due(4, 30) == ()
    runs = drifting(40)
    at_once, alarms = watch_batch(WatchedBatch(), runs, PROFILE)
    state, one_by_one = WatchedBatch(), list[BatchAlarm]()
    for count in range(1, len(runs) + 1):
        state, new = watch_batch(state, runs[:count], PROFILE)
        one_by_one += new
    assert state == at_once and one_by_one == alarms
    assert watch_batch(state, runs, PROFILE) == (state, [])


def drifting(units: int) -> list[UnitRun]:
    """Return a batch whose resistance rises by 20 % from its first unit to its last, four spreads."""
    rng = np.random.default_rng(3)
    found = []
    for number in range(units):
        run = unit_run(number, rng, fins_factor=1 + 0.5 * number / units)
        found.append(replace(run, run=f"20260202-{number:06d}-test", batch="b1"))
    return found


def test_a_drift_is_told_before_the_batch_is_over_and_once_a_metric() -> None:
    state, alarms = watch_batch(WatchedBatch(), drifting(40), PROFILE)
    changed = [alarm for alarm in alarms if alarm.code is AlarmCode.BATCH_CHANGED]
    assert "load.thermal_resistance" in {alarm.metric for alarm in changed}
    assert min(alarm.units for alarm in changed) < 40
    assert len({alarm.metric for alarm in changed}) == len(changed)
    assert state.looks == 5 and state.alarms == len(alarms)


def test_a_unit_that_fails_is_told_at_once_and_one_that_stands_out_at_the_next_look() -> None:
    runs = batch_with_three_faults()
    _, alarms = watch_batch(WatchedBatch(), runs[:9], PROFILE)
    assert [(alarm.code, alarm.unit) for alarm in alarms if alarm.code is AlarmCode.UNIT_FAILED] == [
        (AlarmCode.UNIT_FAILED, "unit-07")
    ]
    odd = {
        alarm.unit for alarm in watch_batch(WatchedBatch(), runs, PROFILE)[1] if alarm.code is AlarmCode.UNIT_STANDS_OUT
    }
    assert {"unit-07", "unit-15"} <= odd


def test_a_sound_batch_is_left_in_peace_and_a_record_that_comes_late_takes_no_look_twice() -> None:
    runs = batch(30, seed=5)
    state, alarms = watch_batch(WatchedBatch(), [*runs[:4], *runs[6:]], PROFILE)
    assert alarms == [] and state.looks == 4
    after, alarms = watch_batch(state, runs, PROFILE)
    assert alarms == [] and after.series == (*state.series, runs[4].run, runs[5].run) and after.looks == 4


def test_what_was_watched_is_kept_and_a_damaged_note_is_no_fresh_start(tmp_path: Path) -> None:
    bench = Bench(root=tmp_path)
    state = WatchedBatch(series=("a", "b"), looks=3, told=("x",), alarms=2)
    keep_watched(bench, "r", "b1", state)
    assert read_watched(bench, "r", "b1") == state and read_watched(bench, "r", None) == WatchedBatch()
    (path,) = (tmp_path / "line").glob("watch-*.json")
    path.write_text("{}", encoding="utf-8")
    with pytest.raises(BenchError):
        read_watched(bench, "r", "b1")


def test_the_command_tells_once_and_hands_over(tmp_path: Path) -> None:
    (tmp_path / "drop").mkdir()
    (tmp_path / "bench.toml").write_text('[[notify]]\nid = "one"\nby = "folder"\nfolder = "drop"\n', encoding="utf-8")
    (tmp_path / "bench.toml").chmod(0o600)
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "tiny-build.toml").write_text(PROFILE_TEXT.replace("75.0", "10.0"), encoding="utf-8")
    write_record(tmp_path / "runs", 0, unit="u0", facts={"batch": "b1"})
    words = ["line", "watch", "--profile", "tiny-build", "--batch", "b1", "--once", "--json"]
    first = verifyrig(*words, cwd=tmp_path)
    found = json.loads(first.stdout)
    assert first.returncode == 1 and [(one["code"], one["unit"]) for one in found["alarms"]] == [("unit-failed", "u0")]
    second = json.loads(verifyrig(*words, cwd=tmp_path).stdout)
    assert second["alarms"] == [] and second["alarms_before"] == 1 and second["next_look"] == 8
    (waiting,) = json.loads(verifyrig("notices", "--deliver", "--for", "30", "--json", cwd=tmp_path).stdout)["targets"]
    assert waiting["left_out"] == 0
    for code, more in ((2, []), (2, ["--profile", "tiny-build", "--every", "0"]), (2, ["--profile", "tiny-build"])):
        assert verifyrig("line", "watch", *more, "--json", cwd=tmp_path).returncode == code


def test_a_figure_that_is_missing_in_some_units_stops_no_watch() -> None:
    runs = batch(20, seed=6)
    gone = {name: UnitFigure(None, None, figure.unit) for name, figure in runs[3].metrics.items()}
    assert watch_batch(WatchedBatch(), [*runs[:3], replace(runs[3], metrics=gone), *runs[4:]], PROFILE)[0].looks == 3


def test_a_record_that_is_still_written_is_not_looked_at(tmp_path: Path) -> None:
    (tmp_path / "runs").mkdir()
    for name in ("20260202-080000-aaaa.sqlite", "20260202-080001-bbbb.sqlite", "20260202-080001-bbbb.sqlite-wal"):
        (tmp_path / "runs" / name).touch()
    context = Context(bench=Bench(root=tmp_path))
    assert [path.stem for path, *_ in _records(context)] == ["20260202-080000-aaaa"]
    (tmp_path / "runs" / "20260202-080001-bbbb.after.json").touch()  # its machine died, and that was noted
    assert len(_records(context)) == 2
