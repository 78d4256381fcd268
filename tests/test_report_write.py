"""The report from job folder and records to files: rebuilt byte for byte, the index, what may leave, PDF, settings."""

from __future__ import annotations

import argparse
import html
import json
import os
import re
import shutil
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests import report_inputs as ri
from tests.small_records import write_record
from verifyrig.analysis import compare, metrics
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Context
from verifyrig.commands import report as command
from verifyrig.core.errors import BenchError, JobError, RecordError, UsageError
from verifyrig.core.trace import Trace
from verifyrig.diagnosis import diagnose
from verifyrig.jobs.model import Customer, EntryKind, Intake, Machine
from verifyrig.jobs.store import append, new_entry, new_job, read_job
from verifyrig.record import read_trace, schema
from verifyrig.record.check import check_record
from verifyrig.report import write_report
from verifyrig.report.gather import gather
from verifyrig.report.index import has_current_report
from verifyrig.report.marks import marks_in
from verifyrig.report.pdf import find_chromium, write_pdf

# The small records begin at this time, ten minutes apart.
START = datetime.fromtimestamp(1_770_000_000.0, UTC)
AT = "2026-03-01T12:00"
SETTINGS = """
[shop]
name = "Invented Bench"
operator = "I. N. Vented"
address = "1 Example Lane"
logo = "logo.svg"

[report]
language = "en"
paper = "A4"
temperature_unit = "C"
terms = "Invented terms."

[channel.die_temp_c]
calibrated = 2026-01-05
due = 2027-01-05
"""
INSTRUMENTS = {"die_temp_c": {"label": "die", "driver": "invented", "device": "invented:1", "unit": "°C"}}
LOGO = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"><circle cx="4" cy="4" r="4"/></svg>'


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """A bench with one job: baseline, a part replaced, verification."""
    root = tmp_path / "bench"
    root.mkdir()
    (root / "bench.toml").write_text(SETTINGS, encoding="utf-8")
    (root / "logo.svg").write_text(LOGO, encoding="utf-8")
    found = find_bench(str(root))
    intake = Intake(
        complaint="It is too loud and too hot.",
        customer=Customer(name="Q. Uestion", contact="q@example.invalid", ticket="T-0815"),
        machine=Machine(kind="desktop-air", maker="Example Works", model="One", serial="EX-0000-1234"),
        answers={"what": "hot", "how-often": "every 2 h"},
    )
    new_job(found, intake, operator="I. N. Vented", job_id="job-1", now=START - timedelta(hours=1))
    runs = found.runs_dir("job-1")
    runs.mkdir(parents=True)
    write_record(runs, 0, k_per_w=0.55, facts={"purpose": "baseline", "job": "job-1", "channels": INSTRUMENTS})
    detail = {"part": "air cooler", "lot": "L-1", "warranty_months": 12}
    append(
        found, "job-1", [new_entry(EntryKind.CHANGE, "part-replaced", now=START + timedelta(minutes=8), detail=detail)]
    )
    write_record(runs, 1, k_per_w=0.30, facts={"purpose": "verification", "job": "job-1", "channels": INSTRUMENTS})
    return found


def execute(bench: Bench, *what: str, **options: Any) -> Any:
    given = {"place": None, "out": None, "pdf": False, "at": AT, "language": None, "temperature_unit": None} | options
    args = argparse.Namespace(what=list(what), **given)
    return command.execute(args, Context(bench=bench))


def test_the_open_job_is_written_in_three_editions_with_the_index(bench: Bench) -> None:
    answer = execute(bench)
    names = sorted(path.name for path in bench.reports_dir.iterdir())
    assert names == ["index.html", "job-1.archive.html", "job-1.html", "job-1.slip.html"]
    assert answer.data["files"] == [
        str(bench.reports_dir / name) for name in ("job-1.html", "job-1.archive.html", "job-1.slip.html")
    ]
    assert answer.code == 0
    json.dumps(answer.data, allow_nan=False)


