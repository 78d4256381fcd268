"""Totals for the counter in decimal, by each country's rounding; the shift note; who is at the bench now."""

from __future__ import annotations

import csv
import json
import os
import sys
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from tests.fake_asker import FakeAsker
from verifyrig.bench.day import note_shift, read_day
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.bench.text import COUNTRY_CODES
from verifyrig.commands import Context, next_step
from verifyrig.commands import job as job_command
from verifyrig.commands.cli import run
from verifyrig.commands.parsers import command_parser
from verifyrig.core.errors import BenchError, UsageError
from verifyrig.jobs.model import Customer, Intake, Job, Machine
from verifyrig.jobs.money import COUNTRIES, parse_price, rounded
from verifyrig.jobs.store import new_job, read_job
from verifyrig.jobs.totals import rules_of, total_of

START = datetime(2024, 3, 14, 9, 0, tzinfo=UTC)
JOB = "20240314-1"


@pytest.fixture(autouse=True)
def no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)


def verifyrig(bench: Path, *words: str) -> int:
    return run([*words, "--bench", str(bench)])


def as_json(capsys: pytest.CaptureFixture[str], bench: Path, *words: str) -> tuple[int, Any]:
    capsys.readouterr()
    code = verifyrig(bench, *words, "--json")
    return code, json.loads(capsys.readouterr().out)


def lay(bench: Path, prices: str = 'country = "DE"\ntax_percent = 19\nlabour_per_hour = 60\n') -> Job:
    (bench / "bench.toml").write_text(f'[shop]\noperator = "N. Bench"\n[prices]\n{prices}', encoding="utf-8")
    intake = Intake(customer=Customer(name="Q. Uestion", ticket="T-1"), machine=Machine(kind="desktop-air"))
    return new_job(Bench(root=bench), intake, now=START)


# ---- prices as they are typed


@pytest.mark.parametrize(
    ("text", "amount"),
    [
        ("89", "89"), ("89.00", "89.00"), ("89,50", "89.50"), ("0", "0"), ("€ 89", "89"), ("89 EUR", "89"),
        ("1 234,50", "1234.50"), ("1'234.50", "1234.50"), ("1.234,50", "1234.50"), ("1,234.50", "1234.50"),
        ("12.345.678", "12345678"), ("-10", "-10"), ("89,-", "89"), ("0.05", "0.05"), ("89,5", "89.5"),
    ],
)  # fmt: skip
def test_a_price_is_read_as_it_is_meant(text: str, amount: str) -> None:
    assert parse_price(text) == Decimal(amount)


@pytest.mark.parametrize(
    "text",
    ["", "about 80", "1.234", "1,234", "12,34,5", "1.234.5", "8 9", "1e3", "nan", "٣", "89.00.00", "1.234,567", "--1"],
)
def test_what_may_be_read_in_two_ways_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        parse_price(text)


def test_a_price_is_checked_where_it_is_typed(tmp_path: Path) -> None:
    lay(tmp_path)
    assert verifyrig(tmp_path, "job", "change", "part-replaced", "--part", "fan", "--price", "1.234") == 2
    parser, _ = command_parser("job")
    asker = FakeAsker("5", "pump", "", "about 80", "80", "", "-", "n", "", "", "")
    job_command.execute(parser.parse_args(["change"]), Context(bench=find_bench(str(tmp_path))), asker)
    assert read_job(Bench(root=tmp_path), JOB).changes[-1].detail["price"] == "80"


# ---- rounding


@pytest.mark.parametrize(
    ("amount", "step", "result"),
    [
        # Halves away from zero, as invoices round (common practice, no source); binary floats cannot hold 1.005.
        ("1.005", "0.01", "1.01"), ("2.675", "0.01", "2.68"), ("-1.005", "0.01", "-1.01"), ("1.004", "0.01", "1.00"),
        # Five centimes: 0.025 and more goes up.
        ("10.02", "0.05", "10.00"), ("10.03", "0.05", "10.05"), ("10.025", "0.05", "10.05"), ("10.07", "0.05", "10.05"),
        ("10.075", "0.05", "10.10"), ("10.50", "1", "11"), ("10.49", "1", "10"), ("12", "5", "10"), ("12.5", "5", "15"),
        ("0.5", "1", "1"), ("7.25", "0.50", "7.50"),
    ],
)  # fmt: skip
def test_amounts_are_rounded_by_hand_worked_values(amount: str, step: str, result: str) -> None:
    assert rounded(Decimal(amount), Decimal(step)) == Decimal(result)
    assert str(rounded(Decimal(amount), Decimal(step))) == result


def test_every_country_that_bench_toml_knows_has_its_rounding() -> None:
    assert set(COUNTRIES) == set(COUNTRY_CODES)
    babel = pytest.importorskip("babel.numbers")
    for code, country in COUNTRIES.items():
        # Currencies and their decimals by the CLDR, as babel holds them.
        assert babel.get_territory_currencies(code, tender=True)[0] == country.currency
        assert country.step == Decimal(1).scaleb(-babel.get_currency_precision(country.currency)), code


