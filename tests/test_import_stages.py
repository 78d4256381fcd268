"""Imports use their stages: when a machine was loaded is taken from its log, else from the kinds of its stages."""

from __future__ import annotations

import csv
import json
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifyrig.analysis.results import Forecast
from verifyrig.analysis.settled import settled_value
from verifyrig.commands import cli
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.reason import Reason
from verifyrig.core.trace import FloatArray, StageSpan
from verifyrig.record import read_trace
from verifyrig.runs.derived_load import derived_load
from verifyrig.runs.import_words import StagePart, parse_stage_words

# ---- what the load is derived from


def seconds(count: int) -> FloatArray:
    return np.arange(count, dtype=np.float64)


def share_of(columns: dict[str, FloatArray], *stages: str) -> tuple[list[float | None], str]:
    share, source = derived_load(seconds(len(next(iter(columns.values())))), columns, parse_stage_words(stages))
    return [None if np.isnan(x) else float(x) for x in share], source


def test_without_a_column_that_tells_the_kinds_of_the_stages_decide() -> None:
    share, source = share_of({"die_temp_c": np.full(12, 40.0)}, "idle=2:4", "hot:load=4:7", "cooldown=7:9")
    assert share == [None, None, 0, 0, 1, 1, 1, 0, 0, None, None, None] and source == "stages"


def test_some_samples_between_two_stages_go_with_the_one_before() -> None:
    share, _ = share_of({"die_temp_c": np.full(9, 40.0)}, "idle=0:3", "load=4:7", "cooldown=8:9")
    assert share == [0, 0, 0, 0, 1, 1, 1, 1, 0]


def test_a_busy_share_tells_outside_of_the_stages_too() -> None:
    busy = np.array([0.02] * 5 + [0.98] * 5 + [0.03] * 5 + [1.0] * 5)
    assert share_of({"busy_share": busy}, "load=5:10") == ([0] * 5 + [0.98] * 5 + [0] * 5 + [1] * 5, "busy_share")


def test_power_tells_where_no_busy_share_does() -> None:
    power = np.array([20.0] * 5 + [100.0] * 5 + [21.0] * 5)
    share, source = share_of({"package_power_w": power}, "idle=0:5", "load=5:10", "cooldown=10:15")
    assert (
        source == "package_power_w"
        and [x > 0 for x in share if x is not None] == [False] * 5 + [True] * 5 + [False] * 5
    )
    # A machine that throttles takes less power under the same load.
    power[7:10] = 55.0
    assert share_of({"package_power_w": power}, "idle=0:5", "load=5:10", "cooldown=10:15")[0][9] != 0


def test_a_column_that_does_not_follow_the_stages_tells_nothing() -> None:
    still = np.array([0.03, 0.05] * 8)  # the load was on the card
    share, source = share_of({"busy_share": still}, "idle=0:5", "load=5:11", "cooldown=11:16")
    assert source == "stages" and share == [0] * 5 + [1] * 6 + [0] * 5
    both = {"busy_share": still, "gpu_busy_share": np.array([0.0] * 5 + [1.0] * 6 + [0.0] * 5)}
    assert share_of(both, "idle=0:5", "load=5:11", "cooldown=11:16")[1] == "gpu_busy_share"


def test_a_stage_that_the_log_contradicts_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    on = [10 <= t < 50 for t in range(80)]
    (tmp_path / "log.csv").write_text("t,die,busy\n" + "".join(f"{t},40,{97 * o}\n" for t, o in enumerate(on)))
    words = ["import", str(tmp_path / "log.csv"), "--time", "t", "--channel", "die_temp_c=die"]
    words += ["--channel", "busy_share=busy:%", "--stage", "idle=0:10", "--stage", "load=10:30"]
    words += ["--stage", "cooldown=30:80"]
    assert ask(tmp_path, capsys, *words)["imported"]["stages_contradicted"] == {"cooldown": 20.0}
    assert cli.run([*words, "--bench", str(tmp_path)]) == 0
    assert "Stage cooldown was named otherwise: the log shows load for 20 s of it." in capsys.readouterr().out