def test_a_second_reader_rebuilds_it_byte_for_byte(bench: Bench, tmp_path: Path) -> None:
    first = write_report(bench, ["job-1"], at=1.7e9)
    elsewhere = tmp_path / "another computer" / "bench"
    shutil.copytree(bench.root, elsewhere, ignore=shutil.ignore_patterns("reports", "*cache*", "*.index*"))
    second = write_report(find_bench(str(elsewhere)), ["job-1"], at=1.7e9)
    assert [path.read_bytes() for path in first.paths] == [path.read_bytes() for path in second.paths]


def test_inspect_confirms_the_digest_that_is_printed(bench: Bench) -> None:
    written = write_report(bench, ["job-1"], at=1.7e9)
    page = written.path.read_text(encoding="utf-8")
    for record in bench.records("job-1"):
        digest = check_record(record).digest
        assert digest is not None and digest in page
        assert f"{record.stem}</bdi>: sealed; fits its digests" in page


def test_an_altered_record_is_told_and_keeps_the_machine_here(bench: Bench) -> None:
    import sqlite3

    record = bench.records("job-1")[-1]
    with sqlite3.connect(record) as connection:
        connection.execute("UPDATE sample SET die_temp_c = 20.0 WHERE rowid = 200")
    connection.close()
    answer = execute(bench)
    assert answer.data["hand_over"] is False
    assert "ALTERED after it was written" in Path(answer.data["files"][0]).read_text(encoding="utf-8")


def test_the_customer_sees_a_masked_serial_and_the_archive_the_whole(bench: Bench) -> None:
    customer, archive, slip = (path.read_text(encoding="utf-8") for path in write_report(bench, ["job-1"]).paths)
    for text in (customer, slip):
        assert "EX-0000-1234" not in text and "q@example.invalid" not in text and "•••1234" in text
    assert "EX-0000-1234" in archive and "q@example.invalid" in archive


def test_logo_terms_and_calibration_come_from_the_bench(bench: Bench) -> None:
    page = write_report(bench, ["job-1"]).path.read_text(encoding="utf-8")
    assert '<img src="data:image/svg+xml;base64,' in page
    assert "Invented terms." in page


def test_the_soak_that_the_customers_words_ask_for_is_told(bench: Bench) -> None:
    page = write_report(bench, ["job-1"]).path.read_text(encoding="utf-8").replace("\u202f", " ")
    # Rule of three: a fault every 2 h takes 6 h without any; the load here lasted 4 min.
    assert "4 min without the fault, and as rarely as it came it takes 6 h: 5 h 56 min more" in page


def test_an_overdue_calibration_is_said(bench: Bench) -> None:
    when = START.date()
    settings = bench.root / "bench.toml"
    plain = settings.read_text(encoding="utf-8").partition("[channel.die_temp_c]")[0]

    def page(calibrated: date, due: date) -> str:
        table = f"\n[channel.die_temp_c]\ncalibrated = {calibrated}\ndue = {due}\n"
        settings.write_text(plain + table, encoding="utf-8")
        return write_report(find_bench(str(bench.root)), ["job-1"], at=1.7e9).path.read_text(encoding="utf-8")

    a_day, a_year = timedelta(days=1), timedelta(days=365)
    assert "overdue when it was measured" in page(when - a_year - a_day, when - a_day)
    assert "overdue" not in page(when - a_year, when + a_day)
    assert "(after these runs)" in page(when + a_day, when + a_year)


def with_plain_blanks(text: str) -> str:
    """On a page no line breaks within a quantity: its blanks are of other kinds."""
    return text.replace("\u202f", " ").replace("\u00a0", " ")