# ---- totals, worked by hand

ON_TOP = "tax_included = false\nlabour_per_hour = 60\n"


def worked(bench: Path) -> None:
    words = ["job", "change", "part-replaced", "--part"]
    assert verifyrig(bench, *words, "closed cooler", "--price", "89.00", "--warranty", "24") == 0
    assert verifyrig(bench, *words, "paste", "--price", "7,45") == 0
    assert verifyrig(bench, "job", "labour", "cooler exchanged, measured twice", "--minutes", "50") == 0
    assert verifyrig(bench, "job", "labour", "diagnosis", "--price", "29") == 0


@pytest.mark.parametrize(
    ("prices", "net", "tax", "whole", "cash"),
    [
        # 89.00 + 7.45 + 50 min at 60 = 50.00 + 29.00 = 175.45.
        # Tax held: 175.45 * 19/119 = 28.0130... -> 28.01.
        ('country = "DE"\ntax_percent = 19\nlabour_per_hour = 60\n', "147.44", "28.01", "175.45", "175.45"),
        # Tax on top: 175.45 * 0.19 = 33.3355 -> 33.34.
        (f'country = "DE"\ntax_percent = 19\n{ON_TOP}', "175.45", "33.34", "208.79", "208.79"),
        # 175.45 * 8.1/108.1 = 13.1466... -> 13.15; a sum of 175.45 is paid as it is, in five centimes.
        ('country = "CH"\ntax_percent = 8.1\nlabour_per_hour = 60\n', "162.30", "13.15", "175.45", "175.45"),
        # On top: 175.45 * 0.081 = 14.21145 -> 14.21; 189.66 in cash is 189.65.
        (f'country = "CH"\ntax_percent = 8.1\n{ON_TOP}', "175.45", "14.21", "189.66", "189.65"),
        # Whole crowns in cash: 175.45 -> 175. 175.45 * 25/125 = 35.09.
        ('country = "SE"\ntax_percent = 25\nlabour_per_hour = 60\n', "140.36", "35.09", "175.45", "175"),
        # Yen have no decimals: 89, 7, 50, 29 = 175; 175 * 10/110 = 15.909 -> 16.
        ('country = "JP"\ntax_percent = 10\nlabour_per_hour = 60\n', "159", "16", "175", "175"),
        ('country = "US"\ntax_percent = 0\nlabour_per_hour = 60\n', "175.45", "0.00", "175.45", "175.45"),
    ],
)  # fmt: skip
def test_the_total_of_a_job_is_what_a_pencil_gives(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], prices: str, net: str, tax: str, whole: str, cash: str
) -> None:
    lay(tmp_path, prices)
    worked(tmp_path)
    code, data = as_json(capsys, tmp_path, "job", "total")
    assert code == 0
    assert (data["net"], data["tax"], data["sum"], data["cash"]) == (net, tax, whole, cash)
    assert [line["kind"] for line in data["lines"]] == ["part", "part", "labour", "labour"] and data["missing"] == []
    assert (data["lines"][2]["quantity"], data["lines"][2]["unit"]) == ("50", "min")
    assert verifyrig(tmp_path, "job", "total") == 0
    assert "SUM" in capsys.readouterr().out


def test_no_sum_is_told_while_a_price_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lay(tmp_path)
    worked(tmp_path)
    assert verifyrig(tmp_path, "job", "change", "part-replaced", "--part", "fan") == 0
    code, data = as_json(capsys, tmp_path, "job", "total")
    assert code == 0 and data["sum"] is None and data["missing"] == ["fan"]
    assert verifyrig(tmp_path, "job", "total") == 0
    out = capsys.readouterr().out
    assert "No sum: a price is missing: fan." in out and "SUM" not in out
    assert verifyrig(tmp_path, "job", "total", "--csv", str(tmp_path / "out.csv")) == 2
    assert not (tmp_path / "out.csv").exists()


def test_what_was_taken_back_costs_nothing(tmp_path: Path) -> None:
    lay(tmp_path)
    worked(tmp_path)
    job = read_job(Bench(root=tmp_path), JOB)
    assert verifyrig(tmp_path, "job", "correct", "--withdraw", job.changes[0].entry_id) == 0
    found = total_of(read_job(Bench(root=tmp_path), JOB), rules_of(find_bench(str(tmp_path)).config))
    assert str(found.sum) == "86.45"


def test_the_total_goes_into_the_shops_accounting_without_a_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lay(tmp_path)
    worked(tmp_path)
    assert verifyrig(tmp_path, "job", "labour", "=cmd|' /C calc'!A0", "--price", "1") == 0
    file = tmp_path / "out.csv"
    assert verifyrig(tmp_path, "job", "total", "--csv", str(file)) == 0
    rows = list(csv.DictReader(file.read_text(encoding="utf-8").splitlines()))
    assert [row["kind"] for row in rows] == ["part", "part", *["labour"] * 3, "net", "tax", "sum", "cash"]
    assert {row["job"] for row in rows} == {JOB} and {row["ticket"] for row in rows} == {"T-1"}
    items = sum(Decimal(row["amount"]) for row in rows[:5])
    assert items == Decimal(rows[7]["amount"]) == Decimal("176.45")
    assert rows[4]["what"].startswith("'=") and "Uestion" not in file.read_text(encoding="utf-8")
    assert verifyrig(tmp_path, "job", "total", "--csv", str(file)) == 0  # our own is written over
    file.write_text("dear aunt", encoding="utf-8")
    assert verifyrig(tmp_path, "job", "total", "--csv", str(file)) == 2


