"""Logs as loggers write them: every usual form of time, torn and ragged files; what may mean two things is asked."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifyrig.commands import cli
from verifyrig.core.errors import ImportFault
from verifyrig.files.csv_table import decode, read_table
from verifyrig.record import read_trace
from verifyrig.runs.csv_import import Imported, samples_of
from verifyrig.runs.import_words import parse_channel_word, parse_time_words


def read(text: str | bytes, **words: str | bool) -> Imported:
    """The samples of a log with a column `die`, as the words say where its times are."""
    named = {name: words.get(name) for name in ("time", "date", "order", "period", "started")}
    time = parse_time_words(**named)  # type: ignore[arg-type]
    data = text if isinstance(text, bytes) else text.encode()
    channel = parse_channel_word(f"die_temp_c={words.get('die', 'die')}")
    table = read_table(
        decode(data, "log.csv"),
        [*time.columns, channel.column],
        [],
        "log.csv",
        has_head=not words.get("no_head", False),
        went_dark=bool(words.get("went_dark", False)),
    )
    return samples_of(table, time, [channel])


def log(*times: str, head: str = "t") -> str:
    return f"{head};die\n" + "".join(f"{time};{40 + at}\n" for at, time in enumerate(times))


def bring(tmp_path: Path, text: str | bytes, *words: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, Any]:
    (tmp_path / "log.csv").write_bytes(text if isinstance(text, bytes) else text.encode())
    words = (*words, "--stage", "load=0:", "--bench", str(tmp_path), "--json")
    code = cli.run(["import", str(tmp_path / "log.csv"), *words])
    return code, json.loads(capsys.readouterr().out)


# ---- times

FORMS = [
    ("1.3.2026 14:05:03", "1.3.2026 14:05:05", 2.0),
    ("28.02.26, 23:59:59", "01.03.26, 00:00:00", 1.0),
    ("31/12/2026 23:59:59", "01/01/2027 00:00:01", 2.0),
    ("12/31/2026 11:59:59 PM", "1/1/2027 12:00:00 AM", 1.0),
    ("13-04-2026 02:00:00.250", "13-04-2026 02:00:01.500", 1.25),
    ("2026/03/01 14:05:03", "2026/03/01 14:06:03", 60.0),
    ("20260301 140503", "20260301T140504", 1.0),
    ("01-Mar-2026 14:05:03", "01-Mar-2026 14:05:04", 1.0),
    ("Mar 1, 2026 2:05:03 PM", "Mar 1, 2026 2:05:04 PM", 1.0),
    ("1. Dezember 2026 14:05:03", "1. Dezember 2026 14:05:04", 1.0),
    ("Sun Mar  1 14:05:03 2026", "Sun Mar  1 14:05:04 2026", 1.0),
    ("So., 01.03.2026 14:05:03", "So., 01.03.2026 14:05:04", 1.0),
    ("14:05:03 01.03.2026", "14:05:04 01.03.2026", 1.0),
    ("14:05:03", "14:05:04.5", 1.5),
    ("14:05:03,250", "14:05:04,000", 0.75),
    ("2:05:03 p.m.", "2:05:04 p.m.", 1.0),
    ("23:59:58", "00:00:01", 3.0),
    ("0:00:01", "100:00:03", 360_002.0),
    ("59:59", "1:00:00", 1.0),
    ("0:01.5", "0:02.75", 1.25),
    ("90:00", "90:01", 1.0),
    ("1 day, 0:00:01", "1 day, 0:00:02", 1.0),
    ("1772373900250", "1772373901750", 1.5),
    ("1772373900250000", "1772373900750000", 0.5),
]


@pytest.mark.parametrize(("first", "second", "step_s"), FORMS, ids=[form[0] for form in FORMS])
def test_times_are_read_as_they_are_written(first: str, second: str, step_s: float) -> None:
    samples = read(log(first, second), time="t")
    assert samples.t_s.tolist() == pytest.approx([0.0, step_s], abs=1e-6)
    assert samples.columns["die_temp_c"].tolist() == [40, 41]


def test_a_date_is_that_day() -> None:
    # ISO 8601 calendar dates, held against the standard library: 13 April 2026 in three ways of writing it.
    expected = datetime(2026, 4, 13, 2, tzinfo=UTC).timestamp()
    for text in ("13/04/2026 02:00:00", "04/13/2026 2:00:00 AM", "13.4.26 02:00:00", "13 April 2026 02:00:00"):
        assert read(log(text), time="t").start_utc_s == expected
    assert read(log("13.4.26 02:00:00+02:00"), time="t").start_utc_s == expected - 7200


@pytest.mark.parametrize("order", ["dmy", "mdy"])
def test_a_date_that_may_be_two_is_asked_for(order: str) -> None:
    text = log("03/04/2026 23:00:00", "03/04/2026 23:00:01")
    with pytest.raises(ImportFault, match=r"may be 3 April 2026 or 4 March 2026.*--date-order dmy or --date-order mdy"):
        read(text, time="t")
    expected = datetime(2026, 4, 3, 23, tzinfo=UTC) if order == "dmy" else datetime(2026, 3, 4, 23, tzinfo=UTC)
    assert read(text, time="t", order=order).start_utc_s == expected.timestamp()


def test_a_log_over_midnight_tells_its_order_itself() -> None:
    day_first = read(log("03/04/2026 23:59:59", "04/04/2026 00:00:00"), time="t")
    assert day_first.t_s.tolist() == [0, 1] and day_first.order == "dmy"
    month_first = read(log("03/04/2026 23:59:59", "03/05/2026 00:00:00"), time="t")
    assert month_first.t_s.tolist() == [0, 1] and month_first.order == "mdy"
    # Equal numbers mean one day in both orders.
    assert read(log("04/04/2026 00:00:00", "04/04/2026 00:00:05"), time="t").t_s.tolist() == [0, 5]


@pytest.mark.parametrize(
    ("times", "place"),
    [
        (("31/02/2026 00:00:00",), r"row 2.*'31/02/2026' is no date"),
        (("31/12/2026 00:00:00", "12/31/2026 00:00:01"), r"row 3.*does not stand in the order"),
        (("14:05:03", "14:65:03"), r"row 3.*no time of a clock"),
        (("14:05:03", "5"), r"row 3.*clock times and seconds are mixed"),
        (("15:00:00", "00:00:01"), r"goes back"),
        (("12:05", "12:06"), r"hours and minutes, or minutes and seconds.*--time t:hh:mm or --time t:mm:ss"),
        (("yesterday",), r"row 2.*is no time"),
        (("2e10", "3e10"), r"longer than any log"),
    ],
)
def test_times_that_cannot_be_read_are_refused_in_one_sentence(times: tuple[str, ...], place: str) -> None:
    with pytest.raises(ImportFault, match=place):
        read(log(*times), time="t")


def test_two_numbers_with_a_colon_are_what_somebody_says() -> None:
    text = log("12:05", "12:06")
    assert read(text, time="t:mm:ss").t_s.tolist() == [0, 1]
    assert read(text, time="t:hh:mm").t_s.tolist() == [0, 60]


def test_date_and_time_stand_in_two_columns() -> None:
    text = "day;clock;die\n28/02/2026;23:59:59;40\n;23:59:59.5;41\n01/03/2026;0:00:00;42\n"
    samples = read(text, time="clock", date="day")
    assert samples.t_s.tolist() == [0, 0.5, 1] and samples.order == "dmy"
    assert samples.start_utc_s == datetime(2026, 2, 28, 23, 59, 59, tzinfo=UTC).timestamp()
    assert read("day;clock;die\n20260301;140503;40\n20260301;140504;41\n", time="clock", date="day").t_s[1] == 1


def test_a_column_of_dates_alone_is_told_from_a_file_of_several_machines() -> None:
    with pytest.raises(ImportFault, match=r"column 't': it holds dates without a clock.*--date 't'.*--time"):
        read(log(*["14.04.2026"] * 10), time="t")


def test_numbers_have_the_unit_that_the_head_names() -> None:
    assert read(log("0", "500", head="elapsed [ms]"), time="elapsed [ms]").t_s.tolist() == [0, 0.5]
    assert read(log("0", "2", head="time_min"), time="time_min").t_s.tolist() == [0, 120]
    with pytest.raises(ImportFault, match="another unit of the time"):
        read(log("0", "500", head="elapsed (ms)"), time="elapsed (ms):min")


def test_without_times_the_period_counts() -> None:
    samples = read("die\n40\n41\n42\n", period="0.5")
    assert samples.t_s.tolist() == [0, 0.5, 1] and samples.start_utc_s is None
    torn = read(b"die\n40\n41\n4\x00\x00\x00\n50\n", period="2")
    assert torn.t_s.tolist() == [0, 2]  # how long it was dark nobody knows
    assert {one.why: (one.rows, one.first_row) for one in torn.left_out} == {"zero bytes": (1, 4), "no time": (1, 5)}


def test_a_start_may_be_told_where_the_log_names_no_date() -> None:
    began = "2026-03-01T14:05:00+01:00"
    assert read(log("0", "1"), time="t", started=began).start_utc_s == datetime.fromisoformat(began).timestamp()
    with pytest.raises(ImportFault, match="names its date itself"):
        read(log("2026-03-01 00:00:00"), time="t", started=began)


# ---- files


def test_without_a_head_columns_have_numbers() -> None:
    samples = read("0;x;40,5\n1;x;41,5\n", time="1", die="3", no_head=True)
    assert samples.t_s.tolist() == [0, 1] and samples.columns["die_temp_c"].tolist() == [40.5, 41.5]
    with pytest.raises(ImportFault, match="--no-head"):
        read("0;1;40\n1;1;41\n", time="t")
    with pytest.raises(ImportFault, match="no column 9"):
        read("0;40\n1;41\n", time="1", die="9", no_head=True)


def test_what_a_power_cut_left_is_taken_as_far_as_it_is_whole() -> None:
    data = b"t,die\n0,40\n1,41\n2,4" + b"\x00" * 4096 + b"\nt,die\n7,47\n8,48\n9,4"
    samples = read(data, time="t", went_dark=True)
    assert samples.t_s.tolist() == [0, 1, 7, 8] and samples.columns["die_temp_c"].tolist() == [40, 41, 47, 48]
    assert {one.why: (one.rows, one.first_row) for one in samples.left_out} == {
        "zero bytes": (1, 4),
        "head repeated": (1, 5),
        "half line": (1, 8),
    }
    assert samples.gaps == [(1, 7)]


def test_a_last_line_with_fewer_cells_and_no_end_is_a_half_one() -> None:
    samples = read("t,x,die\n0,1,40\n1,1,41\n2,1", time="t")
    assert samples.t_s.tolist() == [0, 1] and [one.why for one in samples.left_out] == ["half line"]
    assert read("t,die\n0,40\n1,41", time="t").t_s.tolist() == [0, 1]


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_text_of_two_bytes_a_sign_is_no_torn_file(encoding: str) -> None:
    assert read(log("0", "1", "2").encode(encoding), time="t").t_s.tolist() == [0, 1, 2]


def test_more_cells_than_names() -> None:
    every = read("t;die\n0;40,5;7;8\n1;41,5;7;8\n", time="t")
    assert every.columns["die_temp_c"].tolist() == [40.5, 41.5] and every.unnamed == 2
    rows = "".join(f"{at},{40 + at}.5\n" for at in range(20))
    single = read(f"t,die\n{rows}20,60.5,a note, with commas\n", time="t")
    assert len(single.t_s) == 20 and [(one.why, one.first_row) for one in single.left_out] == [("too many cells", 22)]
    with pytest.raises(ImportFault, match="Decimal commas"):
        read("t,die\n0,0,40,5\n0,5,41,5\n", time="t")
    with pytest.raises(ImportFault, match="Name the first column, or the last one"):
        read("t;die\n1;0.5;40\n2;1.0;41\n3;1.5;42\n", time="t")


def test_the_answer_says_what_is_not_in_the_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [f"{at},{'' if at == 3 else 40 + at}.0" for at in (0, 1, 2, 3, 4, 50, 51, 53)]
    rows[3], rows[6], rows[7] = "3,", "51,9999", "53,1e999"
    code, answer = bring(
        tmp_path, "t,die\n" + "\n".join(rows) + "\n,44.0\n", "--time", "t", "--channel", "die_temp_c=die", capsys=capsys
    )
    assert code == 0
    assert answer["imported"] == {
        "file": "log.csv",
        "rows": 8,
        "rows_left_out": [{"why": "no time", "rows": 1, "first_row": 10}],
        "cells_without_name": 0,
        "gaps": [{"from_s": 4, "to_s": 50}],
        "readings_missing": {"die_temp_c": 1},
        "readings_implausible": {"die_temp_c": 2},
        "times": "numbers",
        "date_order": None,
        "load_from": "stages",
        "stages_contradicted": {},
        "units": {},
        "units_assumed": ["die_temp_c"],
    }
    assert cli.run(["import", str(tmp_path / "log.csv"), "--time", "t", "--channel", "die_temp_c=die",
                    "--stage", "load=0:", "--bench", str(tmp_path)]) == 0  # fmt: skip
    told = capsys.readouterr().out
    for line in (
        "Left out: row 10 (no time in them).",
        "No row from 4 to 50 s.",
        "Not believed: die_temp_c in 2 rows",
        "taken: die_temp_c in °C.",
    ):
        assert line in told


def test_unit_and_batch_are_kept_as_a_run_keeps_them(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--time", "t", "--channel", "die_temp_c=die", "--unit", "unit-07", "--batch", "week-14", "--as", "build"]
    for began, why in (("2026-03-01T10:00:00", ["--rework", "paste"]), ("2026-03-01T09:00:00", [])):
        code, answer = bring(
            tmp_path, "t,die\n0,40\n1,41\n", *words, *why, "--profile", "build", "--started", began, capsys=capsys
        )
        assert code == 0 and answer["unit"] == "unit-07"
    told = read_trace(Path(answer["record"])).recorded
    assert (told.unit, told.batch) == ("unit-07", "week-14")
    assert cli.run(["qa", "--profile", "build", "--batch", "week-14", "--bench", str(tmp_path), "--json"]) in (1, 4)
    attempts = json.loads(capsys.readouterr().out)["attempts"]
    assert sorted((one["run"][:15], one["attempt"]) for one in attempts) == [
        ("20260301-090000", 1),
        ("20260301-100000", 2),
    ]


def test_without_a_terminal_an_unclear_date_ends_with_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--time", "t", "--channel", "die_temp_c=die"]
    text = log("03/04/2026 23:00:00", "03/04/2026 23:00:01")
    code, answer = bring(tmp_path, text, *words, capsys=capsys)
    assert code == 2 and "--date-order" in answer["error"]["mend"] and not list(tmp_path.glob("runs/*"))
    code, answer = bring(tmp_path, text, *words, "--date-order", "mdy", capsys=capsys)
    assert code == 0 and answer["run"].startswith("20260304-230000") and answer["imported"]["date_order"] == "mdy"


def test_at_a_terminal_an_unclear_date_is_a_question(tmp_path: Path) -> None:
    pexpect = pytest.importorskip("pexpect")
    (tmp_path / "log.csv").write_text(log("03/04/2026 23:00:00", "03/04/2026 23:00:01"))
    words = ["-m", "verifyrig", "import", str(tmp_path / "log.csv"), "--time", "t", "--channel", "die_temp_c=die"]
    words += ["--stage", "load=0:", "--bench", str(tmp_path)]
    child = pexpect.spawn(sys.executable, words, encoding="utf-8", timeout=120, dimensions=(40, 200))
    child.expect("What does it mean")
    child.expect("month, day, year")
    child.send("m")
    child.expect("Dates were read as m/d/y")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
    assert [path.stem[:15] for path in tmp_path.glob("runs/*.sqlite")] == ["20260304-230000"]


# ---- what is written out in any form is read back

Start = st.datetimes(min_value=datetime(2002, 1, 1), max_value=datetime(2035, 1, 1)).map(
    lambda t: t.replace(microsecond=0)
)
Steps = st.lists(st.integers(1, 600), min_size=1, max_size=30)


class Form(NamedTuple):
    write: Callable[[datetime], str]
    words: dict[str, str]
    dated: bool = True


WRITTEN = {
    "iso": Form(lambda t: t.isoformat(), {"time": "t"}),
    "iso-blank": Form(lambda t: t.isoformat(" "), {"time": "t"}),
    "points": Form(lambda t: t.strftime("%d.%m.%Y %H:%M:%S"), {"time": "t"}),
    "points-short": Form(lambda t: f"{t.day}.{t.month}.{t.year} {t:%H:%M:%S}", {"time": "t"}),
    "day-first": Form(lambda t: t.strftime("%d/%m/%Y %H:%M:%S"), {"time": "t", "order": "dmy"}),
    "month-first": Form(lambda t: t.strftime("%m/%d/%Y %I:%M:%S %p"), {"time": "t", "order": "mdy"}),
    "year-first-short": Form(lambda t: t.strftime("%y-%m-%d %H:%M:%S"), {"time": "t", "order": "ymd"}),
    "month-named": Form(lambda t: t.strftime("%d %b %Y %H:%M:%S"), {"time": "t"}),
    "ctime": Form(lambda t: t.ctime(), {"time": "t"}),
    "two-columns": Form(lambda t: t.strftime("%d/%m/%Y;%H:%M:%S"), {"time": "t", "date": "d", "order": "dmy"}),
    "epoch": Form(lambda t: f"{t.replace(tzinfo=UTC).timestamp():.0f}", {"time": "t"}),
    "epoch-ms": Form(lambda t: f"{t.replace(tzinfo=UTC).timestamp() * 1000:.0f}", {"time": "t"}),
    "clock": Form(lambda t: t.strftime("%H:%M:%S"), {"time": "t"}, dated=False),
    "clock-12": Form(lambda t: t.strftime("%I:%M:%S %p"), {"time": "t"}, dated=False),
}  # fmt: skip


@pytest.mark.parametrize("name", WRITTEN)
@settings(max_examples=25, deadline=None)
@given(start=Start, steps_s=Steps)
def test_a_series_written_in_any_form_is_read_back_the_same(name: str, start: datetime, steps_s: list[int]) -> None:
    form = WRITTEN[name]
    times = [start]
    for step_s in steps_s:
        times.append(times[-1] + timedelta(seconds=step_s))
    head = "d;t;die\n" if "date" in form.words else "t;die\n"
    text = head + "".join(f"{form.write(time)};{at / 8}\n" for at, time in enumerate(times))
    samples = read(text, **form.words)
    assert samples.t_s.tolist() == [(time - start).total_seconds() for time in times]
    assert samples.columns["die_temp_c"].tolist() == [at / 8 for at in range(len(times))]
    assert samples.start_utc_s == (start.replace(tzinfo=UTC).timestamp() if form.dated else None)


def elapsed(at_s: int) -> str:
    return f"{at_s // 3600}:{at_s // 60 % 60:02d}:{at_s % 60:02d}"


@settings(max_examples=40, deadline=None)
@given(first_s=st.integers(0, 400_000), steps_s=Steps)
def test_hours_minutes_and_seconds_since_the_start_are_read_back(first_s: int, steps_s: list[int]) -> None:
    times = [first_s + sum(steps_s[:at]) for at in range(len(steps_s) + 1)]
    samples = read(log(*(elapsed(at_s % 86_400 if times[-1] < 86_400 else at_s) for at_s in times)), time="t")
    assert samples.t_s.tolist() == [at_s - first_s for at_s in times]


@settings(max_examples=40, deadline=None)
@given(start=Start, steps_s=st.lists(st.integers(1, 7_200), min_size=1, max_size=60))
def test_an_order_that_is_not_told_is_found_or_asked_for_and_never_wrong(start: datetime, steps_s: list[int]) -> None:
    times = [start]
    for step_s in steps_s:
        times.append(times[-1] + timedelta(seconds=step_s))
    for form in ("%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S"):
        try:
            samples = read(log(*(time.strftime(form) for time in times)), time="t")
        except ImportFault as fault:
            assert "--date-order" in fault.mend and start.day <= 12
            continue
        assert samples.start_utc_s == start.replace(tzinfo=UTC).timestamp()
        assert samples.t_s[-1] == (times[-1] - start).total_seconds()


@settings(max_examples=60, deadline=None)
@given(data=st.binary(min_size=1, max_size=300), at=st.integers(0, 400))
def test_bytes_in_the_middle_cost_at_most_what_they_touch(data: bytes, at: int) -> None:
    whole = log(*map(str, range(30))).encode()
    try:
        samples = read(whole[:at] + data + whole[at:], time="t")
    except ImportFault as fault:
        assert fault.mend
        return
    assert set(samples.t_s.tolist()) & set(map(float, range(30)))