def test_pulses_are_found_in_their_stage() -> None:
    busy = np.array([0.02] * 60 + ([0.27] * 5 + [0.03] * 55) * 3)
    share, source = share_of({"busy_share": busy}, "idle=0:60", "pulses:load=60:240")
    assert source == "busy_share" and share == [0] * 60 + ([0.27] * 5 + [0] * 55) * 3


def test_a_moment_of_another_program_is_no_load_and_a_gap_no_end_of_one() -> None:
    busy = np.array([0.0, 0.0, 0.9, 0.0, 0.0, 0.0] + [1.0, 1.0, np.nan, np.nan, 1.0, 0.1, 1.0, 1.0] + [0.0] * 4)
    share, _ = share_of({"busy_share": busy}, "idle=0:6", "load=6:14", "cooldown=14:18")
    assert share == [0] * 6 + [1] * 8 + [0] * 4


def test_a_step_just_before_its_stage_belongs_to_it() -> None:
    busy = np.array([0.0] * 8 + [1.0] * 10 + [0.0] * 8)
    share, _ = share_of({"busy_share": busy}, "idle=0:10", "load=10:20", "cooldown=20:26")
    assert share == [0] * 10 + [1] * 10 + [0] * 6


@settings(max_examples=100, deadline=None)
@given(
    lengths=st.lists(st.integers(4, 60), min_size=2, max_size=12),
    noise=st.integers(0, 2**32 - 1),
    low=st.floats(0.0, 0.2),
    high=st.floats(0.6, 1.0),
)
def test_a_load_with_noise_on_it_is_found_again(lengths: list[int], noise: int, low: float, high: float) -> None:
    on = np.concatenate([np.full(length, at % 2 == 1) for at, length in enumerate(lengths)])
    rng = np.random.default_rng(noise)
    busy = np.clip(np.where(on, high, low) + rng.uniform(-0.08, 0.08, len(on)), 0.0, 1.0)
    edges = np.cumsum([0, *lengths])
    stages = [
        StagePart(name=f"s{at}", kind="load" if at % 2 else "idle", start_s=float(a), end_s=float(b))
        for at, (a, b) in enumerate(pairwise(edges))
    ]
    share, source = derived_load(seconds(len(on)), {"busy_share": busy}, stages[:2])
    assert source == "busy_share" and ((share > 0) == on).all()
    assert (derived_load(seconds(len(on)), {}, stages).share == on).all()


# ---- figures


def ask(bench: Path, capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    code = cli.run([*words, "--bench", str(bench), "--json"])
    assert code in (0, 4)
    return json.loads(capsys.readouterr().out)


def course(t_s: FloatArray, on_s: float, off_s: float) -> FloatArray:
    """A machine of two time constants, 8 and 120 s, closed form: 30 °C idle, 12 and 28 K above it under load."""
    rise = np.zeros(len(t_s))
    for gain_k, tau_s in ((12.0, 8.0), (28.0, 120.0)):
        rise += gain_k * (1 - np.exp(-np.clip(t_s - on_s, 0, None) / tau_s))
        rise -= gain_k * (1 - np.exp(-np.clip(t_s - off_s, 0, None) / tau_s))
    return np.asarray(30.0 + rise)


@pytest.mark.parametrize("more", ["", "busy", "power"])
def test_load_and_cooldown_of_a_log_without_a_load_end_where_they_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: str
) -> None:
    """Everything before the step counted as rest, and a cooldown as loaded: "132 ± 6 232 °C" came of such logs."""
    t_s = np.arange(0.0, 700.0)
    temp_c = course(t_s, 100.0, 400.0) + np.random.default_rng(3).normal(0.0, 0.15, len(t_s))
    on = (t_s >= 100) & (t_s < 400)
    rows = [f"{t:.0f},{c:.2f},{98 if o else 2},{90 if o else 15}" for t, c, o in zip(t_s, temp_c, on, strict=True)]
    (tmp_path / "log.csv").write_text("t,die,busy,power\n" + "\n".join(rows))
    words = ["import", str(tmp_path / "log.csv"), "--time", "t", "--channel", "die_temp_c=die", "--ambient", "22±1"]
    words += ["--channel", "busy_share=busy:%"] if more == "busy" else []
    words += ["--channel", "package_power_w=power"] if more == "power" else []
    stages = ["--stage", "idle=0:100", "--stage", "load=100:400", "--stage", "cooldown=400:"]
    answer = ask(tmp_path, capsys, *words, *stages)
    assert answer["imported"]["load_from"] == {"": "stages", "busy": "busy_share", "power": "package_power_w"}[more]
    for stage, end_c in (("load", 70.0), ("cooldown", 30.0)):
        metric = answer["metrics"][f"{stage}.die_temp_c.settled"]
        assert abs(metric["value"] - end_c) <= metric["u95"] <= 8.0


