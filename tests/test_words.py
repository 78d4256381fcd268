"""One word, one meaning: names in the code use the glossary's words, and a public class name stands for one thing."""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parent.parent
SOURCES = [path for package in ("verifyrig", "mock_hw") for path in sorted((REPO / package).rglob("*.py"))]
# What is no longer said in names, as whole parts of them, and the word that is.
OUTLAWED = {
    "idle": "rest rests rested resting",
    "forecast": "foresee foresees foreseen foretell foretells foretold unforeseen",
    "ambient": "room rooms",
    "interrupted": "broke_off break_off breaks_off broken_off",
    "commanded": "told",
    "step": "edge edges",
    "watchdog": "lifeline",
    "thermal path": "heat_path",
}
# Where a word of the list means something else, or is fixed from outside: name to files.
ALLOWED = {
    # what remains of a line or a list
    "rest": {
        "mock_hw/serial/thermometer.py", "verifyrig/commands/cli.py", "verifyrig/files/time_cells.py",
        "verifyrig/jobs/soak.py", "verifyrig/loads/worker_process.py", "verifyrig/qa/bench_check.py",
        "verifyrig/report/fitness.py",
        "verifyrig/report/names.py", "verifyrig/report/pages.py", "verifyrig/report/render.py",
    },
    # a cause of the contract
    "WARM_ROOM": {"verifyrig/diagnosis/draws.py", "verifyrig/diagnosis/evidence.py", "verifyrig/diagnosis/suspects.py"},
    "_warm_room": {"mock_hw/physics/faults.py"},
    # values of reasons, which records hold
    "room_c": {"verifyrig/analysis/temperatures.py"},
    "room_k": {"verifyrig/rig/load_permit.py"},
    # a key of `runs --pair --json`
    "edges": {"verifyrig/runs/contract.py"},
    # bounds of bins, as numerical packages call them
    "bin_edges": {"verifyrig/analysis/compress.py"},
}  # fmt: skip
# `told` is commanded where a load or a fan is; elsewhere a person may be told something.
COMMANDS = ("mock_hw/", "verifyrig/analysis/", "verifyrig/loads/", "verifyrig/rig/", "verifyrig/sensors/")


def names_in(source: str) -> Iterator[str]:
    """Yield every identifier of the code; what stands in strings and comments is none."""
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.NAME:
            yield token.string


def outlawed_in(name: str) -> Iterator[str]:
    """Yield the words of the list that are parts of a name: `rest` in `at_rest`, `LEAST_REST_C` and `HeatAtRest`."""
    parts = "_" + re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", name).lower().strip("_") + "_"
    for words in OUTLAWED.values():
        yield from (word for word in words.split() if f"_{word}_" in parts)


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("rest_w", ["rest"]), ("HeatAtRest", ["rest"]), ("_LEAST_REST_C", ["rest"]), ("restart", []), ("latest", []),
        ("RoomFacts", ["room"]), ("headroom_w", []), ("_foretell", ["foretell"]), ("Foretold", ["foretold"]),
        ("load_edge_s", ["edge"]), ("wedge_factor", []), ("BROKE_OFF", ["broke_off"]), ("is_broken", []),
    ],
)  # fmt: skip
def test_the_words_are_found_as_parts_of_a_name(name: str, found: list[str]) -> None:
    assert list(outlawed_in(name)) == found


def test_names_use_the_words_of_the_glossary() -> None:
    found = set()
    for path in SOURCES:
        where = path.relative_to(REPO).as_posix()
        for name in {*names_in(path.read_text(encoding="utf-8")), path.stem}:
            for word in outlawed_in(name):
                if where not in ALLOWED.get(name, set()) and (word != "told" or where.startswith(COMMANDS)):
                    found.add(f"{where}: {name}")
    assert sorted(found) == [], "DEVELOPERS.md, glossary: one word, one meaning"


def test_a_public_class_name_stands_for_one_thing() -> None:
    places = defaultdict(set)
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                places[node.name].add(path.relative_to(REPO).as_posix())
    assert {name: sorted(where) for name, where in places.items() if len(where) > 1} == {}
