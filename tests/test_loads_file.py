"""The load of a simulated machine: one fixed-width line that the machine reads."""

from __future__ import annotations

from pathlib import Path

import pytest

from verifyrig.core.errors import LoadError
from verifyrig.core.interfaces import LoadDemand, MachineOff
from verifyrig.loads.file_load import LINE_BYTES, FileLoad


def machine(root: Path, cores: int = 4) -> Path:
    folder = root / "verifyrig"
    folder.mkdir(parents=True)
    (folder / "load").write_bytes(b"0".ljust(LINE_BYTES - 1) + b"\n")
    for core in range(cores):
        (root / f"sys/devices/system/cpu/cpu{core}").mkdir(parents=True)
    (root / "sys/devices/system/cpu/cpufreq").mkdir(parents=True, exist_ok=True)
    return folder


def commanded(folder: Path) -> list[str]:
    return (folder / "load").read_text().split()


@pytest.mark.parametrize(
    ("workers", "expected"),
    [
        ("all", ["0.800000"]),
        ("quarter", ["0.200000"]),
        (1, ["0.200000"]),
        (3, ["0.600000"]),
        ((1, 3), ["0.400000", "cores=1,3"]),
        ("in-turn", ["0.200000", "cores=0"]),
    ],
)
def test_duty_is_written_as_a_share_of_the_whole_processor(
    tmp_path: Path, workers: str | int | tuple[int, ...], expected: list[str]
) -> None:
    folder = machine(tmp_path)
    load = FileLoad(tmp_path)
    load.start(LoadDemand(work="linear-algebra", workers=workers))
    assert float(commanded(folder)[0]) == 0.0
    load.set_share(0.8)
    assert commanded(folder) == expected
    assert load.stop() >= 0.0
    assert float(commanded(folder)[0]) == 0.0


def test_the_file_keeps_its_length_and_its_identity(tmp_path: Path) -> None:
    folder = machine(tmp_path)
    before = (folder / "load").stat()
    load = FileLoad(tmp_path)
    load.start(LoadDemand(work="linear-algebra", workers=(0, 1)))
    for share in (1.0, 0.123456789, 7.0, -1.0):
        load.set_share(share)
        after = (folder / "load").stat()
        assert (after.st_ino, after.st_size) == (before.st_ino, LINE_BYTES)
        assert 0.0 <= float(commanded(folder)[0]) <= 0.5
    load.close()


def test_quarter_is_a_quarter_also_on_two_cores(tmp_path: Path) -> None:
    folder = machine(tmp_path, cores=2)
    load = FileLoad(tmp_path)
    load.start(LoadDemand(work="linear-algebra", workers="quarter"))
    load.set_share(1.0)
    assert float(commanded(folder)[0]) == pytest.approx(0.25)
    load.close()


def test_turns_follow_the_clock_of_the_run(tmp_path: Path) -> None:
    folder = machine(tmp_path)
    now = [100.0]
    load = FileLoad(tmp_path, now_s=lambda: now[0], turn_s=5.0)
    load.start(LoadDemand(work="linear-algebra", workers="in-turn"))
    load.set_share(1.0)
    seen = []
    for _ in range(6):
        load.beat()
        seen.append(commanded(folder)[1])
        now[0] += 5.0
    assert seen == ["cores=0", "cores=1", "cores=2", "cores=3", "cores=0", "cores=1"]
    load.close()


def test_a_tree_without_the_duty_file_cannot_be_run(tmp_path: Path) -> None:
    with pytest.raises(LoadError, match="can only be listed"):
        FileLoad(tmp_path).start(LoadDemand(work="linear-algebra"))


@pytest.mark.parametrize("workers", [5, 0, (4,), (), (1, 1), "half"])
def test_workers_that_do_not_fit_are_refused(tmp_path: Path, workers: str | int | tuple[int, ...]) -> None:
    machine(tmp_path)
    load = FileLoad(tmp_path)
    with pytest.raises(LoadError):
        load.start(LoadDemand(work="linear-algebra", workers=workers))
    load.close()


def test_counts_are_differences_since_the_start(tmp_path: Path) -> None:
    folder = machine(tmp_path)
    (folder / "work").write_text("1000.5 2 1\n")
    load = FileLoad(tmp_path)
    load.start(LoadDemand(work="march"))
    assert load.status().work_done == 0.0
    (folder / "work").write_text("1250.5 5 3\n")
    status = load.status()
    assert (status.work_done, status.compute_errors) == (250.0, 3)
    assert [(fault.work, fault.core) for fault in status.faults] == [("march", 3)]
    assert load.status().faults == ()
    load.close()


def test_a_machine_without_counters_says_that_it_counts_no_work(tmp_path: Path) -> None:
    folder = machine(tmp_path)
    load = FileLoad(tmp_path)
    load.start(LoadDemand(work="march"))
    assert not load.status().counts_work
    (folder / "work").write_text("1000.5 2 1\n")
    assert load.status().counts_work
    load.close()


def test_a_dark_machine_is_said(tmp_path: Path) -> None:
    folder = machine(tmp_path)
    load = FileLoad(tmp_path)
    load.start(LoadDemand(work="linear-algebra"))
    (folder / "power").write_text("off\n")
    with pytest.raises(MachineOff):
        load.status()
    load.close()
