"""Do the tests bite? One small change at a time is made to the code that decides, and its nearest tests are run.

A mutant is killed when a test fails, or when the tests take far longer than without it. Each mutant lives in a
forked process of its own and only in memory: the module is compiled from the changed syntax tree when it is imported,
no file is written. The alternative paired with it is line coverage's promise: a line that runs is not a line that is
checked, so `ran_but_unchecked` lists what survived.

`--quick` takes a seeded sample of each module's mutants.
"""

from __future__ import annotations

import ast
import copy
import importlib.abc
import importlib.machinery
import importlib.util
import os
import random
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

REPO = Path(__file__).resolve().parent.parent.parent
_QUICK = 12
_FULL = 60
_SEED = 20
_PATIENCE = 5.0
_LEAST_PATIENCE_S = 30.0

# Module -> the tests nearest to it.
NEAREST: dict[str, tuple[str, ...]] = {
    "verifyrig.rig.guard": ("test_guard.py", "test_guard_line.py"),
    "verifyrig.rig.heat_at_rest": ("test_heat_at_rest.py",),
    "verifyrig.rig.run_buffer": ("test_run_buffer.py", "test_guard.py", "test_guard_line.py"),
    "verifyrig.rig.gate": ("test_gate.py", "test_runner.py"),
    "verifyrig.rig.load_permit": ("test_load_permit.py", "test_runner.py"),
    "verifyrig.rig.runner": ("test_runner.py", "test_runner_limits.py", "test_run_watch.py"),
    "verifyrig.rig.stage_loop": ("test_runner.py", "test_runner_limits.py"),
    "verifyrig.rig.sampler": ("test_runner.py", "test_runner_limits.py"),
    "verifyrig.rig.interruptions": ("test_runner.py",),
    "verifyrig.rig.load_control": ("test_runner.py", "test_dips.py"),
    "verifyrig.rig.stops": ("test_stops.py", "test_runner.py"),
    "verifyrig.metrology.verdict": ("test_verdict.py",),
    "verifyrig.metrology.uncertainty": ("test_uncertainty.py",),
    "verifyrig.analysis.thresholds": ("test_analysis_metrics.py", "test_thresholds.py"),
    "verifyrig.analysis.settled": ("test_analysis_metrics.py", "test_settled.py"),
    "verifyrig.analysis.forecast": ("test_analysis_forecast.py",),
    "verifyrig.record.seal": ("test_seal.py",),
}
_FLIPPED: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.And: ast.Or, ast.Or: ast.And,
    ast.UAdd: ast.USub,
}  # fmt: skip
# Comparisons are turned round too: `<` becomes `>=`, not only `<=`.
_TURNED: dict[type[ast.AST], type[ast.AST]] = {ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt}


class Mutant(NamedTuple):
    """One change: where it is, and what it does, as a line of a list."""

    module: str
    line: int
    what: str
    tree: ast.Module


def mutants_of(module: str, source: str) -> list[Mutant]:
    """Return every mutant of a module, in order of its lines."""
    tree = ast.parse(source)
    found = []
    for at, node in enumerate(ast.walk(tree)):
        for what, change in _changes(node):
            changed = copy.deepcopy(tree)
            twin = next(other for place, other in enumerate(ast.walk(changed)) if place == at)
            change(twin)
            ast.fix_missing_locations(changed)
            found.append(Mutant(module, getattr(node, "lineno", 0), what, changed))
    return sorted(found, key=lambda mutant: mutant.line)


def _changes(node: ast.AST) -> Iterator[tuple[str, Any]]:
    if isinstance(node, ast.Compare):
        for table in (_FLIPPED, _TURNED):
            new = table.get(type(node.ops[0]))
            if new is not None:
                yield f"{type(node.ops[0]).__name__} -> {new.__name__}", _setter("ops", [new(), *node.ops[1:]])
    elif isinstance(node, ast.BoolOp | ast.BinOp):
        new = _FLIPPED.get(type(node.op))
        if new is not None and not (isinstance(node, ast.BinOp) and _is_text(node)):
            yield f"{type(node.op).__name__} -> {new.__name__}", _setter("op", new())
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield "not dropped", _without_not
    elif isinstance(node, ast.Constant):
        yield from _constants(node)
    elif isinstance(node, ast.If):
        yield "if never", _setter("test", ast.Constant(value=False))
    elif isinstance(node, ast.Return) and node.value is not None and not isinstance(node.value, ast.Constant):
        yield "returns None", _setter("value", ast.Constant(value=None))


def _constants(node: ast.Constant) -> Iterator[tuple[str, Any]]:
    value = node.value
    if isinstance(value, bool):
        yield f"{value} -> {not value}", _setter("value", not value)
    elif isinstance(value, int | float):
        yield f"{value} -> {value + 1}", _setter("value", value + 1)
        if value:
            yield f"{value} -> {value * 2}", _setter("value", value * 2)


