"""Import of a CSV from any logger: what it says comes in unchanged, what it does not say is never made up."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from verifyrig.commands import cli
from verifyrig.core.errors import ImportFault, UsageError
from verifyrig.files.csv_cells import Decimals, decimals_of, smallest_step
from verifyrig.files.csv_table import decode, read_table
from verifyrig.files.csv_times import times_of
from verifyrig.record import read_trace
from verifyrig.record.check import check_record
from verifyrig.runs.csv_import import samples_of
from verifyrig.runs.import_words import TimeWords, parse_channel_word, parse_stage_words

PLAIN = "t,die,power\n0,40.5,20\n1,41.0,60\n2,41.5,61\n3,42.0,60\n"
BASE = ["--time", "t", "--channel", "die_temp_c=die", "--stage", "load=0:4"]


def bring(
    tmp_path: Path, text: str | bytes, *words: str, capsys: pytest.CaptureFixture[str]
) -> tuple[int, dict[str, Any]]:
    file = tmp_path / "log.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    code = cli.run(["import", str(file), *words, "--bench", str(tmp_path / "bench"), "--json"])
    return code, json.loads(capsys.readouterr().out)


def values(text: str, *words: str, time: str = "t") -> dict[str, list[float]]:
    channels = [parse_channel_word(word) for word in words]
    table = read_table(text, [time, *(c.column for c in channels)], [], "log.csv")
    samples = samples_of(table, TimeWords(column=time), channels)
    return {"t_s": samples.t_s.tolist(), **{name: column.tolist() for name, column in samples.columns.items()}}


def test_a_plain_file_becomes_a_sealed_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = [*BASE, "--channel", "package_power_w=power:W", "--ambient", "22±0.5"]
    code, answer = bring(tmp_path, PLAIN, *words, capsys=capsys)
    assert code == 0
    assert (answer["outcome"], answer["purpose"], answer["profile"]) == ("completed", "check", None)
    assert answer["thresholds"] == [] and answer["verdict"] == "not-measured"
    trace = read_trace(Path(answer["record"]))
    assert trace.t_s.tolist() == [0, 1, 2, 3]
    assert trace.columns["die_temp_c"].tolist() == [40.5, 41.0, 41.5, 42.0]
    assert trace.columns["package_power_w"].tolist() == [20, 60, 61, 60]
    assert trace.facts["ambient"] == {"value_c": 22.0, "u95_k": 0.5, "source": "typed"}
    assert trace.facts["simulated"] is False and trace.facts["imported"]["file"] == "log.csv"
    check = check_record(Path(answer["record"]))
    assert check.sealed and check.whole


def test_the_end_of_a_stage_is_exclusive_and_shows_as_it_was_typed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--time", "t", "--channel", "die_temp_c=die", "--stage", "idle=0:2", "--stage", "hot:load=2:"]
    _, answer = bring(tmp_path, PLAIN, *words, capsys=capsys)
    assert [(s["name"], s["kind"], s["start_s"], s["end_s"], s["ended"]) for s in answer["stages"]] == [
        ("idle", "idle", 0, 2, "time"),
        ("hot", "load", 2, 3, "time"),
    ]
    trace = read_trace(Path(answer["record"]))
    idle, hot = trace.stages
    assert trace.t_s[trace.within(idle)].tolist() == [0, 1]
    assert trace.t_s[trace.within(hot)].tolist() == [2, 3]


def test_a_log_that_ends_in_darkness_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, answer = bring(tmp_path, PLAIN, *BASE, "--ended", "power-off", capsys=capsys)
    assert code == 0
    assert answer["outcome"] == "interrupted" and answer["cause"]["class"] == "power-off"
    assert answer["stages"][0]["ended"] == "interrupted" and answer["stages"][0]["end_s"] == 3


# Fixed points by definition (SI brochure, 9th edition: 0 °C = 273.15 K; °F from the ice and steam points 32 and 212).
@pytest.mark.parametrize(
    ("unit", "cell", "expected_c"),
    [
        ("°F", "212", 100.0),
        ("F", "32", 0.0),
        ("F", "-40", -40.0),
        ("K", "373.15", 100.0),
        ("°C", "100", 100.0),
        ("m°C", "45250", 45.25),
    ],
)
def test_temperatures_come_in_any_unit(unit: str, cell: str, expected_c: float) -> None:
    got = values(f"t,x\n0,{cell}\n", f"die_temp_c=x:{unit}")
    assert got["die_temp_c"] == pytest.approx([expected_c], abs=1e-9)


@pytest.mark.parametrize(
    ("word", "cell", "expected"),
    [
        ("rail_12v_v=x:mV", "11975", 11.975),
        ("package_power_w=x:mW", "65250", 65.25),
        ("busy_share=x:%", "50", 0.5),
        ("core_clock_mhz=x:GHz", "4.2", 4200.0),
        ("cpu_fan_speed_rpm=x:1/s", "20", 1200.0),
        ("package_power_w=x", "73.41 W", 73.41),
        ("busy_share=x", "25 %", 0.25),
        ("die_temp_c=x", "212 °F", 100.0),
    ],
)
def test_other_quantities_come_in_any_unit_named_on_the_line_or_in_the_cell(
    word: str, cell: str, expected: float
) -> None:
    got = values(f"t,x\n0,{cell}\n", word)
    assert list(got.values())[1] == pytest.approx([expected])


def test_decimal_commas_are_understood_with_semicolons_and_in_quotes() -> None:
    assert values("t;x\n0,0;23,5\n0,5;24,125\n", "die_temp_c=x") == {"t_s": [0, 0.5], "die_temp_c": [23.5, 24.125]}
    assert values('t,x\n"0,0","23,5"\n"0,5","24,25"\n', "die_temp_c=x")["die_temp_c"] == [23.5, 24.25]
    assert values("t\tx\n0\t1.234,5\n1\t999,5\n", "cpu_fan_speed_rpm=x")["cpu_fan_speed_rpm"] == [1234.5, 999.5]
    assert values('t,x\n0,"1,234.5"\n1,"12"\n', "cpu_fan_speed_rpm=x")["cpu_fan_speed_rpm"] == [1234.5, 12]


def test_a_number_that_can_be_read_in_two_ways_is_refused_with_its_place() -> None:
    with pytest.raises(ImportFault, match=r"row 3, column 'x'.*two ways"):
        values('t,x\n0,"900"\n1,"1,234"\n', "cpu_fan_speed_rpm=x")
    assert decimals_of(["1,234"], ";") == Decimals(comma=True, grouped=False)


def test_rows_above_the_head_quoted_cells_and_empty_lines_do_no_harm() -> None:
    text = 'Logger 7, invented\nserial,"a ""quoted"" one"\n\n"t","die, left",note\n0,40,"two\nlines"\n\n1,41,\n'
    assert values(text, "die_temp_c=die, left") == {"t_s": [0, 1], "die_temp_c": [40, 41]}


@pytest.mark.parametrize("cell", ["", "NaN", "N/A", "[N/A]", "--", "null", "[Not Supported]", "inf"])
def test_what_was_not_measured_is_a_gap_and_no_number(
    tmp_path: Path, cell: str, capsys: pytest.CaptureFixture[str]
) -> None:
    text = f"t,die\n0,40\n1,{cell}\n2,42\n"
    _, answer = bring(tmp_path, text, *BASE, capsys=capsys)
    trace = read_trace(Path(answer["record"]))
    assert np.isnan(trace.columns["die_temp_c"][1]) and len(trace.t_s) == 3
    assert [(q.from_s, q.to_s, q.quality) for q in trace.qualities] == [(1, 1, "missing")]


def test_impossible_readings_are_kept_and_not_believed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, answer = bring(tmp_path, "t,die\n0,40\n1,-273.15\n2,42\n", *BASE, capsys=capsys)
    trace = read_trace(Path(answer["record"]))
    assert trace.columns["die_temp_c"][1] == -273.15 and np.isnan(trace.usable("die_temp_c")[1])


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("t,die\n0,40\n1,forty\n", "row 3, column 'die'"),
        ("t,die\n0,40\nsoon,41\n", "row 3, column 't'"),
        ("t,die\n0,40\n5,41\n4,42\n", "row 4, column 't': the time goes back by 1 s"),
        ("t,die\n0,40\n1,41,7\n", "row 3: 3 cells"),
        ("t,die\n0,40\n2026-01-01T00:00:01,41\n", "seconds and dates are mixed"),
        ("t,die\n0,40 rpm\n", "row 2, column 'die'"),
        ("t,die\n", "no row below the head"),
        ("t,temp\n0,40\n", "no column 'die'"),
        ("t,die,die\n0,40,41\n", "2 columns are named 'die'"),
        ("t,die\n,40\n,41\n", "no row has a time"),
        ("", "no column"),
        ('t,die\n0,"40\n', ""),
        (b"\x00\x01\x02\xff" * 40, "no text"),
        ("t,die\n0,40\n0,41\n0,42\n0,43\n", "repeat the time"),
    ],
)
def test_a_fault_is_told_with_its_place(
    tmp_path: Path, text: str | bytes, place: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, answer = bring(tmp_path, text, *BASE, capsys=capsys)
    if place:
        assert code == 2 and place in f"{answer['error']['where']}: {answer['error']['what']}"
        assert answer["error"]["mend"]
        assert not (tmp_path / "bench" / "runs").exists()
    else:
        assert code in (0, 2)


def test_repeated_and_missing_times_of_a_stuttering_logger_are_left_out_and_counted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [f"{i},{40 + i}" for i in range(20)]
    rows.insert(5, "4,99")
    rows.insert(10, ",98")
    _, answer = bring(tmp_path, "t,die\n" + "\n".join(rows), *BASE, capsys=capsys)
    trace = read_trace(Path(answer["record"]))
    assert trace.t_s.tolist() == list(range(20)) and trace.columns["die_temp_c"].max() == 59
    assert trace.facts["imported"]["rows_left_out"] == {"no time": 1, "time repeated": 1}


def test_a_gap_stays_a_gap() -> None:
    assert values("t,x\n0,40\n1,41\n100,42\n", "die_temp_c=x")["t_s"] == [0, 1, 100]


# ISO 8601-1:2019: date and time with T or (by agreement) a space, fractions, Z or an offset.
@pytest.mark.parametrize(
    ("first", "second", "step_s"),
    [
        ("2026-03-01T14:05:00Z", "2026-03-01T14:05:01.500Z", 1.5),
        ("2026-03-01 14:05:00", "2026-03-01 14:05:02", 2.0),
        ("2026-03-01T14:05:00+01:00", "2026-03-01T13:05:01+00:00", 1.0),
        ("1772373900", "1772373903.25", 3.25),
        ("0.5", "1.75", 1.25),
    ],
)
def test_times_may_be_seconds_or_iso(first: str, second: str, step_s: float) -> None:
    got = values(f"t,x\n{first},40\n{second},41\n", "die_temp_c=x")
    assert got["t_s"] == pytest.approx([0.0, step_s], abs=1e-6)


def test_an_iso_time_with_an_offset_is_that_moment_in_utc() -> None:
    # 1970-01-02T00:00:00+01:00 is 23 hours after the origin of Unix time (POSIX.1).
    times = times_of(["1970-01-02T00:00:00+01:00"], Decimals(comma=False, grouped=False))
    assert times.seconds == (23 * 3600,) and times.dated


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_the_usual_encodings_are_read(encoding: str) -> None:
    assert "°C" in decode("t,temp °C\n0,40\n".encode(encoding), "log.csv")


@pytest.mark.parametrize(
    "words",
    [
        ["--channel", "cpu_temp=die"],
        ["--channel", "die_temp_c"],
        ["--channel", "die_temp_c=die:mV"],
        ["--stage", "load=3:3"],
        ["--stage", "warm=0:3"],
        ["--stage", "load=-1:3"],
        ["--stage", "load=a:b"],
        ["--stage", "Load=0:3"],
        ["--stage", "load=500:600"],
        ["--where", "t"],
        ["--where", "t=99"],
        ["--ambient", "warm"],
        ["--profile", "none-of-that-name"],
        ["--job", "none-of-that-name"],
        ["--ended", "somehow"],
    ],
)
def test_a_word_that_does_not_fit_is_refused(
    tmp_path: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    given = {w for w in words if w.startswith("--")}
    base = [w for pair in zip(BASE[::2], BASE[1::2], strict=True) if pair[0] not in given for w in pair]
    code, answer = bring(tmp_path, PLAIN, *base, *words, capsys=capsys)
    assert code == 2 and answer["error"]["what"] and answer["error"]["mend"]


def test_stages_must_not_overlap_or_share_a_name() -> None:
    with pytest.raises(UsageError, match="overlap"):
        parse_stage_words(["idle=0:10", "load=9:20"])
    with pytest.raises(UsageError, match="one name"):
        parse_stage_words(["load=0:10", "load=10:20"])


def test_per_cent_taken_for_a_share_is_refused() -> None:
    with pytest.raises(ImportFault, match=r":%"):
        values("t,x\n0,3\n1,97\n", "busy_share=x")


def test_only_the_rows_asked_for_are_kept_and_time_starts_with_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = "t,core,die\n10,0,40\n10,1,70\n11,0,41\n11,1,71\n"
    _, answer = bring(tmp_path, text, *BASE, "--where", "core=1", capsys=capsys)
    trace = read_trace(Path(answer["record"]))
    assert trace.t_s.tolist() == [0, 1] and trace.columns["die_temp_c"].tolist() == [70, 71]


def test_a_coarse_sensor_is_known_by_its_step() -> None:
    assert smallest_step([38.628, 39.166, 39.704, 40.242, 39.166]) == pytest.approx(0.538, abs=1e-6)
    assert smallest_step([1.0, 2.0]) is None


def test_thresholds_come_from_a_profile_that_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = "\n".join(f"{i},{40 + (i > 2) * 20}" for i in range(60))
    words = ["--time", "t", "--channel", "die_temp_c=die", "--stage", "pulses:load=0:60", "--profile", "quick-look"]
    code, answer = bring(tmp_path, "t,die\n" + rows, *words, capsys=capsys)
    assert code == 0 and answer["profile"] == "quick-look" and answer["thresholds"]


def test_a_real_log_of_a_board_comes_in(tmp_path: Path, shared_dir: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = (shared_dir / "traces" / "board_solid_top.csv").read_bytes()
    words = ["--time", "datetime", "--channel", "die_temp_c=temp", "--channel", "busy_share=usage:%"]
    code, answer = bring(tmp_path, data, *words, "--stage", "idle=0:15", capsys=capsys)
    assert code == 0
    trace = read_trace(Path(answer["record"]))
    # The README beside the trace: 1.0028 s, temperature steps of 0.538 °C.
    assert trace.facts["period_s"] == pytest.approx(1.0028, abs=0.001)
    assert trace.facts["channels"]["die_temp_c"]["resolution"] == pytest.approx(0.538, abs=0.002)
    assert trace.run_id.startswith("20200807-062907-")


def test_several_machines_below_one_another_are_told_apart(
    tmp_path: Path, shared_dir: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = (shared_dir / "traces" / "eight_gpus_idle_to_load.csv").read_bytes()
    words = ["--time", "timestamp", "--channel", "gpu_temp_c=temperature_C", "--stage", "idle=0:15"]
    code, answer = bring(tmp_path, data, *words, capsys=capsys)
    assert code == 2 and "--where" in answer["error"]["mend"]
    code, answer = bring(tmp_path, data, *words, "--where", "gpu_index=3", capsys=capsys)
    assert code == 0 and read_trace(Path(answer["record"])).columns["gpu_temp_c"][0] == 23
