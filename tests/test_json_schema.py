"""The committed JSON Schemas: they are what the types say, and what the program prints holds to them (jsonschema)."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from tests.batches import PROFILE, batch, batch_with_three_faults
from tests.small_records import PROFILE_TEXT, write_record
from tests.test_contract import verifyrig
from verifyrig.core.json_schema import schema_text
from verifyrig.core.plain_json import plain_json
from verifyrig.notify.contract import NoticeObject
from verifyrig.qa import as_json, find
from verifyrig.qa.contract import QaObject

SCHEMAS = Path(__file__).resolve().parent.parent / "docs" / "schemas"
FILES = {"findings": QaObject, "notice": NoticeObject}


def schema_of(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8"))
    return found


@pytest.mark.parametrize("name", FILES)
def test_a_committed_schema_is_what_the_types_say(name: str) -> None:
    assert (SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8") == schema_text(FILES[name])
    Draft202012Validator.check_schema(schema_of(name))


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    """What `qa --json` says of a folder of records, of an empty one, and findings on large invented batches."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "bench.toml").touch()
    (folder / "profiles").mkdir()
    (folder / "profiles" / "tiny-build.toml").write_text(PROFILE_TEXT, encoding="utf-8")
    empty = json.loads(verifyrig("qa", "--profile", "tiny-build", "--json", cwd=folder).stdout)
    (folder / "runs").mkdir()
    for number in range(4):
        write_record(folder / "runs", number, unit=f"unit-{number % 3}", facts={"batch": f"b{number % 2}"})
    words = ["--batch", "b0", "--against", "b1", "--propose", "limits.toml", "--out", "table.csv"]
    full = json.loads(verifyrig("qa", "--profile", "tiny-build", *words, "--json", cwd=folder).stdout)
    assert "comparison" in full and "proposals" in full
    invented = [{"schema": 1, **as_json(find(runs, PROFILE))} for runs in (batch(), batch_with_three_faults())]
    return [empty, full, *json.loads(json.dumps(plain_json(invented)))]


def test_what_qa_prints_holds_to_the_schema(printed: list[dict[str, Any]]) -> None:
    validator = Draft202012Validator(schema_of("findings"))
    assert [list(validator.iter_errors(one)) for one in printed] == [[]] * len(printed)


def test_and_what_is_not_so_does_not(printed: list[dict[str, Any]]) -> None:
    validator = Draft202012Validator(schema_of("findings"))
    for path, value in (("verdict", "fine"), ("units", "3"), ("final.low", None), ("attempts.0.counted", 1)):
        for spoilt in (copy.deepcopy(printed[1]), copy.deepcopy(printed[2])):
            *outer, last = path.split(".")
            place: Any = spoilt
            for key in outer:
                place = place[int(key) if key.isdigit() else key]
            del place[last]
            assert not validator.is_valid(spoilt), path
            place[last] = value
            assert validator.is_valid(spoilt) == (value is None), path


def test_the_command_prints_the_committed_file(tmp_path: Path) -> None:
    assert verifyrig("qa", "--schema", cwd=tmp_path).stdout.strip() == schema_text(QaObject).strip()
