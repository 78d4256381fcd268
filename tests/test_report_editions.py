"""All editions of a report come from one state, say which, and speak to each reader in their language and unit."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests import report_inputs as ri
from tests.fake_asker import FakeAsker
from tests.small_records import write_record
from verifyrig.bench.folder import find_bench
from verifyrig.commands.cli import run
from verifyrig.dialogs.job_interview import ask_papers
from verifyrig.files.output_file import PDF_MARK
from verifyrig.files.png_mark import PNG_MARK
from verifyrig.jobs.store import read_job
from verifyrig.report import write_report
from verifyrig.report.inputs import Settings
from verifyrig.report.render import EDITIONS, render
from verifyrig.report.state import SHOWN_DIGITS, state_digest


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    (tmp_path / "bench.toml").write_text('[report]\nlanguage = "en"\n', encoding="utf-8")
    words = ["--complaint", "hot", "--language", "de", "--temperature-unit", "°F", "--bench", str(tmp_path)]
    assert run(["job", "open", "--id", "a", *words]) == 0
    (tmp_path / "jobs" / "a" / "runs").mkdir()
    write_record(tmp_path / "jobs" / "a" / "runs", 1, facts={"purpose": "baseline", "job": "a"})
    return tmp_path


def reported(capsys: pytest.CaptureFixture[str], bench: Path, *words: str) -> dict[str, Any]:
    capsys.readouterr()
    assert run(["report", "a", "--bench", str(bench), "--json", *words]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def shown(page: Path) -> str:
    digests = re.findall(r'<dd><span class="digest">([0-9a-f]+)</span></dd>', page.read_text(encoding="utf-8"))
    assert len(digests) == 1
    return str(digests[0])


def test_each_edition_prints_the_digest_of_the_one_state(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = reported(capsys, bench)
    assert len(found["files"]) == 3
    assert {shown(Path(file)) for file in found["files"]} == {found["digest"][:SHOWN_DIGITS]}
    # Read by another customer on another day it is the same state; a note more, and it is another.
    again = reported(capsys, bench, "--language", "en", "--at", "2031-01-01")
    assert again["digest"] == found["digest"]
    assert run(["job", "finding", "radiator=cold", "--bench", str(bench)]) == 0
    assert reported(capsys, bench)["digest"] != found["digest"]


def test_whatever_a_page_says_is_in_the_digest() -> None:
    report = ri.report(ri.healthy_run())
    job = ri.job()
    others = [
        replace(report, job=replace(job, digest="00")),
        replace(report, job=job, runs=(replace(report.runs[0], digest="00"),)),
        replace(report, job=job, shop=replace(report.shop, address="elsewhere")),
        replace(report, job=job, unreadable=(("x", "cut short"),)),
        replace(report, job=job, before=None),
    ]
    digests = [state_digest(one) for one in (replace(report, job=job), *others)]
    assert len(set(digests)) == len(digests)
    assert state_digest(replace(report, settings=Settings(language="de", paper="Letter"))) == state_digest(report)


def test_no_print_of_yesterday_lies_beside_the_page_of_today(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    reports = bench / "reports"
    reported(capsys, bench)
    ours = [reports / name for name in ("a.pdf", "a.archive.pdf", "a.slip.pdf")]
    for file in ours:
        file.write_bytes(b"%PDF-1.4 of yesterday\n" + PDF_MARK.encode())
    (reports / "a.png").write_bytes(b"\x89PNG" + PNG_MARK)
    foreign = reports / "a.archive.png"
    foreign.write_bytes(b"somebody's picture")
    found = reported(capsys, bench)
    assert sorted(found["removed"]) == sorted(str(file) for file in [*ours, reports / "a.png"])
    assert not any(file.exists() for file in ours) and foreign.read_bytes() == b"somebody's picture"
    assert reported(capsys, bench)["removed"] == []


def test_no_slip_of_yesterday_either(bench: Path) -> None:
    old = bench / "reports" / "a.intake.pdf"
    old.parent.mkdir(exist_ok=True)
    old.write_bytes(b"%PDF-1.4 of yesterday\n" + PDF_MARK.encode())
    assert run(["job", "slip", "--job", "a", "--bench", str(bench)]) == 0
    assert not old.exists()


def text_of(path: Path) -> str:
    return re.sub(r"<(style|svg).*?</\1>", " ", path.read_text(encoding="utf-8"), flags=re.DOTALL)


def test_the_customer_reads_in_their_language_and_unit_and_the_shop_in_its_own(bench: Path) -> None:
    customer, archive, slip = write_report(find_bench(str(bench)), ["a"]).paths
    for page, language, unit in ((customer, "de", "°F"), (archive, "en", "°C"), (slip, "de", None)):
        assert f'<html lang="{language}">' in page.read_text(encoding="utf-8")
        if unit:
            other = {"°F": "°C", "°C": "°F"}[unit]
            assert unit in text_of(page) and not re.search(rf"\d\s{other}", text_of(page))
    # The counter's list is the shop's, whatever the customer reads.
    assert '<html lang="en">' in (bench / "reports" / "index.html").read_text(encoding="utf-8")
    states = [
        re.findall(r'name="verifyrig-state" content="(.*?)"', p.read_text(encoding="utf-8"))
        for p in (customer, archive)
    ]
    assert states[0] == states[1] != []
    assert run(["job", "slip", "--job", "a", "--bench", str(bench)]) == 0
    assert "Annahme eines Geräts" in (bench / "reports" / "a.intake.html").read_text(encoding="utf-8")


def test_the_command_line_has_the_last_word_for_every_edition(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for file in reported(capsys, bench, "--language", "de", "--temperature-unit", "°C")["files"]:
        page = Path(file).read_text(encoding="utf-8")
        assert '<html lang="de">' in page and "°F" not in page
    assert run(["report", "a", "--language", "xx", "--bench", str(bench)]) == 2
    assert "Known: de, en" in capsys.readouterr().err.replace("nl, ", "")


def test_a_language_without_a_catalogue_stays_that_of_the_shop(bench: Path) -> None:
    for wrong in ("language=xx", "temperature_unit=K"):
        assert run(["job", "correct", "--job", "a", wrong, "--bench", str(bench)]) == 2
    assert read_job(find_bench(str(bench)), "a").intake.language == "de"
    file = bench / "jobs" / "a" / "job.toml"
    file.write_text(file.read_text(encoding="utf-8").replace('language = "de"', 'language = "xx"'), encoding="utf-8")
    customer = write_report(find_bench(str(bench)), ["a"]).path
    assert '<html lang="en">' in customer.read_text(encoding="utf-8")


def test_an_intake_refuses_a_language_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    at = ["--bench", str(tmp_path)]
    assert run(["job", "open", "--complaint", "x", "--language", "tlh", *at]) == 2
    (tmp_path / "intake.toml").write_text('complaint = "x"\nlanguage = "tlh"\n', encoding="utf-8")
    assert run(["job", "open", "--file", str(tmp_path / "intake.toml"), *at]) == 2
    assert capsys.readouterr().err.count("there is no catalogue of language 'tlh'") == 2
    assert not (tmp_path / "jobs").exists()


def test_the_customer_is_asked_and_enter_takes_what_the_shop_has() -> None:
    named = {"de": "Deutsch", "en": "English"}
    assert ask_papers(FakeAsker("", ""), named, "en", "°F") == ("en", "°F")
    assert ask_papers(FakeAsker("1", "1"), named, "en", "°F") == ("de", "°C")


def test_a_machine_that_came_back_keeps_its_owners_language(bench: Path) -> None:
    assert run(["job", "open", "--id", "b", "--again", "a", "--complaint", "again", "--bench", str(bench)]) == 0
    intake = read_job(find_bench(str(bench)), "b").intake
    assert (intake.language, intake.temperature_unit) == ("de", "°F")


def test_every_edition_can_be_made_without_a_job() -> None:
    report = ri.report(ri.healthy_run())
    for edition in EDITIONS:
        assert state_digest(report)[:SHOWN_DIGITS] in render(report, edition, now_utc=2e9)
