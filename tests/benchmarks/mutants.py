"""Do the tests bite? One small change at a time is made to the code that decides, and its nearest tests are run.

A mutant is killed when a test fails, or when the tests take far longer than without it (`hung` of them: on a busy
machine look at those again). Each mutant lives in a forked process of its own and only in memory; no file is written.
The tests are collected once and the changed functions put in the place of the old ones (`_put_in`); what survives
that is tried again in a process that imports the changed module from the start, so that nothing survives only
because somebody still held the old value. Left alone is what no test should read: docstrings, annotations, decorators,
the words of an error. The alternative paired with it is line coverage's promise: a line that runs is not a line that
is checked, so `ran_but_unchecked` lists what survived.

The mutants are tried in a seeded order until a module's time is spent; `--quick` takes a few of each.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import functools
import importlib.abc
import importlib.machinery
import importlib.util
import inspect
import os
import pickle
import random
import select
import signal
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from enum import Enum
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any, NamedTuple

REPO = Path(__file__).resolve().parent.parent.parent
_QUICK = 12
_SEED = 20
_BUDGET_S = 300.0
_PATIENCE = 5.0
_LEAST_PATIENCE_S = 30.0

# Module -> the tests nearest to it.
NEAREST: dict[str, tuple[str, ...]] = {
    "verifyrig.rig.guard": ("test_guard.py", "test_guard_line.py", "test_guard_rules.py"),
    "verifyrig.rig.idle_heat": ("test_idle_heat.py",),
    "verifyrig.rig.motion": ("test_motion.py", "test_guard.py", "test_guard_line.py", "test_guard_rules.py"),
    "verifyrig.rig.reactions": ("test_guard.py", "test_guard_rules.py", "test_every_die.py"),
    "verifyrig.rig.run_buffer": ("test_run_buffer.py", "test_guard.py", "test_guard_line.py"),
    "verifyrig.rig.trends": ("test_run_buffer.py", "test_guard_line.py", "test_guard_rules.py"),
    "verifyrig.rig.gate": ("test_gate.py",),
    "verifyrig.rig.load_permit": ("test_permit_rules.py", "test_load_permit.py"),
    "verifyrig.rig.runner": ("test_runner.py", "test_runner_limits.py", "test_run_watch.py", "test_run_course.py"),
    "verifyrig.rig.stage_loop": ("test_stage_loop.py", "test_run_course.py"),
    "verifyrig.rig.sampler": ("test_stage_loop.py", "test_run_samples.py", "test_run_course.py"),
    "verifyrig.rig.schedule": ("test_runner_limits.py", "test_stage_loop.py"),
    "verifyrig.rig.blind_time": ("test_runner_limits.py", "test_stage_loop.py"),
    "verifyrig.rig.safety_stop": ("test_safety_stop.py",),
    "verifyrig.rig.persons_load": ("test_persons_load.py",),
    "verifyrig.rig.run_notes": ("test_run_notes.py",),
    "verifyrig.rig.dip_control": ("test_dip_control.py",),
    "verifyrig.rig.interruptions": ("test_interruptions.py",),
    "verifyrig.rig.load_driver": ("test_load_driver.py",),
    "verifyrig.rig.load_counts": ("test_load_driver.py",),
    "verifyrig.rig.holding": ("test_load_driver.py",),
    "verifyrig.rig.dips": ("test_dip_rules.py",),
    "verifyrig.rig.dip": ("test_dip_rules.py",),
    "verifyrig.rig.watched": ("test_dip_rules.py",),
    "verifyrig.rig.load_control": ("test_load_control.py",),
    "verifyrig.rig.load_readings": ("test_load_control.py",),
    "verifyrig.analysis.climb": ("test_climb.py",),
    "verifyrig.rig.climbing": ("test_climbing.py",),
    "verifyrig.rig.stops": ("test_stops.py", "test_runner.py"),
    "verifyrig.metrology.verdict": ("test_verdict.py",),
    "verifyrig.metrology.run_verdict": ("test_run_verdict.py",),
    "verifyrig.metrology.uncertainty": ("test_uncertainty.py",),
    "verifyrig.analysis.thresholds": ("test_thresholds.py", "test_analysis_metrics.py"),
    "verifyrig.analysis.contradictions": ("test_contradiction_rules.py",),
    "verifyrig.analysis.work_rate": ("test_work_rate.py",),
    "verifyrig.plan.feeding": ("test_feeding_rules.py",),
    "verifyrig.analysis.settled": ("test_settled.py",),
    "verifyrig.analysis.forecast": ("test_forecast_rules.py",),
    "verifyrig.analysis.fan_speed": ("test_fan_speed.py",),
    "verifyrig.analysis.posterior": ("test_rival_machines.py", "test_forecast_elsewhere.py"),
    "verifyrig.analysis.die_course": ("test_die_course.py",),
    "verifyrig.analysis.stage_forecaster": ("test_forecast_widening.py",),
    "verifyrig.analysis.repeatability": ("test_repeat_rules.py",),
    "verifyrig.analysis.differences": ("test_difference_rules.py",),
    "verifyrig.record.seal": ("test_seal.py",),
    "verifyrig.files.units": ("test_unit_heads.py",),
    "verifyrig.files.time_cells": ("test_import_forms.py",),
    "verifyrig.files.csv_times": ("test_import_forms.py",),
    "verifyrig.files.csv_table": ("test_import_forms.py", "test_import_csv.py"),
    "verifyrig.runs.csv_columns": ("test_import_units.py",),
    "verifyrig.runs.derived_load": ("test_import_stages.py",),
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
    make: Callable[[], ast.Module]


def mutants_of(module: str, source: str) -> list[Mutant]:
    """Return every mutant of a module, in order of its lines."""
    tree = ast.parse(source)
    unread = _unread(tree)
    found = []
    for at, node in enumerate(ast.walk(tree)):
        if node in unread:
            continue
        for what, change in _changes(node):
            make = functools.partial(_changed, tree, at, change)
            found.append(Mutant(module, getattr(node, "lineno", 0), what, make))
    return sorted(found, key=lambda mutant: mutant.line)


def _changed(tree: ast.Module, at: int, change: Callable[[Any], None]) -> ast.Module:
    """Return a copy of the tree with the node at this place of a walk changed."""
    changed = copy.deepcopy(tree)
    change(next(node for place, node in enumerate(ast.walk(changed)) if place == at))
    return ast.fix_missing_locations(changed)


def _unread(tree: ast.Module) -> set[ast.AST]:
    """Return what no test should read: annotations, decorators, the words of an error, an assertion."""
    roots: list[ast.AST] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Raise | ast.Assert):
            roots.append(node)
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            roots.extend(node.decorator_list)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.returns is not None:
            roots.append(node.returns)
        elif isinstance(node, ast.arg | ast.AnnAssign) and node.annotation is not None:
            roots.append(node.annotation)
    return {below for root in roots for below in ast.walk(root)}


def _changes(node: ast.AST) -> Iterator[tuple[str, Any]]:
    if isinstance(node, ast.Compare):
        for at, op in enumerate(node.ops):
            for table in (_FLIPPED, _TURNED):
                new = table.get(type(op))
                if new is not None:
                    ops = [*node.ops[:at], new(), *node.ops[at + 1 :]]
                    yield f"{type(op).__name__} -> {new.__name__}", _setter("ops", ops)
    elif isinstance(node, ast.AugAssign):
        new = _FLIPPED.get(type(node.op))
        if new is not None:
            yield f"{type(node.op).__name__}= -> {new.__name__}=", _setter("op", new())
    elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield "call left out", _setter("value", ast.Constant(value=None))
    elif isinstance(node, ast.BoolOp | ast.BinOp):
        new = _FLIPPED.get(type(node.op))
        if new is not None and not (isinstance(node, ast.BinOp) and _is_text(node)):
            yield f"{type(node.op).__name__} -> {new.__name__}", _setter("op", new())
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield "not dropped", _without_not
    elif isinstance(node, ast.Constant):
        yield from _constants(node)
    elif isinstance(node, ast.If | ast.IfExp):
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
        exec(compile(self._mutant.make(), str(_file_of(self._mutant.module)), "exec"), module.__dict__)


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
        if mutant is not None:
            sys.meta_path.insert(0, _Swap(mutant))
        code = _pytest(tests, [])
    finally:
        os._exit(code)


def _pytest(tests: Sequence[str], plugins: list[Any]) -> int:
    quiet = os.open(os.devnull, os.O_RDWR)
    for handle in (0, 1, 2):
        os.dup2(quiet, handle)
    import pytest

    os.chdir(REPO)
    rewrite = "ignore:Module already imported"
    words = ["-x", "-q", "-n", "0", "-p", "no:cacheprovider", "-o", "addopts=", "-W", rewrite]
    return int(pytest.main([*words, *(f"tests/{name}" for name in tests)], plugins=plugins))


class _Trials:
    """A pytest plugin: in place of running the collected tests once, runs them in a fork for each mutant.

    The tests that killed before come first: most mutants die by few tests.
    """

    def __init__(self, module: str, mutants: Sequence[Mutant], budget_s: float) -> None:
        self.usual_s: float | None = None
        self.ends: list[tuple[int, str]] = []
        self._module, self._mutants = module, mutants
        self._until_s = time.monotonic() + budget_s

    def pytest_runtestloop(self, session: Any) -> bool:
        items = list(session.items)
        # Put in unchanged: what fails here would kill every mutant.
        source = _file_of(self._module).read_text(encoding="utf-8")
        same = Mutant(self._module, 0, "nothing", functools.partial(ast.parse, source))
        end, self.usual_s, _ = _in_fork(lambda: _put_in_and_run(same, session, items), 600.0)
        if end != "passed":
            self.usual_s = None
            return True
        patience_s = max(_LEAST_PATIENCE_S, _PATIENCE * self.usual_s)
        for at, mutant in enumerate(self._mutants):
            if time.monotonic() > self._until_s:
                break
            end, _, killer = _in_fork(functools.partial(_put_in_and_run, mutant, session, items), patience_s)
            self.ends.append((at, end))
            if killer is not None:
                items.insert(0, items.pop(killer))
        return True


def _put_in_and_run(mutant: Mutant, session: Any, items: list[Any]) -> int:
    try:
        _put_in(mutant)
    except Exception:
        return 0  # the module cannot even be made: any test would fail
    return _first_failed(session, items)


def _first_failed(session: Any, items: list[Any]) -> int:
    """Return the place of the first test that fails, -1 for none."""
    for at, item in enumerate(items):
        following = items[at + 1] if at + 1 < len(items) else None
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        if session.testsfailed:
            return at
    return -1


def _put_in(mutant: Mutant) -> None:
    """Give the loaded module the changed functions, in place, so that who imported them has them too."""
    module = sys.modules[mutant.module]
    fresh = ModuleType(mutant.module)
    fresh.__file__ = module.__file__
    fresh.__package__ = module.__package__
    # Decorators such as `dataclass` look their module up by its name.
    sys.modules[mutant.module] = fresh
    try:
        exec(compile(mutant.make(), str(module.__file__), "exec"), fresh.__dict__)
    finally:
        sys.modules[mutant.module] = module
    _take_over(module.__dict__, fresh.__dict__, mutant.module)


def _take_over(old: Any, new: Mapping[str, Any], module: str) -> None:
    for name, value in new.items():
        was = old.get(name)
        plain, changed = _function(was), _function(value)
        if plain is not None and changed is not None:
            if changed.__module__ == module and len(plain.__code__.co_freevars) == len(changed.__code__.co_freevars):
                plain.__code__ = changed.__code__
                plain.__defaults__, plain.__kwdefaults__ = changed.__defaults__, changed.__kwdefaults__
        elif isinstance(value, type):
            if value.__module__ == module and isinstance(was, type):
                _take_over(dict(vars(was)), dict(vars(value)), module)
        elif isinstance(old, dict) and not name.startswith("__") and not isinstance(value, ModuleType):
            old[name] = _in_old_members(value, module)


def _in_old_members(value: Any, module: str) -> Any:
    """Return a constant with the members of the loaded module's enums, which all others hold, not of the new ones."""
    if isinstance(value, Enum):
        held = getattr(sys.modules[module], type(value).__name__, None) if type(value).__module__ == module else None
        return value if held is None else getattr(held, value.name)
    if type(value) is dict:
        return {_in_old_members(key, module): _in_old_members(one, module) for key, one in value.items()}
    if type(value) in (tuple, list, set, frozenset):
        return type(value)(_in_old_members(one, module) for one in value)
    return value