@pytest.mark.parametrize(
    "prices",
    ['country = "XX"\ntax_percent = 19', 'country = "DE"\ntax_percent = "19"', 'country = "DE"\ntax_percent = -1',
     'country = "DE"\ntax_percnt = 19', "labour_per_hour = -1"],
)  # fmt: skip
def test_prices_that_cannot_be_meant_are_faults_of_bench_toml(tmp_path: Path, prices: str) -> None:
    (tmp_path / "bench.toml").write_text(f"[prices]\n{prices}\n", encoding="utf-8")
    with pytest.raises(BenchError):
        find_bench(str(tmp_path))


def test_without_a_country_and_a_tax_nothing_is_reckoned(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lay(tmp_path, "labour_per_hour = 60\n")
    assert verifyrig(tmp_path, "job", "total") == 2
    assert "in which country and with which tax" in capsys.readouterr().err


@pytest.mark.parametrize("words", [[], ["--minutes", "0"], ["--minutes", "99999"], ["--price", "dear"]])
def test_labour_that_cannot_be_meant_is_refused(tmp_path: Path, words: list[str]) -> None:
    lay(tmp_path)
    assert verifyrig(tmp_path, "job", "labour", "x", *words) == 2
    assert read_job(Bench(root=tmp_path), JOB).entries == ()


# ---- the shift


def test_a_note_waits_for_the_next_shift(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lay(tmp_path)
    assert verifyrig(tmp_path, "job", "note") == 2
    assert verifyrig(tmp_path, "job", "note", "waits", "for", "a", "fan", "--by", "N. Bench") == 0
    capsys.readouterr()
    assert verifyrig(tmp_path, "job", "show") == 0
    assert "note: waits for a fan (N. Bench)" in capsys.readouterr().out
    asker = FakeAsker("q")
    next_step.execute(Context(bench=find_bench(str(tmp_path))), asker)
    assert "note: waits for a fan (N. Bench)" in asker.said


def test_who_is_on_shift_signs_for_what_is_done(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lay(tmp_path)
    _, data = as_json(capsys, tmp_path, "job", "finding", "radiator=cold")
    assert data["entries"][-1]["by"] == "N. Bench"  # nobody said so: the operator of bench.toml
    note_shift(tmp_path, "O. Ther", datetime.now(UTC) - timedelta(hours=3))
    _, data = as_json(capsys, tmp_path, "job", "finding", "radiator=warm")
    assert data["entries"][-1]["by"] == "O. Ther"
    _, data = as_json(capsys, tmp_path, "job", "finding", "radiator=hot", "--by", "S. Tandin")
    assert data["entries"][-1]["by"] == "S. Tandin" and read_day(tmp_path).by == "O. Ther"  # for this one only
    note_shift(tmp_path, "O. Ther", datetime.now(UTC) - timedelta(hours=15))
    _, data = as_json(capsys, tmp_path, "job", "finding", "radiator=cold")
    assert data["entries"][-1]["by"] == "N. Bench"


def test_who_is_named_with_the_command_is_not_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    monkeypatch.setattr("verifyrig.commands.job.can_ask", lambda json: True)
    monkeypatch.setattr("verifyrig.commands.job.ask_who", lambda bench, asker: asked.append("who"))
    lay(tmp_path)
    for words in (["--by", "S. Tandin"], []):
        assert verifyrig(tmp_path, "job", "note", "back at four", *words) == 0
        assert asked == ([] if words else ["who"])


pexpect = pytest.importorskip("pexpect")


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_who_is_there_is_asked_once_a_shift_on_a_real_terminal(tmp_path: Path) -> None:
    lay(tmp_path)
    env = {key: value for key, value in os.environ.items() if key not in ("COLUMNS", "LINES")} | {"TERM": "xterm"}

    def start(*words: str) -> Any:
        words = ("-m", "verifyrig", "--bench", str(tmp_path), *words)
        return pexpect.spawn(sys.executable, list(words), dimensions=(50, 100), encoding="utf-8", timeout=60, env=env)

    child = start()
    child.expect_exact("Who is at the bench? [N. Bench]")
    child.send("O. Ther\r")
    child.expect_exact("At the bench: O. Ther")
    child.expect_exact("q leave")
    child.send("q")
    child.expect(pexpect.EOF)
    child.close()
    again = start()
    again.expect_exact("At the bench: O. Ther")
    assert "Who is at the bench?" not in again.before
    again.close(force=True)
    named = start("--by", "S. Tandin")
    named.expect_exact("At the bench: S. Tandin")
    named.close(force=True)
    assert read_day(tmp_path).by == "S. Tandin"
