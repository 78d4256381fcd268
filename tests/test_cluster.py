"""Figures computed on a cluster of two workers are those computed here, to the last digit; what is lost is resumed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.small_records import write_record
from verifyrig.core.errors import RecordError, UsageError
from verifyrig.qa import UnitRun
from verifyrig.qa.index import collect_runs
from verifyrig.qa.index.compute import compute_one

pytest.importorskip("distributed", reason="the extra cluster is not installed")


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1") as cluster:  # type: ignore[no-untyped-call]
        yield cluster.scheduler_address


def collected(folder: Path, workers: int | str) -> list[UnitRun]:
    paths = sorted((folder / "runs").glob("*.sqlite"))
    return collect_runs(folder, paths, lambda name: True, workers=workers)


def test_two_workers_give_the_digits_of_this_machine_and_a_lost_cluster_loses_little(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(6):
        write_record(tmp_path / "runs", number)
    (tmp_path / "runs" / "torn.sqlite").write_bytes(b"SQLite format 3\x00 torn")
    here = collected(tmp_path, 1)
    assert [bool(run.refused) for run in here] == [False] * 6 + [True]
    (tmp_path / "index.sqlite").unlink()
    # A path as somebody types it, below a folder that workers do not stand in.
    monkeypatch.chdir(tmp_path)
    assert collected(Path(), address) == here

    for number in (7, 8):
        write_record(tmp_path / "runs", number)
    monkeypatch.setattr("verifyrig.analysis.ANALYSIS_VERSION", "another")
    with pytest.raises(UsageError, match="figures could differ"):
        collected(tmp_path, address)
    monkeypatch.undo()
    assert len(collected(tmp_path, address)) == 9


def test_what_no_cluster_can_do_is_said(address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from verifyrig.qa.index.cluster import on_cluster

    with pytest.raises(UsageError, match="does not see"):
        list(on_cluster(compute_one, [tmp_path / "missing.sqlite"], address))
    path = write_record(tmp_path, 0)
    with pytest.raises(RecordError, match="the cluster was lost"):
        list(on_cluster(kill_worker, [path], address))
    monkeypatch.setattr("verifyrig.qa.index.cluster._ANSWER_S", "1s")
    with pytest.raises(UsageError, match="no scheduler answers"):
        list(on_cluster(compute_one, [path], "tcp://127.0.0.1:1"))


def kill_worker(path: Path) -> None:
    raise OSError(f"the link to {path} is gone")