def _function(value: Any) -> FunctionType | None:
    """Return the function below a method or a decorator, None where there is none."""
    if isinstance(value, property):
        value = value.fget
    elif isinstance(value, staticmethod | classmethod):
        value = value.__func__
    value = inspect.unwrap(value) if callable(value) and not isinstance(value, type) else value
    return value if isinstance(value, FunctionType) else None


def _in_fork(work: Callable[[], int], patience_s: float) -> tuple[str, float, int | None]:
    """Return `passed`, `failed` or `hung`, how long it took, s, and the number of the test that failed."""
    began_s = time.monotonic()
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.setpgid(0, 0)
            os.write(writer, str(work()).encode())
        finally:
            os._exit(0)
    os.close(writer)
    ready, _, _ = select.select([reader], [], [], patience_s)
    told = os.read(reader, 20) if ready else b""
    os.close(reader)
    with contextlib.suppress(ProcessLookupError):
        os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    took_s = time.monotonic() - began_s
    if not ready:
        return "hung", took_s, None
    at = int(told) if told else 0
    return ("passed" if at < 0 else "failed"), took_s, at if at >= 0 and told else None


def _try_all(module: str, mutants: Sequence[Mutant], budget_s: float) -> tuple[float | None, list[tuple[int, str]]]:
    """Run `_Trials` in a fork, so that this process never imports the project; return its findings."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(reader)
            trials = _Trials(module, mutants, budget_s)
            _pytest(NEAREST[module], [trials])
            with os.fdopen(writer, "wb") as out:
                pickle.dump((trials.usual_s, trials.ends), out)
        finally:
            os._exit(0)
    os.close(writer)
    with os.fdopen(reader, "rb") as answer:
        told = answer.read()
    os.waitpid(child, 0)
    found: tuple[float | None, list[tuple[int, str]]] = pickle.loads(told) if told else (None, [])
    return found


def _of_module(module: str, full: bool, budget_s: float, lines: frozenset[int] = frozenset()) -> dict[str, Any]:
    tests = NEAREST[module]
    lost = [name for name in tests if not (REPO / "tests" / name).is_file()]
    if lost:
        return {"error": f"no such tests: {', '.join(lost)}", "tests": tests}
    every = mutants_of(module, _file_of(module).read_text(encoding="utf-8"))
    every = [mutant for mutant in every if not lines or mutant.line in lines]
    some = random.Random(_SEED).sample(every, len(every) if full else min(len(every), _QUICK))
    usual_s, ends = _try_all(module, some, budget_s)
    if usual_s is None:
        return {"error": "the tests do not pass without a mutant", "tests": tests}
    patience_s = max(_LEAST_PATIENCE_S, 2 * _PATIENCE * usual_s)
    survivors = [some[at] for at, end in ends if end == "passed"]
    survivors = [mutant for mutant in survivors if _run(tests, mutant, patience_s)[0] == "passed"]
    killed = len(ends) - len(survivors)
    return {
        "mutants": len(every),
        "tried": len(ends),
        "killed": killed,
        "killed_share": round(killed / max(1, len(ends)), 3),
        "hung": _listed(some[at] for at, end in ends if end == "hung"),
        "ran_but_unchecked": _listed(survivors),
    }


def _listed(mutants: Iterable[Mutant]) -> list[str]:
    return [f"{mutant.line}: {mutant.what}" for mutant in sorted(mutants, key=lambda mutant: mutant.line)]


def measure(
    full: bool = True,
    modules: Sequence[str] = (),
    budget_s: float = _BUDGET_S,
    lines: frozenset[int] = frozenset(),
) -> dict[str, Any]:
    """Return, for each module that decides, how many of its mutants (of these lines alone) the nearest tests kill."""
    # What every test imports is imported before the forks; the project itself is not.
    for name in ("numpy", "pytest", "hypothesis", "scipy.optimize", "scipy.linalg", "scipy.stats"):
        importlib.import_module(name)
    assert not any(name.startswith(("verifyrig", "mock_hw")) for name in sys.modules)
    table = {module: _of_module(module, full, budget_s, lines) for module in modules or NEAREST}
    tried = sum(row.get("tried", 0) for row in table.values())
    killed = sum(row.get("killed", 0) for row in table.values())
    return {"modules": table, "tried": tried, "killed": killed, "ratio": round(killed / max(1, tried), 3)}


def main() -> None:
    """Print the survivors of the modules named: `python -m tests.benchmarks.mutants MODULE...`."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument(
        "modules", nargs="*", metavar="MODULE", help="verifyrig.metrology.verdict; all of the list without"
    )
    parser.add_argument("--budget", type=float, default=_BUDGET_S, metavar="S", help="time for each module, s")
    parser.add_argument("--quick", action="store_true", help=f"at most {_QUICK} of each module")
    parser.add_argument("--lines", default="", metavar="N,N", help="only the mutants of these lines of the module")
    asked = parser.parse_args()
    lines = frozenset(int(word) for word in asked.lines.split(",") if word)
    unknown = [name for name in asked.modules if name not in NEAREST]
    if unknown:
        parser.error(f"no tests are named here for {', '.join(unknown)}")
    tried = killed = 0
    for module in asked.modules or NEAREST:
        row = measure(not asked.quick, [module], asked.budget, lines)["modules"][module]
        tried, killed = tried + row.get("tried", 0), killed + row.get("killed", 0)
        print(module, {key: value for key, value in row.items() if key != "ran_but_unchecked"})
        for line in row.get("ran_but_unchecked", ()):
            print("   ", line, flush=True)
    print("killed", killed, "of", tried)


if __name__ == "__main__":
    main()