def test_the_customer_reads_one_sentence_on_the_cause_and_the_archive_what_speaks_for_it(bench: Bench) -> None:
    job = read_job(bench, "job-1")
    found = diagnose([read_trace(path) for path in bench.records("job-1")], job=job)
    customer, archive, slip = (
        with_plain_blanks(html.unescape(p.read_text(encoding="utf-8"))) for p in write_report(bench, ["job-1"]).paths
    )
    told = str(found.for_customer)
    assert told in customer and told in archive
    reasons = [
        with_plain_blanks(str(reason))
        for suspect in found.suspects
        if suspect.probability >= 0.05
        for reason in suspect.reasons_for
    ]
    assert reasons and all(reason in archive and reason not in customer and reason not in slip for reason in reasons)
    # The cause stands on the first page; so does, folded, the sentence behind it.
    assert customer.index(told) < customer.index('id="signatures"') < customer.rindex(told)


def test_a_report_opens_each_record_once_and_computes_its_figures_once(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks: Counter[str] = Counter()
    computed: Counter[str] = Counter()
    real_open, real_metrics = schema.opened, metrics.metrics_of

    def counted(path: Path) -> Any:
        looks[path.stem] += 1
        return real_open(path)

    def figures(trace: Trace) -> Any:
        computed[trace.run_id] += 1
        return real_metrics(trace)

    for module in ("reader", "check"):
        monkeypatch.setattr(f"verifyrig.record.{module}.opened", counted)
    for place in ("verifyrig.analysis", "verifyrig.analysis.comparable", "verifyrig.runs.summary"):
        monkeypatch.setattr(f"{place}.metrics_of", figures)
    report = gather(bench, ["job-1"])
    assert report.comparison is not None and report.comparison.comparable
    assert looks == computed == dict.fromkeys((run.run_id for run in report.runs), 1)


def test_the_fan_of_a_cooler_that_was_replaced_does_not_forbid_the_comparison(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Contract of `compare`: the channels of the part recorded as changed are results, not conditions.
    old, new = ri.healthy_run("20260202-080000-aaaa", purpose="baseline"), ri.healthy_run("20260202-090000-bbbb")
    columns = dict(old.trace.columns)
    columns["cpu_fan_speed_rpm"] = 1.5 * columns["cpu_fan_speed_rpm"]
    runs = iter([replace(old, trace=replace(old.trace, columns=columns)), new])
    assert not compare(replace(old.trace, columns=columns), new.trace).stages["load"].comparable
    monkeypatch.setattr("verifyrig.report.gather.read_run", lambda path: next(runs))
    report = gather(bench, ["job-1"])
    assert report.comparison is not None and report.comparison.stages["load"].comparable


# --- the index -------------------------------------------------------------------------------------------------


def index_of(bench: Bench) -> str:
    return (bench.reports_dir / "index.html").read_text(encoding="utf-8")


def test_the_index_says_who_what_and_whether_it_may_leave(bench: Bench) -> None:
    intake = Intake(complaint="<script>alert(1)</script>")
    new_job(bench, intake, job_id="job-2", now=START)
    execute(bench, "job-1")
    text = index_of(bench)
    assert "T-0815" in text and "T-0815" in (bench.reports_dir / "job-1.slip.html").read_text(encoding="utf-8")
    assert "job-1" in text and "Q. Uestion" in text and "the job is not closed" in text
    assert re.search(r"job-2.*no report yet", text, re.DOTALL)
    for name in ("job-1.html", "job-1.slip.html", "job-1.archive.html"):
        assert f'href="{name}"' in text
    assert "<script" not in text


def test_a_report_older_than_its_job_no_longer_lets_anything_leave(bench: Bench) -> None:
    execute(bench, "job-1")
    append(
        bench,
        "job-1",
        [new_entry(EntryKind.FINDING, "noise", now=START + timedelta(hours=3), detail={"value": "rattle"})],
    )
    intake = Intake(complaint="another")
    new_job(bench, intake, job_id="job-2", now=START)
    execute(bench, "job-2")
    assert "something was noted or measured after the report was made" in index_of(bench)


def test_a_machine_that_has_left_is_told_so(bench: Bench) -> None:
    execute(bench, "job-1")
    assert "handed over on" not in index_of(bench)
    append(bench, "job-1", [new_entry(EntryKind.HANDOVER, "handed-over", now=START, detail={"to": "Q. Uestion"})])
    assert not has_current_report(bench, "job-1")
    execute(bench, "job-1")
    assert has_current_report(bench, "job-1")
    # The small records begin on 2 February 2026 (UTC).
    assert re.search(r"<strong>no</strong>, because: <bdi>handed over on 2 February 2026", index_of(bench))


def test_a_job_that_is_called_index_does_not_overwrite_the_index(bench: Bench) -> None:
    new_job(bench, Intake(complaint="x"), job_id="index", now=START)
    execute(bench, "index")
    assert "Reports of this bench" in index_of(bench)
    assert (bench.reports_dir / "index.report.html").is_file()
    assert 'href="index.report.html"' in index_of(bench)


def test_the_marks_in_the_head_are_read_back(bench: Bench) -> None:
    page = write_report(bench, ["job-1"]).path.read_text(encoding="utf-8")
    marks = marks_in(page)
    assert marks["number"] == "job-1" and marks["hand-over"] == "no"
    assert marks["runs"].split() == [path.stem for path in bench.records("job-1")]


# --- what was asked for ----------------------------------------------------------------------------------------


def test_records_are_named_before_and_after(bench: Bench, tmp_path: Path) -> None:
    first, last = bench.records("job-1")
    out = tmp_path / "elsewhere" / "paper.html"
    answer = execute(bench, first.stem, str(last), out=str(out))
    assert [Path(name).name for name in answer.data["files"]] == ["paper.html", "paper.archive.html", "paper.slip.html"]
    assert not (bench.reports_dir / "index.html").exists()
    page = out.read_text(encoding="utf-8")
    assert "End of report" in page and first.stem in page


def test_an_interrupted_record_is_reported_too(bench: Bench) -> None:
    write_record(bench.runs_dir("job-1"), 2, facts={"purpose": "check", "job": "job-1"}, close=False)
    page = write_report(bench, ["job-1"]).path.read_text(encoding="utf-8")
    assert "not sealed: it was interrupted" in page
    assert "There are 3 runs." in page


@pytest.mark.parametrize(
    ("what", "error"),
    [
        (["job-1", "20260202-080000-test"], UsageError),
        (["nothing-like-it"], RecordError),
        (["../../etc/passwd"], RecordError),
    ],
)
def test_what_does_not_fit_is_refused_in_one_sentence(bench: Bench, what: list[str], error: type[Exception]) -> None:
    with pytest.raises(error):
        execute(bench, *what)


def test_without_an_open_job_it_says_how_to_open_one(tmp_path: Path) -> None:
    with pytest.raises(JobError, match="no job is open"):
        execute(Bench(root=tmp_path))


def test_an_id_that_climbs_out_is_no_job(bench: Bench) -> None:
    with pytest.raises((UsageError, RecordError)):
        execute(bench, "../bench")
    assert not (bench.root.parent / "bench.html").exists()


@pytest.mark.parametrize("text", ["yesterday", "2026-13-01", ""])
def test_a_time_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="--at"):
        command.parse_time(text)


def test_times_with_and_without_zone_mean_what_they_say() -> None:
    assert command.parse_time("1970-01-01T00:00:10") == 10.0
    assert command.parse_time("1970-01-01T01:00:10+01:00") == 10.0
    assert command.parse_time("1970-01-01T00:00:10Z") == 10.0
    assert command.parse_time("10") == 10.0


@pytest.mark.parametrize("text", ["nan", "inf", "1e300", "-1e15"])
def test_a_time_beyond_the_calendar_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="--at"):
        command.parse_time(text)


