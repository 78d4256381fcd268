"""Hostile input: never exit code 5, a hang, a write outside, or heat without a guard. 100 000: benchmark `hostile`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from tests.benchmarks.hostile import SEED, campaign
from tests.hostile import sticks, toml, trees, watch

# Together 500 inputs; fewer where each is asked of many commands, and of trees, since a run on one takes real time.
COUNTS = {"records": 20, "toml": 80, "tables": 80, "lines": 120, "sticks": 20, "trees": 6}
pytestmark = [
    pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names"),
    pytest.mark.timeout(900),
]


@pytest.mark.parametrize("kind", COUNTS)
def test_hostile_input_is_refused_or_worked_with_and_nothing_else(kind: str) -> None:
    done = campaign(kind, COUNTS[kind], SEED)
    assert done["inputs"] >= 0.8 * COUNTS[kind]
    assert done["broken"] == []


@pytest.mark.parametrize(("name", "command"), [("job", ("job", "show")), ("profile", toml.COMMANDS["profile"][3])])
def test_the_same_files_unchanged_are_worked_with(name: str, command: tuple[str, ...]) -> None:
    with watch.place() as place:
        toml.attack((name, [], [command]), place)
    assert place.codes == {0: 1} and place.broken == []


# ---- the watch sees what it is there for


def test_the_watch_sees_a_write_outside(monkeypatch: pytest.MonkeyPatch) -> None:
    def careless(words: Any) -> int:
        Path("../others/new").write_text("x", encoding="utf-8")
        return 0

    monkeypatch.setattr("verifyrig.commands.cli.run", careless)
    with watch.place() as place:
        place.call("runs")
    assert any("write outside" in line for line in place.broken)
    assert "a file of others was changed" in place.broken


def test_the_watch_sees_a_hang_and_an_exit_code_five(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watch, "HANG_S", 0.2)
    monkeypatch.setattr("verifyrig.commands.cli.run", lambda words: 5 if "quick" in words else _for_ever())
    with watch.place() as place:
        place.call("quick")
        place.call("slow")
    assert [line.split()[0] for line in place.broken] == ["exit", "hang:"]


def _for_ever() -> int:
    while True:
        pass


def test_the_watch_sees_heat_without_a_guard(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("verifyrig.rig.requirements.arm", lambda *args, **named: ([], []))
    monkeypatch.setattr("verifyrig.rig.requirements.unguarded", lambda *args, **named: [], raising=False)
    with watch.place() as place:
        toml.attack(("profile", [], [toml.COMMANDS["profile"][3]]), place)
    assert any("heat without a guard" in line for line in place.broken)


def test_a_tree_and_a_stick_are_laid_and_read(tmp_path: Path) -> None:
    with watch.place() as place:
        trees.attack(([], ("channels",)), place)
        sticks.attack(([], [], [], False, ("runs",), False), place)
    assert place.codes == {0: 3} and place.broken == []