class Cycle(NamedTuple):
    """One heating of a board with the cooldowns before and after it: first and last row of each."""

    before: tuple[int, int]
    load: tuple[int, int]
    cooldown: tuple[int, int]


class Board(NamedTuple):
    rows: list[str]
    at_s: FloatArray
    cycles: list[Cycle]


def board(path: Path) -> Board:
    from datetime import datetime

    lines = path.read_text(encoding="utf-8").splitlines()
    found = list(csv.DictReader(lines))
    times = np.array([datetime.fromisoformat(row["datetime"]).timestamp() for row in found])
    kinds = [row["obs_type"] for row in found]
    marks = [0, *(i for i in range(1, len(kinds)) if kinds[i] != kinds[i - 1]), len(kinds)]
    spans = [(a, b) for a, b in pairwise(marks) if kinds[a] in ("warmup", "cooldown")]
    cycles = [
        Cycle(*three) for three in zip(spans, spans[1:], spans[2:], strict=False) if kinds[three[1][0]] == "warmup"
    ]
    return Board(lines[1:], times - times[0], cycles)


def stage_words(found: Board, cycle: Cycle, first: int, suffix: str = "") -> list[str]:
    words = []
    for name, kind, (a, b) in zip(("before", "load", "cooldown"), ("cooldown", "load", "cooldown"), cycle, strict=True):
        start_s, end_s = found.at_s[a] - found.at_s[first], found.at_s[b] - found.at_s[first]
        words += ["--stage", f"{name}{suffix}:{kind}={max(0.0, start_s - 0.01):.3f}:{end_s - 0.01:.3f}"]
    return words


WORDS = ("--time", "datetime", "--channel", "die_temp_c=temp")


def settled(answer: Any, stage: str) -> tuple[float, float]:
    metric = answer["metrics"][f"{stage}.die_temp_c.settled"]
    assert metric["value"] is not None, metric["note"]
    return metric["value"], metric["u95"]


