"""Kept figures as Parquet: the same answers as from the records, nothing personal, nothing twice, the same bytes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.small_records import PROFILE_TEXT, write_record
from verifyrig.bench.folder import Bench
from verifyrig.commands import cli
from verifyrig.record import read_trace

pytest.importorskip("pyarrow", reason="the extra fleet is not installed")
pytest.importorskip("fsspec", reason="the extra fleet is not installed")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("fleet") / "bench"
    (root / "runs").mkdir(parents=True)
    (root / "profiles").mkdir()
    (root / "profiles" / "tiny-build.toml").write_text(PROFILE_TEXT, "utf-8")
    (root / "bench.toml").write_text('[bench]\nid = "north-1"\n', "utf-8")
    for number in range(8):
        facts: dict[str, Any] = {
            "batch": "week-13" if number < 4 else "week-14",
            "bench": "north-1",
            "operator": "Invented Person",
        }
        facts["states"] = {"panel": "closed", "remark": "call Invented Customer"}
        write_record(root / "runs", number, unit=f"unit-{number}", k_per_w=0.35 + 0.003 * number, facts=facts)
    (root / "jobs/j1/runs").mkdir(parents=True)
    write_record(root / "jobs/j1/runs", 50, facts={"job": "j1"})
    return root


def answer(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    code = cli.run([*words, "--json"])
    return code, json.loads(capsys.readouterr().out)


def files_of(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*.parquet")}


def test_qa_of_a_dataset_is_that_of_its_records_digit_for_digit(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = tmp_path / "set"
    code, done = answer(capsys, "dataset", str(place), "--site", "north", "--bench", str(bench))
    assert (code, done["runs"], done["customers"]) == (0, 8, 1)
    assert all(name.startswith("site=north/month=2026-02/north-1-") for name in done["written"])
    before = files_of(place)
    again = answer(capsys, "dataset", str(place), "--site", "north", "--bench", str(bench))[1]
    assert again["written"] == [] and files_of(place) == before

    words = ("qa", "--profile", "tiny-build", "--batch", "week-14", "--cores", "1", "--bench", str(bench))
    ours = answer(capsys, *words)
    theirs = answer(capsys, *words, "--dataset", str(place))
    assert {attempt.pop("operator") for attempt in ours[1]["attempts"]} == {"Invented Person"}
    assert {attempt.pop("operator") for attempt in theirs[1]["attempts"]} == {None}
    assert ours == theirs and ours[1]["units"] == 4
    early = answer(capsys, *words[:3], "--until", "2026-02-01", "--dataset", str(place), "--bench", str(bench))[1]
    assert early["units"] == 0


def test_the_table_says_of_all_units_what_qa_says_of_them(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for site in ("north", "south"):  # each run twice
        answer(capsys, "dataset", str(tmp_path), "--site", site, "--bench", str(bench))
    words = ("qa", "--profile", "tiny-build", "--cores", "1", "--bench", str(bench))
    for source, units in (((), 9), (("--dataset", str(tmp_path)), 8)):  # the customer's run stays at home
        code, whole = answer(capsys, *words, *source)
        table = answer(capsys, *words, "--table", *source)
        assert table[0] == code
        for name, metric in table[1]["metrics"].items():
            assert metric == {key: whole["metrics"][name][key] for key in metric}
        assert list(table[1]["metrics"]) == list(whole["metrics"])
        for key in ("units", "verdict", "steady", "first_pass", "final", "simulated"):
            assert table[1][key] == whole[key]
        assert sum(table[1]["verdicts"].values()) == whole["units"] == units
        assert sum(table[1]["left_out"].values()) == len(whole["left_out"]) == 0
    one = answer(capsys, *words, "--table", "--batch", "week-13")[1]
    assert one["units"] == 4 and one["runs"] == 4
    assert cli.run([*words, "--table", "--propose", "x.toml"]) == 2
    assert "--table has none" in capsys.readouterr().err
    assert cli.run([*words, "--table"]) == code
    assert "Capability by tiny-build: 9 units in 9 runs, simulated hardware" in capsys.readouterr().out


def test_nothing_that_a_person_typed_is_in_it(bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from pyarrow import parquet

    answer(capsys, "dataset", str(tmp_path), "--site", "north", "--bench", str(bench))
    table = parquet.read_table(next(tmp_path.rglob("*.parquet")), partitioning=None)
    text = json.dumps(table.to_pydict(), default=str)
    assert "Invented" not in text and "closed" in text
    assert "j1" not in set(table.column("unit").to_pylist())
    assert table.schema.field("load.die_temp_c.rise").metadata == {b"unit": b"K"}


def test_a_run_that_two_sites_export_counts_once(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for site in ("north", "south"):
        answer(capsys, "dataset", str(tmp_path), "--site", site, "--bench", str(bench))
    words = ("qa", "--profile", "tiny-build", "--dataset", str(tmp_path), "--bench", str(bench))
    assert answer(capsys, *words)[1]["units"] == 8


def test_samples_go_beside_on_demand_and_hold_nothing_that_was_typed(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from pyarrow import parquet

    words = ("dataset", str(tmp_path / "set"), "--site", "north", "--bench", str(bench))
    done = answer(capsys, *words, "--samples", str(tmp_path / "samples"))[1]
    assert done["samples"] == {"place": str(tmp_path / "samples"), "written": 8, "unchanged": 0}
    files = files_of(tmp_path / "samples")
    assert all(name.startswith("site=north/month=2026-02/") for name in files) and len(files) == 8
    assert not any(b"Invented" in content for content in files.values())
    record = sorted((bench / "runs").glob("*.sqlite"))[0]
    trace = read_trace(record)
    (path,) = (tmp_path / "samples").rglob(f"{record.stem}-*.parquet")
    table = parquet.read_table(path, partitioning=None)
    assert set(trace.columns) | {"digest", "run", "stage", "t_s", "utc_s"} == set(table.column_names)
    for channel, values in trace.columns.items():
        np.testing.assert_array_equal(table.column(channel).to_numpy(), values)
    assert table.column("stage").to_pylist()[30] == "idle" and table.column("stage").to_pylist()[200] == "load"
    assert answer(capsys, *words, "--samples", str(tmp_path / "samples"))[1]["samples"]["unchanged"] == 8
    assert files_of(tmp_path / "samples") == files


def test_duckdb_answers_a_question_of_ones_own(bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    duckdb = pytest.importorskip("duckdb", reason="duckdb is not installed")
    for site in ("north", "south"):
        answer(capsys, "dataset", str(tmp_path), "--site", site, "--bench", str(bench))
    text = (Path(__file__).parent.parent / "docs" / "fleet.md").read_text("utf-8")
    blocks = text[text.index("    CREATE VIEW") :].replace("PLACE", str(tmp_path)).split(";\n")
    view, by_bench, by_batch, by_end = (block for block in blocks if "SELECT" in block)
    with duckdb.connect() as shell:
        shell.execute(view)
        ((name, month, n, mean, sd),) = shell.execute(by_bench).fetchall()
        assert (name, month, n) == ("north-1", "2026-02", 8)
        assert shell.execute(by_batch.replace("n >= 8", "n >= 4")).fetchall()[0][1] == 4
        assert shell.execute(by_end).fetchall() == [("completed", None, 8)]
    words = ("qa", "--profile", "tiny-build", "--dataset", str(tmp_path), "--bench", str(bench))
    found = answer(capsys, *words)[1]["metrics"]["load.die_temp_c.rise"]
    assert (mean, sd) == (pytest.approx(found["mean"]), pytest.approx(found["sd"]))


def test_bad_places_and_files_get_one_sentence(bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def said(*words: str) -> str:
        assert cli.run([*words, "--bench", str(bench)]) == 2
        return capsys.readouterr().err

    assert "no name of a site" in said("dataset", str(tmp_path), "--site", "a/../b")
    assert "there is no dataset" in said("qa", "--profile", "tiny-build", "--dataset", str(tmp_path / "nothing"))
    (tmp_path / "site=x/month=2026-02").mkdir(parents=True)
    (tmp_path / "site=x/month=2026-02/torn.parquet").write_bytes(b"PAR1 torn")
    assert "cannot be read" in said("qa", "--profile", "tiny-build", "--dataset", str(tmp_path))
    assert "is no day" in said("qa", "--profile", "tiny-build", "--since", "soon")


def test_an_object_store_gets_each_file_whole(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # fsspec's own store in memory: no rename, a file appears with one upload, as on an object store.
    import fsspec

    system = fsspec.filesystem("memory")
    place = "memory://fleet-test"
    first = answer(capsys, "dataset", place, "--site", "north", "--bench", str(bench))[1]
    assert len(first["written"]) == 1
    pipe = type(system).pipe_file

    def broken(self: Any, path: str, value: bytes, **kwargs: Any) -> None:
        raise OSError("the link is gone")

    before = system.cat_file(f"/fleet-test/{first['written'][0]}")
    other = Bench(root=bench)
    write_record(other.root / "runs", 70, unit="unit-late", facts={"batch": "week-15", "bench": "north-1"})
    monkeypatch.setattr(type(system), "pipe_file", broken)
    assert cli.run(["dataset", place, "--site", "north", "--bench", str(bench)]) == 2
    assert "the link is gone" in capsys.readouterr().err
    monkeypatch.setattr(type(system), "pipe_file", pipe)
    assert system.cat_file(f"/fleet-test/{first['written'][0]}") == before
    assert answer(capsys, "dataset", place, "--site", "north", "--bench", str(bench))[1]["runs"] == 9
    words = ("qa", "--profile", "tiny-build", "--dataset", place, "--bench", str(bench))
    assert answer(capsys, *words)[1]["units"] == 9


def test_what_has_not_changed_is_not_made_again_and_what_was_overtaken_goes(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from verifyrig.qa.dataset.schema import bytes_of

    words = ("dataset", str(tmp_path), "--site", "north", "--bench", str(bench))
    first = answer(capsys, *words)[1]
    folder = (tmp_path / first["written"][0]).parent
    made: list[Any] = []

    def making(table: Any) -> bytes:
        made.append(table)
        return bytes_of(table)

    monkeypatch.setattr("verifyrig.qa.dataset.write.bytes_of", making)
    assert answer(capsys, *words)[1]["unchanged"] == first["written"] and not made

    # As after a change of the analysis: the same runs stand in a file of another set of metrics.
    (folder / "north-1-00000000.parquet").write_bytes((tmp_path / first["written"][0]).read_bytes())
    # And this month's records are no longer here, as where a disk is not mounted.
    gone = folder.parent / "month=2025-12"
    gone.mkdir()
    write_record(bench / "runs", 80, unit="gone", facts={"bench": "north-1"})
    answer(capsys, "dataset", str(bench.parent / "other"), "--site", "north", "--bench", str(bench))
    other = next((bench.parent / "other").rglob("*.parquet"))
    (gone / other.name).write_bytes(other.read_bytes())
    next((bench / "runs").glob("*-080120-test.sqlite")).unlink()
    listed = json.loads((tmp_path / "site=north/north-1.files.json").read_text())["files"]
    more = ["month=2026-02/north-1-00000000.parquet", f"month=2025-12/{other.name}"]
    (tmp_path / "site=north/north-1.files.json").write_text(json.dumps({"files": [*listed, *more]}))
    again = answer(capsys, *words)[1]
    assert again["removed"] == ["site=north/month=2026-02/north-1-00000000.parquet"]
    assert (gone / other.name).is_file() and not (folder / "north-1-00000000.parquet").exists()
    # Whoever removes it by hand may ask all the same, and the next export strikes it off the list.
    (gone / other.name).unlink()
    asked = ("qa", "--profile", "tiny-build", "--dataset", str(tmp_path), "--bench", str(bench))
    assert answer(capsys, *asked)[1]["units"] == again["runs"]
    answer(capsys, *words)
    assert json.loads((tmp_path / "site=north/north-1.files.json").read_text())["files"] == listed
    nobody = answer(capsys, *asked, "--table", "--batch", "no such batch")
    assert nobody[0] == 4 and nobody[1]["units"] == 0 and nobody[1]["verdict"] == "not-measured"