# --- settings --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "value", "where"),
    [
        ("language", "xx", "report.language"),
        ("language", "../de", "report.language"),
        ("time_zone", "Nowhere/At all", "report.time_zone"),
    ],
)
def test_a_setting_that_is_not_known_is_refused(bench: Bench, key: str, value: str, where: str) -> None:
    bench.config["report"][key] = value
    with pytest.raises(BenchError, match=where.replace(".", r"\.")):
        write_report(bench, ["job-1"])


@pytest.mark.parametrize("name", ["absent.png", "bench.toml", "../../../etc/passwd"])
def test_a_logo_that_cannot_be_one_is_refused(bench: Bench, name: str) -> None:
    bench.config["shop"]["logo"] = name
    with pytest.raises(BenchError, match="logo"):
        write_report(bench, ["job-1"])


def test_the_shops_own_template_comes_first(bench: Bench) -> None:
    own = bench.root / "paper"
    own.mkdir()
    (own / "slip.html.j2").write_text("<!DOCTYPE html><title>{{ ready_word }}</title>{{ shop.name }}", encoding="utf-8")
    bench.config["report"]["templates"] = "paper"
    customer, _, slip = write_report(bench, ["job-1"]).paths
    text = slip.read_text(encoding="utf-8")
    assert text.startswith('<!DOCTYPE html><meta http-equiv="Content-Security-Policy" content="default-src')
    assert "<title>not ready: ask the technician</title>" in text
    assert "What we did not test" in customer.read_text(encoding="utf-8")


