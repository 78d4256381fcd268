"""What every command prints as JSON, by a process of its own, against the TypedDicts that mypy holds the code to."""

from __future__ import annotations

import ast
import json
from pathlib import Path
from typing import Any, TypedDict

import pytest

from mock_hw.bench import SimulatedBench
from tests.shape_of_json import misfits
from tests.test_contract import SHORT, verifyrig
from verifyrig import commands
from verifyrig.commands import COMMANDS
from verifyrig.commands.contract import (
    BenchKnownObject,
    ChannelsObject,
    CheckedObject,
    DatasetObject,
    DiagnoseObject,
    ErrorAnswer,
    ExportObject,
    HistoryObject,
    ProfileObject,
    ProfilesObject,
    ReportObject,
    SetupObject,
)
from verifyrig.core.json_schema import JsonSchemaObject
from verifyrig.core.outcome import Outcome
from verifyrig.jobs.contract import JobObject, JobsObject
from verifyrig.line.contract import LineLimitsObject, LineObject, LineWatchObject
from verifyrig.notify.contract import NoticesObject
from verifyrig.qa.contract import QaObject, RigCheckObject
from verifyrig.runs.contract import CompareObject, InspectObject, PairedObject, RunObject, RunsObject

LOG = "t,die\n" + "".join(f"{t},{40 + t / 10:.1f}\n" for t in range(60))

KERNEL_LOG = "2026-03-01T14:05:00+00:00 box kernel: thermal: critical temperature reached\n"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench folder with an open job and its baseline, and one run that lost power."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "bench.toml").write_text('[bench]\nid = "one"\n')
    (folder / "profiles").mkdir()
    (folder / "profiles" / "short.toml").write_text(SHORT)
    (folder / "log.csv").write_text(LOG)
    (folder / "kern.log").write_text(KERNEL_LOG)
    SimulatedBench("healthy-air", 0, folder / "tree").close()
    said("job", "open", "--complaint", "slow", "--customer", "A. Invented", "--id", "a1", cwd=folder)
    for _ in range(2):
        said("run", "short", "--mock", "healthy-air", cwd=folder)
    return folder


def said(*words: str, cwd: Path) -> dict[str, Any]:
    """Return the JSON object that a command prints, without its `schema`."""
    done = verifyrig(*words, "--json", cwd=cwd)
    found: dict[str, Any] = json.loads(done.stdout)
    assert found.pop("schema") == 1, done.stderr
    return found


ANSWERS: list[tuple[str, Any]] = [
    ("run short --mock coolant-stopped --as check", RunObject),
    (
        "import log.csv --time t --channel die_temp_c=die --stage idle=0:20 --stage load=20:60 --ended power-off "
        "--profile short --as check",
        RunObject,
    ),
    ("metrics first --budget", RunObject),
    ("metrics last --until 15", RunObject),
    ("runs", RunsObject),
    ("runs --collect other", RunsObject),
    ("runs --pair first last", PairedObject),
    ("compare first last", CompareObject),
    ("diagnose first", DiagnoseObject),
    ("diagnose first --out path.svg", DiagnoseObject),
    ("inspect first --printed 0123456789abcdef", InspectObject),
    ("inspect last", InspectObject),
    ("channels --root tree", ChannelsObject),
    ("history kern.log", HistoryObject),
    ("job finding cpu-fan=loud", JobObject),
    ("job change paste-renewed", JobObject),
    ("job show", JobObject),
    ("job list", JobsObject),
    ("report", ReportObject),
    ("qa --profile short", QaObject),
    ("qa --schema", JsonSchemaObject),
    ("notices", NoticesObject),
    ("line show", LineObject),
    ("line hold u1 --why loose --by QA", LineObject),
    ("line limits short", LineLimitsObject),
    ("line watch --profile short --once", LineWatchObject),
    ("notices --schema", JsonSchemaObject),
    ("dataset kept --site here", DatasetObject),
    ("rig-check --profile short", RigCheckObject),
    ("export first", ExportObject),
    ("profile list", ProfilesObject),
    ("profile show short", ProfileObject),
    ("profile check profiles/short.toml log.csv", CheckedObject),
    ("setup --shop Invented", SetupObject),
    ("bench known", BenchKnownObject),
    ("metrics no-such-record", ErrorAnswer),
]


@pytest.mark.parametrize(("words", "kind"), ANSWERS, ids=[words for words, _ in ANSWERS])
def test_what_a_command_prints_is_what_its_type_says(words: str, kind: Any, bench: Path) -> None:
    (bench / "other").mkdir(exist_ok=True)
    (bench / "other" / "bench.toml").touch()
    found = said(*words.split(), cwd=bench)
    assert ("error" in found) == (kind in (ErrorAnswer, CheckedObject)), found.get("error")
    assert list(misfits(found, kind)) == []


def test_every_command_stands_in_the_table() -> None:
    asked = {words.split()[0] for words, _ in ANSWERS}
    # Calibration asks a person at a terminal, or a probe in ice; the demo is run once, in `test_demo`.
    assert asked == set(COMMANDS) - {"calibrate", "demo"}


@pytest.mark.parametrize("path", sorted(Path(commands.__file__).parent.glob("*.py")), ids=lambda path: path.name)
def test_no_command_makes_an_object_that_has_no_type(path: Path) -> None:
    calls = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
    answers = [one for one in calls if isinstance(one.func, ast.Name) and one.func.id == "Answer"]
    data = [keyword.value for one in answers for keyword in one.keywords if keyword.arg == "data"]
    # A dictionary written where it is given is no object of the contract to the checker of types.
    assert [one.lineno for one in data if isinstance(one, ast.Dict)] == []


class _Sample(TypedDict):
    outcome: Outcome
    value: float | None
    names: list[str]


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ({"outcome": "completed", "value": None, "names": ["a"]}, ""),
        ({"outcome": "finished", "value": None, "names": ["a"]}, ".outcome: "),
        ({"outcome": "completed", "value": "1", "names": ["a"]}, ".value: "),
        ({"outcome": "completed", "value": 1, "names": [1]}, ".names[0]: "),
        ({"outcome": "completed", "value": True, "names": []}, ".value: "),
        ({"outcome": "completed", "names": []}, ".value: missing"),
        ({"outcome": "completed", "value": 1.5, "names": [], "more": 1}, ".more: not in the contract"),
    ],
)
def test_a_value_that_is_not_of_its_type_is_told(value: Any, told: str) -> None:
    found = list(misfits(value, _Sample))
    assert all(each.startswith(told) for each in found) and bool(found) == bool(told)
