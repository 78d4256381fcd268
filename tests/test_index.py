"""The index of a bench: kept figures are those of computing anew, and nothing stale or altered is taken for good."""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path

import pytest

from tests.small_records import write_record
from verifyrig.qa import UnitRun
from verifyrig.qa.index import INDEX_NAME, collect_runs
from verifyrig.qa.index import collect as collect_module
from verifyrig.qa.index.compute import compute_all, compute_one


def everything(metric: str) -> bool:
    return True


def collected(folder: Path, paths: list[Path], **options: object) -> list[UnitRun]:
    return collect_runs(folder, paths, everything, workers=1, **options)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def kept_bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a bench folder of three records whose figures are kept; tests work on copies of it."""
    folder = tmp_path_factory.mktemp("kept")
    for number in range(3):
        write_record(folder / "runs", number)
    collected(folder, records(folder))
    return folder


@pytest.fixture
def bench(kept_bench: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(kept_bench, tmp_path / "bench"))


def records(folder: Path) -> list[Path]:
    return sorted((folder / "runs").glob("*.sqlite"))


def count_computed(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Return a list that fills with every record that is computed anew."""
    seen: list[Path] = []

    def counting(paths: list[Path], workers: int | None = None) -> object:
        seen.extend(paths)
        return compute_all(paths, workers)

    monkeypatch.setattr(collect_module, "compute_all", counting)
    return seen