def test_a_broken_template_is_named_with_its_line(bench: Bench) -> None:
    own = bench.root / "paper"
    own.mkdir()
    (own / "slip.html.j2").write_text("one\n{% if %}", encoding="utf-8")
    bench.config["report"]["templates"] = "paper"
    with pytest.raises(BenchError, match=r"slip\.html\.j2, line 2"):
        write_report(bench, ["job-1"])


def test_fahrenheit_and_german_reach_the_page(bench: Bench) -> None:
    bench.config["report"] |= {"temperature_unit": "F", "language": "de"}
    page = write_report(bench, ["job-1"]).path.read_text(encoding="utf-8")
    assert "°F" in page and "Was wir nicht geprüft haben" in page
    assert not re.search(r"\d\u202f°C", page)


# --- files -----------------------------------------------------------------------------------------------------


def test_nothing_half_written_stays_beside_the_report(bench: Bench) -> None:
    write_report(bench, ["job-1"])
    assert not [path for path in bench.reports_dir.iterdir() if path.suffix == ".part"]


def test_a_folder_that_cannot_be_written_is_said(bench: Bench) -> None:
    bench.reports_dir.write_text("a file where the folder should be", encoding="utf-8")
    with pytest.raises(BenchError, match="cannot be written"):
        write_report(bench, ["job-1"])


# --- PDF -------------------------------------------------------------------------------------------------------


def test_without_chromium_it_says_what_to_do_instead(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"no Chromium is installed.*print it from there"):
        write_pdf(tmp_path / "page.html", search_path=str(tmp_path))


def test_a_chromium_that_prints_nothing_is_an_error(tmp_path: Path) -> None:
    fake = tmp_path / "chromium"
    fake.write_text("#!/bin/sh\necho 'it broke' >&2\nexit 3\n", encoding="utf-8")
    fake.chmod(0o755)
    page = tmp_path / "page.html"
    page.write_text("<!DOCTYPE html>", encoding="utf-8")
    with pytest.raises(UsageError, match="it broke"):
        write_pdf(page, search_path=f"{tmp_path}{os.pathsep}{os.defpath}")
    assert not page.with_suffix(".pdf").exists()


@pytest.mark.skipif(find_chromium() is None, reason="no Chromium is installed")
def test_each_edition_is_printed_beside_its_page(bench: Bench) -> None:
    answer = execute(bench, pdf=True)
    printed = [Path(name) for name in answer.data["files"] if name.endswith(".pdf")]
    assert [path.name for path in printed] == ["job-1.pdf", "job-1.archive.pdf", "job-1.slip.pdf"]
    assert all(path.read_bytes().startswith(b"%PDF") for path in printed)
