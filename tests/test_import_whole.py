"""An import comes in whole or not at all, and a record with which this program fails takes no bench down."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.forked import forked
from tests.small_records import PROFILE_TEXT, write_record
from verifyrig.commands import cli
from verifyrig.core.trace import Trace

CHANNELS = {
    "die_temp_c": st.floats(-20.0, 110.0),
    "coolant_temp_c": st.sampled_from([30.0, 30.0, 31.0]),
    "ambient_temp_c": st.floats(15.0, 35.0),
    "package_power_w": st.sampled_from([0.0, 10.0, 100.0]),
    "busy_share": st.sampled_from([0.0, 0.5, 1.0]),
    "work_rate_per_s": st.sampled_from([0.0, 100.0]),
    "rail_12v_v": st.sampled_from([0.0, 12.0]),
    "throttle_count": st.sampled_from([0.0, 1.0]),
}


def process(*words: str) -> tuple[int, str, str]:
    """What a process of its own answers: exit code, stdout, stderr."""
    done = forked().run(list(words), Path.cwd())
    return done.returncode, done.stdout.decode(), done.stderr.decode()


def ask(bench: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    code = cli.run([*words, "--json", "--bench", str(bench)])
    return code, json.loads(capsys.readouterr().out)


def every(period_s: float, rows: int) -> list[float]:
    return [i * period_s for i in range(rows)]


@pytest.mark.parametrize(
    "times_s",
    [every(600, 12), every(1_000, 300), [*every(1, 600), 2_500.0]],
    ids=["every-ten-minutes", "milliseconds-taken-for-seconds", "ends-after-a-gap"],
)
def test_a_slow_log_leaves_a_bench_that_works(tmp_path: Path, times_s: list[float]) -> None:
    log, bench = tmp_path / "slow.csv", tmp_path / "bench"
    log.write_text("t,die,loop\n" + "".join(f"{t},{40 + i % 3},{30 + i % 2}\n" for i, t in enumerate(times_s)))
    words = ["--time", "t", "--channel", "die_temp_c=die", "--channel", "coolant_temp_c=loop", "--stage", "load=0:"]
    code, out, err = process("import", str(log), *words, "--bench", str(bench), "--json")
    assert code == 0, out + err
    for more in (["runs"], ["metrics", "last"], ["report", "last", "--out", str(tmp_path / "page.html")]):
        code, out, err = process(*more, "--bench", str(bench))
        assert code == 0, out + err


def test_a_step_of_which_one_reading_was_seen_comes_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    times_s = [*range(8), 108, *range(210, 2_600, 10)]
    rows = "".join(f"{t},{40 if t < 8 else 65 if t < 200 else 70 + t % 20 / 20}\n" for t in times_s)
    (tmp_path / "log.csv").write_text("t,die\n" + rows)
    words = ["--time", "t", "--channel", "die_temp_c=die", "--stage", "load=0:", "--ambient", "22"]
    code, answer = ask(tmp_path, capsys, "import", str(tmp_path / "log.csv"), *words)
    assert code == 0, answer
    assert answer["metrics"]["load.die_temp_c.settled"]["value"] == pytest.approx(70.25, abs=0.3)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_whatever_a_log_holds_it_comes_in_or_is_refused_and_leaves_nothing_that_fails(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    tmp = tmp_path_factory.mktemp("any")
    steps = data.draw(st.lists(st.sampled_from([0.01, 1.0, 60.0, 600.0, 5_000.0]), min_size=1, max_size=25))
    names = data.draw(st.lists(st.sampled_from(list(CHANNELS)), min_size=1, max_size=4, unique=True))
    cells = [[data.draw(st.one_of(st.just(""), CHANNELS[name].map(str))) for name in names] for _ in steps]
    at_s, rows = 0.0, []
    for step_s, row in zip(steps, cells, strict=True):
        rows.append(",".join([f"{at_s}", *row]))
        at_s += step_s
    ends = [round(at_s * part, 3) for part in data.draw(st.sampled_from([(0.1, 0.9), (0.3, 0.5), (0.8, 0.9)]))]
    stages = [f"idle=0:{ends[0]}", f"load={ends[0]}:{ends[1]}", f"cooldown={ends[1]}:"]
    (tmp / "log.csv").write_text(",".join(["t", *names]) + "\n" + "\n".join(rows))
    words = ["import", str(tmp / "log.csv"), "--time", "t", "--bench", str(tmp), "--json", "--ambient", "22"]
    words += [word for name in names for word in ("--channel", f"{name}={name}")]
    words += [word for stage in stages[: data.draw(st.integers(1, 3))] for word in ("--stage", stage)]
    code = cli.run(words)
    assert code in (0, 2)
    assert cli.run(["runs", "--bench", str(tmp), "--json"]) == 0


@pytest.mark.parametrize("year", ["0001", "4000"])
def test_what_no_record_may_hold_leaves_nothing_behind(
    tmp_path: Path, year: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "log.csv").write_text(f"t,power\n{year}-01-01T00:00:00,20\n{year}-01-01T00:00:01,20\n")
    words = ["--time", "t", "--channel", "package_power_w=power", "--stage", "load=0:"]
    code, answer = ask(tmp_path, capsys, "import", str(tmp_path / "log.csv"), *words)
    assert code == 2 and answer["error"]["mend"]
    assert not list(tmp_path.glob("runs/*"))


# ---- a record with which this program fails


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Three records of a job, and three of none; computing fails with the first of each."""
    folder = tmp_path / "bench"
    (folder / "profiles").mkdir(parents=True)
    (folder / "profiles" / "tiny-build.toml").write_text(PROFILE_TEXT, encoding="utf-8")
    assert (
        cli.run(["job", "open", "--bench", str(folder), "--complaint", "hot", "--kind", "desktop-air", "--id", "job-1"])
        == 0
    )
    for number in range(3):
        write_record(folder / "runs", number)
        write_record(folder / "jobs" / "job-1" / "runs", 10 + number, facts={"job": "job-1"})
    sound = Trace.without_dips

    def failing(trace: Trace) -> Trace:
        if trace.run_id in ("20260202-080000-test", "20260202-080010-test"):
            raise ZeroDivisionError("invented fault")
        return sound(trace)

    monkeypatch.setattr(Trace, "without_dips", failing)
    return folder


