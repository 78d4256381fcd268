"""Where a word may stand: the options that every command takes also before its name."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from verifyrig.commands import cli


@pytest.mark.parametrize("equals", [False, True], ids=["two words", "one word"])
def test_the_bench_may_be_named_before_the_command(
    equals: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = [f"--bench={tmp_path}"] if equals else ["--bench", str(tmp_path)]
    assert cli.run([*bench, "--json", "runs"]) == 0
    assert json.loads(capsys.readouterr().out)["runs"] == []


def test_what_no_command_takes_is_refused_by_name(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["--bench", ".", "rums"]) == 2
    assert "rums" in capsys.readouterr().err