def test_cycles_of_a_whole_file_give_the_figures_that_they_give_when_cut_out(
    tmp_path: Path, shared_dir: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two cases of one board, with a fan and without (16 and 14 K apart in the end), were told apart only when cut out.

    Cycles 2 and 8; the other ones were seen once by hand.
    """
    runs: dict[tuple[str, str, int], str] = {}
    for name in ("board_exhaust_fan", "board_solid_top"):
        path = shared_dir / "traces" / f"{name}.csv"
        found = board(path)
        for number in (2, 8):
            cycle = found.cycles[number]
            cut = tmp_path / f"{name}-{number}.csv"
            rows = found.rows[cycle.before[0] : cycle.cooldown[1]]
            cut.write_text("datetime,obs_type,usage,temp\n" + "\n".join(rows) + "\n")
            alone = ask(tmp_path, capsys, "import", str(cut), *WORDS, *stage_words(found, cycle, cycle.before[0]))
            whole = ask(tmp_path, capsys, "import", str(path), *WORDS, *stage_words(found, cycle, 0))
            for stage in ("load", "cooldown"):
                assert settled(whole, stage) == pytest.approx(settled(alone, stage), abs=0.05)
            runs[("cut", name, number)], runs[("whole", name, number)] = alone["run"], whole["run"]
    for how in ("cut", "whole"):
        for number in (2, 8):
            pair = [runs[(how, name, number)] for name in ("board_exhaust_fan", "board_solid_top")]
            differences = ask(tmp_path, capsys, "compare", *pair)["metrics"]
            for stage in ("load", "cooldown"):
                assert differences[f"{stage}.die_temp_c.settled"]["significant"] is True


def test_all_cycles_of_a_file_named_at_once_agree_with_one_another(
    tmp_path: Path, shared_dir: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The fan of the board was the same in all of its fifteen heatings: so are the ends that are stated of them."""
    path = shared_dir / "traces" / "board_exhaust_fan.csv"
    found = board(path)
    words = []
    for number, cycle in enumerate(found.cycles[:8]):
        words += stage_words(found, cycle, 0, f"-{number}")[2:] if number else stage_words(found, cycle, 0, "-0")
    answer = ask(tmp_path, capsys, "import", str(path), *WORDS, *words)
    for stage in ("load", "cooldown"):
        ends = [settled(answer, f"{stage}-{number}") for number in range(8)]
        middle = float(np.median([value for value, _ in ends]))
        assert sum(abs(value - middle) <= u95 for value, u95 in ends) >= 7 and max(u95 for _, u95 in ends) < 20.0


# ---- what nothing shows


def test_where_nothing_says_what_was_before_a_stage_it_is_said(
    tmp_path: Path, shared_dir: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = shared_dir / "traces" / "board_exhaust_fan.csv"
    words = ["import", str(path), *WORDS, "--stage", "load=1564:1863", "--stage", "late:cooldown=2330:2500"]
    without = ask(tmp_path, capsys, *words)
    assert without["imported"]["load_from"] == "stages"
    for stage in ("load", "late"):
        metric = without["metrics"][f"{stage}.thermal_impedance_5s"]
        assert metric["value"] is None and "cannot tell" in metric["note"]
    told = ask(tmp_path, capsys, *words, "--channel", "busy_share=usage:%")
    assert told["imported"]["load_from"] == "busy_share"
    assert "cannot tell" not in told["metrics"]["load.thermal_impedance_5s"]["note"]
    trace = read_trace(Path(without["record"]))
    assert trace.facts["channels"]["load_share"]["device"] == "derived"
    assert {q.note for q in trace.qualities if q.channel == "load_share"} == {"nothing shows the load here"}


def test_no_settled_value_is_stated_wider_than_a_sensor_reaches(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "log.csv").write_text("t,die\n" + "".join(f"{t},{40 + t % 2}\n" for t in range(120)))
    answer = ask(tmp_path, capsys, "import", str(tmp_path / "log.csv"), "--time", "t", "--channel", "die_temp_c=die",
                 "--stage", "load=0:")  # fmt: skip
    trace = read_trace(Path(answer["record"]))
    stage = StageSpan(name="load", kind=StageKind.LOAD, start_s=0.0, end_s=119.0, ended=StageEnd.TIME)
    cases = ((60.0, 80.0, True), (60.0, 128.0, False), (140.0, 20.0, False), (-40.0, 30.0, False))
    for value_c, u95_k, is_told in cases:
        wide = Forecast(settles_at_c=value_c, u95_k=u95_k, known=False, remaining_s=1.0, slow=False)
        monkeypatch.setattr("verifyrig.analysis.settled._ahead", lambda *_, wide=wide: wide)
        found = settled_value(trace, stage, "die_temp_c")
        assert isinstance(found, Reason) is not is_told
        assert not isinstance(found, Reason) or found.code == "cannot-tell-settled"