def test_the_list_names_it_with_its_reason_and_the_rest_is_there(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    code, answer = ask(bench, capsys, "runs")
    rows = {row["run"]: row for row in answer["runs"]}
    assert code == 0 and len(rows) == 6
    bad, good = rows["20260202-080000-test"], rows["20260202-080001-test"]
    assert "invented fault" in bad["note"] and bad["verdict"] == "not-measured" and bad["integrity"] == "sealed"
    assert bad["unit"] == "unit-00" and bad["outcome"] == "completed" and bad["started"]
    assert "note" not in good and good["verdict"] == "pass"


@pytest.mark.parametrize("words", [("metrics", "20260202-080000"), ("compare", "20260202-080000", "20260202-080001")])
def test_who_names_it_is_told_which_one_it_is(
    bench: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    capsys.readouterr()
    code, answer = ask(bench, capsys, *words)
    assert code == 5 and "20260202-080000-test" in answer["error"]["where"]
    assert "invented fault" in answer["error"]["what"]


def test_qa_leaves_it_out_by_name(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    _, answer = ask(bench, capsys, "qa", "--profile", "tiny-build")
    left_out = {one["run"]: one["why"] for one in answer["left_out"]}
    assert set(left_out) == {"20260202-080000-test", "20260202-080010-test"}
    assert all("invented fault" in why for why in left_out.values()) and answer["units"] >= 2


@pytest.mark.parametrize("words", [("job", "show", "job-1"), ("diagnose",), ("report", "job-1"), ("compare",)])
def test_the_job_works_without_it(bench: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]) -> None:
    capsys.readouterr()
    code, answer = ask(bench, capsys, *words)
    if words == ("compare",):  # the first run of the job is the one
        assert code == 5 and "20260202-080010-test" in answer["error"]["where"]
        return
    assert code in (0, 4)
    told = json.dumps(answer) + (bench / "reports" / "job-1.html").read_text() if words[0] == "report" else str(answer)
    assert "20260202-080010-test" in told
    if words[0] != "job":
        assert "invented fault" in told


def test_one_that_broke_off_keeps_no_command_from_its_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every command looks at the start for runs that broke off."""

    def failing(*_: object, **__: object) -> None:
        raise ZeroDivisionError("invented fault")

    write_record(tmp_path / "runs", 0, close=False)
    write_record(tmp_path / "runs", 1)
    monkeypatch.setattr("verifyrig.runs.unfinished._notice", failing)
    code, answer = ask(tmp_path, capsys, "runs")
    assert code == 0 and len(answer["runs"]) == 2


def test_an_import_with_which_this_program_fails_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def failing(_: Trace) -> Trace:
        raise ZeroDivisionError("invented fault")

    monkeypatch.setattr(Trace, "without_dips", failing)
    (tmp_path / "log.csv").write_text("t,die\n0,40\n1,41\n")
    words = ["--time", "t", "--channel", "die_temp_c=die", "--stage", "load=0:"]
    code, answer = ask(tmp_path, capsys, "import", str(tmp_path / "log.csv"), *words)
    assert code == 5 and "log.csv" in answer["error"]["where"] and "invented fault" in answer["error"]["what"]
    assert not list(tmp_path.glob("runs/*")) and not list(tmp_path.glob("runs/.*"))
