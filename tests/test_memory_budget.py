"""How much memory and storage a load may fill, and which cores it gets."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from verifyrig.core.errors import LoadError
from verifyrig.core.interfaces import LoadDemand
from verifyrig.core.profile import LoadPlan, WorkName
from verifyrig.core.reason import Reason
from verifyrig.loads import check_runnable
from verifyrig.loads.memory_budget import (
    GIB,
    MIB,
    _cgroup_limit,
    free_memory,
    last_level_cache_bytes,
    memory_to_fill,
)
from verifyrig.loads.placement import place
from verifyrig.loads.topology import usable_cores
from verifyrig.loads.worker_load import WorkerLoad
from verifyrig.loads.works.storage import PIECE_BYTES, Storage, file_size
from verifyrig.system.machine import THIS_MACHINE


@pytest.mark.parametrize("share", [0.1, 0.5, 0.95, 1.0])
@pytest.mark.parametrize("total_gib", [4, 16, 512])
@pytest.mark.parametrize("free_share", [0.3, 0.8])
def test_a_tenth_and_a_gibibyte_always_stay_free(share: float, total_gib: int, free_share: float) -> None:
    total = total_gib * GIB
    available = int(free_share * total)
    try:
        allowed, note = memory_to_fill(share, available_bytes=available, total_bytes=total)
    except LoadError:
        assert available - max(GIB, total // 10) < 16 * MIB
        return
    assert available - allowed >= max(GIB, total // 10)
    assert allowed <= share * available
    assert bool(note) == (allowed < int(share * available))


def test_too_little_memory_is_refused_not_swapped() -> None:
    with pytest.raises(LoadError, match="must stay free"):
        memory_to_fill(0.9, available_bytes=GIB, total_bytes=8 * GIB)
    with pytest.raises(LoadError, match="is no share"):
        memory_to_fill(1.5, available_bytes=8 * GIB, total_bytes=8 * GIB)


def test_the_limit_of_a_control_group_counts(tmp_path: Path) -> None:
    # Form of the files: kernel document "cgroup-v2".
    group = tmp_path / "shop/bench"
    group.mkdir(parents=True)
    for folder, most in ((tmp_path / "shop", "3000\n"), (group, "max\n")):
        (folder / "memory.max").write_text(most)
        (folder / "memory.current").write_text("1000\n")
    own = tmp_path / "cgroup"
    own.write_text("0::/shop/bench\n")
    assert _cgroup_limit(tmp_path, own) == (3000, 1000)
    assert _cgroup_limit(tmp_path, tmp_path / "absent") == (None, 0)


def test_free_memory_of_this_machine_is_plausible() -> None:
    available, total = free_memory()
    assert 0 < available <= total


def test_last_level_caches_are_counted_once_each(tmp_path: Path) -> None:
    for cpu in range(4):
        for index, (level, size, shared) in enumerate([(1, "32K", str(cpu)), (3, "16384K", f"{cpu // 2 * 2}-x")]):
            cache = tmp_path / f"cpu{cpu}/cache/index{index}"
            cache.mkdir(parents=True)
            for name, text in (("level", str(level)), ("size", size), ("shared_cpu_list", shared)):
                (cache / name).write_text(text + "\n")
    assert last_level_cache_bytes(tmp_path) == 2 * 16 * MIB
    assert last_level_cache_bytes(tmp_path / "absent") == 0


def test_siblings_are_one_core(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A hybrid processor: two cores with two threads each, two with one (form: document "admin-guide/cputopology").
    monkeypatch.setattr(os, "sched_getaffinity", lambda _pid: {0, 1, 2, 3, 4, 5}, raising=False)
    for cpu, siblings in enumerate(["0-1", "0-1", "2-3", "2,3", "4", "5"]):
        topology = tmp_path / f"cpu{cpu}/topology"
        topology.mkdir(parents=True)
        (topology / "thread_siblings_list").write_text(siblings + "\n")
    assert [core.logical for core in usable_cores(tmp_path)] == [(0, 1), (2, 3), (4,), (5,)]


def test_few_workers_are_spread_over_the_die() -> None:
    assert place(2, range(8)).workers == (0, 4)
    assert place("quarter", range(16)).workers == (0, 4, 8, 12)


@pytest.mark.parametrize("cores", [1, 2, 3, 4, 6, 8, 12, 64])
def test_a_quarter_is_a_quarter_on_any_number_of_cores(cores: int) -> None:
    assert place("quarter", range(cores)).scale == pytest.approx(0.25)


def test_storage_reads_back_what_it_wrote_and_leaves_nothing(tmp_path: Path) -> None:
    work = Storage(tmp_path)
    results = [work.block(0.004) for _ in range(80)]
    assert [fault for result in results for fault in result.faults] == []
    assert sum(result.work for result in results) > 0
    if os.name == "posix":
        assert list(tmp_path.iterdir()) == []
    work.close()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("what", ["operand", "buffer"])
def test_storage_finds_a_flipped_bit(tmp_path: Path, what: str) -> None:
    dice = np.random.default_rng(2)
    armed = False

    def flip(name: str, array: npt.NDArray[Any]) -> None:
        nonlocal armed
        if armed and name == what:
            armed = False
            array[dice.integers(array.size)] ^= np.uint64(1 << int(dice.integers(64)))

    work = Storage(tmp_path, most_bytes=8 * PIECE_BYTES, meddle=flip)
    for _ in range(20):
        armed = True
        faults = [fault for _ in range(17) for fault in work.block(0.0).faults]
        assert len(faults) == 1
        assert "1 of 32768 values differ" in faults[0]
    work.close()


def test_no_space_for_storage_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert file_size(100 * GIB, "here") % PIECE_BYTES == 0
    full = shutil.disk_usage(tmp_path)._replace(free=3 * MIB)
    monkeypatch.setattr(shutil, "disk_usage", lambda _folder: full)
    with pytest.raises(LoadError, match="only 3 MiB are free"):
        Storage(tmp_path)


def test_storage_without_a_folder_is_refused() -> None:
    load = WorkerLoad()
    with pytest.raises(LoadError, match="no folder was given"):
        load.start(LoadDemand(work="storage", workers=1))
    load.close()


@pytest.mark.parametrize("work", ["transform", "digest", "march", "storage", "mixed"])
def test_each_work_runs_in_a_worker(work: str, tmp_path: Path) -> None:
    import time

    load = WorkerLoad(storage_dir=tmp_path)
    # A sliver of the free memory: the sweep of a small buffer is the same code.
    load.start(LoadDemand(work=work, workers=1, memory_share=0.003))
    load.set_share(1.0)
    end_s = time.monotonic() + 60.0
    while time.monotonic() < end_s and load.status().checks_done == 0:
        load.beat()
        time.sleep(0.05)
    load.stop()
    status = load.status()
    assert status.checks_done > 0
    assert (status.compute_errors, list(status.faults)) == (0, [])
    assert all(isinstance(note, Reason) for note in load.notes)
    load.close()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("workers", [4096, (4095,)])
def test_workers_that_this_machine_cannot_place_are_refused_before_anything_is_measured(
    workers: int | tuple[int, ...],
) -> None:
    plan = LoadPlan(work=WorkName.DIGEST, workers=workers)
    with pytest.raises(LoadError):
        check_runnable(THIS_MACHINE, [plan])
    check_runnable(THIS_MACHINE, [LoadPlan(work=WorkName.DIGEST), replace(plan, work=WorkName.EXTERNAL)])
