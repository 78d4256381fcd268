"""`setup` asks for places, alarms, customers' data and prices: checked where typed, kept, changed, taken away."""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.fake_asker import FakeAsker
from verifyrig.bench.folder import find_bench
from verifyrig.commands import Context
from verifyrig.commands import setup as setup_command
from verifyrig.commands.parsers import command_parser
from verifyrig.commands.setup_bench import ask_bench

OWN = """\
# of the shop
[place]
names = ["left", "right"]   # from the door
here = "left"

[alert]
bell = false

[privacy]
keep_days = 365
keep_original_photos = true

[prices]
country = "CH"
tax_percent = 8.1
labour_per_hour = 120
"""
# Shop, operator, address, phone, logo, language, paper, unit, zone, terms.
SETTINGS = ["", "", "", "", "", "", "", "", "UTC", ""]


def by_keys(bench: Path, *answers: str) -> tuple[dict[str, Any], FakeAsker]:
    parser, _ = command_parser("setup")
    asker = FakeAsker(*SETTINGS, *answers, "n")
    answer = setup_command.execute(parser.parse_args([]), Context(bench=find_bench(str(bench))), asker)
    assert answer.code == 0 and asker.answers == []
    return tomllib.loads((bench / "bench.toml").read_text(encoding="utf-8")), asker


def test_everything_is_asked_and_stands_in_the_file(tmp_path: Path) -> None:
    ring = f"{sys.executable} -c 'print(1)'"
    config, _ = by_keys(
        tmp_path, "y", "bench-1", "left, right", "right", "n", ring, "730", "y", "de", "19", "n", "75,50"
    )
    assert config["bench"] == {"id": "bench-1"}
    assert config["place"] == {"names": ["left", "right"], "here": "right"}
    assert config["alert"] == {"bell": False, "command": [sys.executable, "-c", "print(1)"]}
    assert config["privacy"] == {"keep_days": 730, "keep_original_photos": True}
    assert config["prices"] == {"country": "DE", "tax_percent": 19, "tax_included": False, "labour_per_hour": 75.5}
    find_bench(str(tmp_path))  # it is a bench.toml that every command takes


def test_enter_keeps_what_stands_there_with_its_comments(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(OWN, encoding="utf-8")
    before = tomllib.loads(OWN)
    config, _ = by_keys(tmp_path, "y", *[""] * 11)
    assert {name: config[name] for name in before} == before
    text = (tmp_path / "bench.toml").read_text(encoding="utf-8")
    assert "# from the door" in text and "# of the shop" in text


def test_a_dash_takes_away_and_no_asks_nothing(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(OWN, encoding="utf-8")
    config, _ = by_keys(tmp_path, "n")
    assert config["prices"] == tomllib.loads(OWN)["prices"]
    config, _ = by_keys(tmp_path, "y", "-", "-", "y", "-", "-", "n", "-")
    assert not any(config.get(name) for name in ("bench", "place", "alert", "privacy", "prices"))


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (["x" * 65, "", "", "", "", "", "", ""], "too long"),
        (["", "left, left", "left", "", "", "", "", "", ""], "no names of places"),
        (["", "left, right", "middle", "", "", "", "", "", ""], "none of them"),
        (["", "", "", "/no/such/program", "", "", "", ""], "no such program"),
        (["", "", "", "ring 'unclosed", "", "", "", ""], "Close the quotes"),
        (["", "", "", "", "two years", "", "", ""], "whole days"),
        (["", "", "", "", "99999", "", "", ""], "whole days"),
        (["", "", "", "", "", "", "XX", ""], "how it rounds is not known"),
        (["", "", "", "", "", "", "DE", "a lot", "", "", ""], "from 0 to 100"),
        (["", "", "", "", "", "", "DE", "19", "", "1.000,00", ""], "from 0 to"),
    ],
)
def test_what_is_typed_wrong_is_said_there_and_asked_again(answers: list[str], said: str) -> None:
    asker = FakeAsker("y", *answers)
    ask_bench(asker, {})
    assert any(said in line for line in asker.said) and asker.answers == []