def test_kept_figures_equal_computed_ones_to_the_last_digit(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (bench / INDEX_NAME).unlink()
    first = collected(bench, records(bench))
    assert (bench / INDEX_NAME).is_file()
    seen = count_computed(monkeypatch)
    assert collected(bench, records(bench)) == first
    assert seen == []
    assert first[0].metrics["load.die_temp_c.peak"].value is not None
    assert first[0].unit == "unit-00"
    assert first[0].ambient_c == pytest.approx(22.0, abs=0.1)


def test_a_copied_bench_is_checked_and_not_computed_anew(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = count_computed(monkeypatch)
    runs = collected(bench, records(bench))
    assert [run.unit for run in runs] == ["unit-00", "unit-01", "unit-02"]
    assert all(run.metrics for run in runs)
    assert seen == []


def test_index_may_be_deleted_or_broken_at_any_time(bench: Path) -> None:
    first = collected(bench, records(bench))
    (bench / INDEX_NAME).unlink()
    assert collected(bench, records(bench)) == first
    (bench / INDEX_NAME).write_bytes(b"no database at all, but as long as the head of one would be" * 40)
    assert collected(bench, records(bench)) == first
    with sqlite3.connect(bench / INDEX_NAME) as connection:
        connection.execute("PRAGMA user_version=99")
    connection.close()
    assert collected(bench, records(bench)) == first


def test_figures_of_another_analysis_version_are_not_taken(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    collected(bench, records(bench))
    monkeypatch.setattr("verifyrig.analysis.ANALYSIS_VERSION", "another")
    seen = count_computed(monkeypatch)
    runs = collected(bench, records(bench))
    assert len(seen) == 3
    assert {run.version for run in runs} == {"another"}


def test_sealed_records_are_never_written(bench: Path) -> None:
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in records(bench)}
    collected(bench, records(bench))
    assert {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in records(bench)} == before
    assert sorted(path.name for path in bench.iterdir()) == [INDEX_NAME, "runs"]


def alter(path: Path) -> None:
    """Change one sample, with size and time of change put back as they were."""
    before = path.stat()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE sample SET die_temp_c = die_temp_c - 5 WHERE rowid = 200")
    connection.close()
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def test_a_record_altered_after_it_was_kept_is_refused_by_name(bench: Path) -> None:
    collected(bench, records(bench))
    alter(records(bench)[2])
    runs = collected(bench, records(bench))
    assert [bool(run.refused) for run in runs] == [False, False, True]
    assert "altered after it was written: sample 200" in runs[2].refused
    assert runs[2].unit == "unit-02"
    assert runs[2].metrics == {}


def test_an_altered_copy_does_not_borrow_the_figures_of_the_sound_one(bench: Path) -> None:
    collected(bench, records(bench))
    sound = records(bench)[0]
    copy = bench / "runs" / "copy.sqlite"
    shutil.copyfile(sound, copy)
    alter(copy)
    runs = collected(bench, [sound, copy])
    assert [bool(run.refused) for run in runs] == [False, True]


def test_a_plain_copy_counts_once_and_a_moved_bench_keeps_its_figures(
    bench: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    first = collected(bench, records(bench))
    shutil.copyfile(records(bench)[0], bench / "runs" / "copy.sqlite")
    assert collected(bench, records(bench)) == first
    moved = tmp_path / "elsewhere"
    moved.mkdir()
    (bench / "runs").rename(moved / "runs")
    (bench / INDEX_NAME).rename(moved / INDEX_NAME)
    seen = count_computed(monkeypatch)
    assert collected(moved, records(moved)) == first
    assert seen == []


def test_an_interrupted_record_is_computed_each_time(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broken = write_record(bench / "runs", 9, close=False)
    collected(bench, records(bench))
    seen = count_computed(monkeypatch)
    runs = collected(bench, records(bench))
    assert seen == [broken]
    assert runs[-1].outcome != "completed"


@pytest.mark.parametrize("junk", [b"", b"no record", b"SQLite format 3\x00" + b"\x00" * 200])
def test_files_that_are_no_records_are_refused_and_the_rest_is_answered(bench: Path, junk: bytes) -> None:
    (bench / "runs" / "junk.sqlite").write_bytes(junk)
    runs = collected(bench, records(bench))
    assert len(runs) == 4
    assert [run.run for run in runs if run.refused] == ["junk"]


def test_only_runs_of_a_named_profile_are_returned(bench: Path) -> None:
    from tests.small_records import PROFILE_TEXT
    from verifyrig.plan.text import parse_profile

    other_limits = PROFILE_TEXT.replace("tiny-build", "golden")
    other_recipe = PROFILE_TEXT.replace("tiny-build", "other-build").replace(
        "max_duration_s = 60", "max_duration_s = 70"
    )
    assert other_recipe != PROFILE_TEXT.replace("tiny-build", "other-build")
    write_record(bench / "runs", 7, profile_text=other_recipe)
    for _ in range(2):  # computed, then kept
        assert len(collected(bench, records(bench), profile=parse_profile(PROFILE_TEXT, origin="test"))) == 3
        assert len(collected(bench, records(bench), profile=parse_profile(other_recipe, origin="test"))) == 1
        # Limits under another name are tried on the runs that there are: the recipe decides, not the name.
        assert len(collected(bench, records(bench), profile=parse_profile(other_limits, origin="test"))) == 3


def test_a_metric_keeps_the_reason_why_it_may_not_pass(bench: Path) -> None:
    write_record(bench / "runs", 8, load_ended="tripped", facts={"outcome": "tripped"})
    for _ in range(2):  # computed, then kept
        peak = collected(bench, records(bench))[-1].metrics["load.die_temp_c.peak"]
        assert peak.value is not None
        assert peak.why_no_pass == "the stage tripped"


def test_many_processes_give_what_one_gives_to_the_last_digit(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("verifyrig.qa.index.compute._FEWEST_FOR_A_POOL", 2)
    alone = [compute_one(path) for path in records(bench)]
    together = list(compute_all(records(bench), workers=2))
    for one, other in zip(alone, together, strict=True):
        assert one.kept is not None
        assert other.kept is not None
        assert one.kept.figures.tobytes() == other.kept.figures.tobytes()
        assert (one.kept.names, one.kept.head, one.kept.remarks) == (
            other.kept.names,
            other.kept.head,
            other.kept.remarks,
        )


def test_what_was_computed_before_an_interruption_is_not_computed_again(
    bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = collected(bench, records(bench))
    (bench / INDEX_NAME).unlink()

    def interrupted(done: int, of: int) -> None:
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        collected(bench, records(bench), progress=interrupted)
    seen = count_computed(monkeypatch)
    assert collected(bench, records(bench)) == first
    assert seen == records(bench)[2:]


def test_a_bench_that_cannot_be_written_is_answered_all_the_same(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = collected(bench, records(bench))
    (bench / INDEX_NAME).unlink()
    (bench / INDEX_NAME).mkdir()  # root may write anywhere, but not into a folder as if it were a file
    assert collected(bench, records(bench)) == first
