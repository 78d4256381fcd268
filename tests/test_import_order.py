"""The order of the packages, read from the imports themselves: each imports only what stands before it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

REPO = Path(__file__).resolve().parent.parent
# From the ground up; DEVELOPERS.md says in a sentence each what they hold.
ORDER = (
    "core", "files", "metrology", "plan", "bench", "system", "sensors", "loads", "record", "link", "analysis", "rig",
    "runs", "notify", "jobs", "diagnosis", "capability", "qa", "line", "dialogs", "terminal", "report", "serve",
    "stick", "commands", "pytest_plugin", "__main__",
)  # fmt: skip
EDGES = {"sensors", "loads", "record"}
PURE = {"analysis", "diagnosis", "capability"}
AT_THE_TOP = {"__init__", "__main__", "pytest_plugin"}
# The one module that knows simulated hardware, and what simulated hardware borrows from the project.
KNOWS_MOCK = {"verifyrig.rig.simulated"}
MOCK_BORROWS = {"verifyrig.loads.works.march", "verifyrig.loads.works.sweep"}


def _modules(package: str) -> dict[str, Path]:
    found = {}
    for path in (REPO / package).rglob("*.py"):
        parts = path.relative_to(REPO).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


MODULES = {**_modules("verifyrig"), **_modules("mock_hw")}


def _imports(path: Path) -> Iterator[str]:
    """Yield every module that a file imports, inside functions too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import hides where it points"
            names = (f"{node.module}.{alias.name}" for alias in node.names)
            yield from (name if name in MODULES else node.module or "" for name in names)


@cache
def graph() -> dict[str, set[str]]:
    """Return what each module imports of the project."""
    return {name: {imported for imported in _imports(path) if imported in MODULES} for name, path in MODULES.items()}


def _package(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def _arrows() -> Iterator[tuple[str, str]]:
    return ((module, imported) for module, imports in graph().items() for imported in imports)


def test_every_package_has_its_place_in_the_order() -> None:
    found = {_package(module) for module in _modules("verifyrig")} - {""}
    assert found == set(ORDER)


def test_only_the_entry_points_lie_at_the_top() -> None:
    assert {path.stem for path in (REPO / "verifyrig").glob("*.py")} == AT_THE_TOP


def test_no_import_points_up() -> None:
    rank = {package: place for place, package in enumerate(ORDER)}
    up = [
        f"{module} -> {imported}"
        for module, imported in _arrows()
        if _package(module) in rank and _package(imported) in rank and rank[_package(imported)] > rank[_package(module)]
    ]
    assert up == []


def test_analysis_diagnosis_and_capability_import_no_edge() -> None:
    edges = [f"{m} -> {i}" for m, i in _arrows() if _package(m) in PURE and _package(i) in EDGES]
    assert edges == []


def test_no_module_cycles() -> None:
    # A package's __init__ names what is public: importing it from inside its own package is not counted as a cycle.
    inner = {m: {i for i in imports if not m.startswith(f"{i}.")} for m, imports in graph().items()}
    assert len(tuple(TopologicalSorter(inner).static_order())) == len(inner)


def test_simulated_hardware_is_known_in_one_place() -> None:
    assert {m for m, i in _arrows() if m.startswith("verifyrig") and i.startswith("mock_hw")} == KNOWS_MOCK


def test_simulated_hardware_borrows_only_what_the_map_names() -> None:
    assert {i for m, i in _arrows() if m.startswith("mock_hw") and i.startswith("verifyrig")} == MOCK_BORROWS


def test_the_tests_count_on_one_thread_as_the_program_does() -> None:
    """Set before numpy is loaded, or it counts for nothing; asked of the library itself."""
    import numpy as np
    from threadpoolctl import threadpool_info

    assert np.linalg.det(np.eye(2)) == 1.0
    assert {pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"} <= {1}


def test_no_class_is_a_thread() -> None:
    # `threading.Thread` keeps attributes under names such as `_handle` (CPython 3.13) that a class below it would
    # take over: it then starts on one version of Python and not on the next.
    found = [
        f"{name}: {node.name}"
        for name, path in MODULES.items()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ClassDef)
        and any(ast.unparse(base).rpartition(".")[2] == "Thread" for base in node.bases)
    ]
    assert found == []