def _is_text(node: ast.BinOp) -> bool:
    """Whether it joins texts or types (`a | b` is no arithmetic of ours)."""
    sides = (node.left, node.right)
    return any(
        isinstance(s, ast.JoinedStr) or (isinstance(s, ast.Constant) and isinstance(s.value, str)) for s in sides
    )


def _setter(name: str, value: Any) -> Any:
    return lambda node: setattr(node, name, value)


def _without_not(node: ast.UnaryOp) -> None:
    node.op = ast.Not()
    node.operand = ast.UnaryOp(op=ast.Not(), operand=node.operand)


class _Swap(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports one module from a changed tree."""

    def __init__(self, mutant: Mutant) -> None:
        self._mutant = mutant

    def find_spec(self, name: str, path: Any = None, target: Any = None) -> importlib.machinery.ModuleSpec | None:
        if name != self._mutant.module:
            return None
        spec = importlib.util.spec_from_loader(name, self, origin=str(_file_of(name)))
        assert spec is not None
        spec.has_location = True
        return spec

    def exec_module(self, module: ModuleType) -> None:
        exec(compile(self._mutant.tree, str(_file_of(self._mutant.module)), "exec"), module.__dict__)


def _file_of(module: str) -> Path:
    return REPO / Path(*module.split(".")).with_suffix(".py")


def _run(tests: Sequence[str], mutant: Mutant | None, patience_s: float) -> tuple[str, float]:
    """Run tests in a fork; return `passed`, `failed` or `hung`, and how long it took, s."""
    began_s = time.monotonic()
    child = os.fork()
    if child == 0:
        _child(tests, mutant)
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return ("passed" if os.waitstatus_to_exitcode(status) == 0 else "failed"), time.monotonic() - began_s
        if time.monotonic() - began_s > patience_s:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return "hung", time.monotonic() - began_s
        time.sleep(0.02)


def _child(tests: Sequence[str], mutant: Mutant | None) -> None:
    code = 70
    try:
        os.setpgid(0, 0)
        quiet = os.open(os.devnull, os.O_RDWR)
        for handle in (0, 1, 2):
            os.dup2(quiet, handle)
        if mutant is not None:
            sys.meta_path.insert(0, _Swap(mutant))
        import pytest

        os.chdir(REPO)
        rewrite = "ignore:Module already imported"
        words = ["-x", "-q", "-n", "0", "-p", "no:cacheprovider", "-o", "addopts=", "-W", rewrite]
        code = int(pytest.main([*words, *(f"tests/{name}" for name in tests)]))
    finally:
        os._exit(code)


def _of_module(module: str, full: bool) -> dict[str, Any]:
    tests = [name for name in NEAREST[module] if (REPO / "tests" / name).is_file()]
    whole, usual_s = _run(tests, None, 600.0)
    if whole != "passed":
        return {"error": f"the tests do not pass without a mutant ({whole})", "tests": tests}
    every = mutants_of(module, _file_of(module).read_text(encoding="utf-8"))
    some = random.Random(_SEED).sample(every, min(len(every), _FULL if full else _QUICK))
    patience_s = max(_LEAST_PATIENCE_S, _PATIENCE * usual_s)
    survivors = [
        f"{mutant.line}: {mutant.what}" for mutant in sorted(some, key=lambda m: m.line)
        if _run(tests, mutant, patience_s)[0] == "passed"
    ]  # fmt: skip
    killed = len(some) - len(survivors)
    return {
        "mutants": len(every),
        "tried": len(some),
        "killed": killed,
        "killed_share": round(killed / len(some), 3),
        "ran_but_unchecked": survivors,
    }


def measure(full: bool = True, modules: Sequence[str] = ()) -> dict[str, Any]:
    """Return, for each module that decides, how many of its mutants the nearest tests kill."""
    # What every test imports is imported before the forks; the project itself is not.
    for name in ("numpy", "pytest", "hypothesis", "scipy.optimize", "scipy.linalg", "scipy.stats"):
        importlib.import_module(name)
    assert not any(name.startswith(("verifyrig", "mock_hw")) for name in sys.modules)
    table = {module: _of_module(module, full) for module in modules or NEAREST}
    tried = sum(row.get("tried", 0) for row in table.values())
    killed = sum(row.get("killed", 0) for row in table.values())
    return {"modules": table, "tried": tried, "killed": killed, "ratio": round(killed / max(1, tried), 3)}


def main() -> None:
    """Print the survivors of the modules named: `python -m tests.benchmarks.mutants MODULE...`."""
    found = measure(modules=sys.argv[1:])
    for module, row in found["modules"].items():
        print(module, {key: value for key, value in row.items() if key != "ran_but_unchecked"})
        for line in row.get("ran_but_unchecked", ()):
            print("   ", line)
    print("killed", found["killed"], "of", found["tried"])


if __name__ == "__main__":
    main()
