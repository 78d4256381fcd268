"""The words for ends, causes, stages and loads stand in their enums alone; no code holds them as loose strings.

A word that means nothing else (`interrupted`) may stand nowhere; one that is also a common word (`time`, `load`) may
not stand where it is compared with such a value, or given to it.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path

import pytest

import verifyrig
from verifyrig.core.outcome import CauseClass, Outcome, StageEnd
from verifyrig.core.profile import LoadPattern, Purpose, StageKind, WorkName

PACKAGE = Path(verifyrig.__file__).parent

MODULES = sorted(PACKAGE.rglob("*.py"))

# What the place where a word stands says of its meaning: an attribute or key that is compared, a keyword that is given.
MEANT_BY: dict[str, tuple[type[StrEnum], ...]] = {
    "outcome": (Outcome,),
    "ended": (StageEnd, Outcome, CauseClass),
    "class": (CauseClass,),
    "went_dark": (CauseClass,),
    "pattern": (LoadPattern,),
    "purpose": (Purpose,),
    "work": (WorkName,),
    "kind of a stage": (StageKind,),
}
ALONE = frozenset(
    {
        Outcome.COMPLETED, Outcome.INTERRUPTED, Outcome.TRIPPED, CauseClass.TERMINATED, CauseClass.KILLED,
        CauseClass.POWER_OFF, StageKind.COOLDOWN, LoadPattern.STEADY, WorkName.LINEAR_ALGEBRA,
        WorkName.GPU_LINEAR_ALGEBRA, WorkName.GPU_AND_PROCESSOR, Purpose.BASELINE,
    }
)  # fmt: skip
# What such a word says to a person, in a table whose keys are the enum's; it is not read by code.
SAID = {"report/names.py": {"baseline"}}


def loose_words(source: str, said: frozenset[str] | set[str] = frozenset()) -> Iterator[tuple[int, str]]:
    """Yield line and word of each string of the source that an enum has a name for."""
    tree = ast.parse(source)
    parents = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and not _in_enum(node, parents):
            alone = node.value in ALONE and node.value not in said
            if alone or any(node.value in set(enum) for enum in _meant(node, parents)):
                yield node.lineno, node.value


def _in_enum(node: ast.AST, parents: dict[ast.AST, ast.AST]) -> bool:
    while (node := parents.get(node)) is not None:  # type: ignore[assignment]
        if isinstance(node, ast.ClassDef):
            return any("Enum" in ast.unparse(base) for base in node.bases)
    return False


def _meant(node: ast.AST, parents: dict[ast.AST, ast.AST]) -> tuple[type[StrEnum], ...]:
    above = parents.get(node)
    if isinstance(above, ast.Tuple | ast.List | ast.Set):
        node, above = above, parents.get(above)
    if isinstance(above, ast.Compare):
        others = [each for each in (above.left, *above.comparators) if each is not node]
        return _by_name(ast.unparse(others[0]))
    if isinstance(above, ast.keyword):
        return MEANT_BY.get(above.arg or "", ())
    if isinstance(above, ast.Dict) and node in above.values:
        key = above.keys[above.values.index(node)]
        return MEANT_BY.get(str(key.value), ()) if isinstance(key, ast.Constant) else ()
    return ()


def _by_name(compared: str) -> tuple[type[StrEnum], ...]:
    if re.search(r"\b(stage|span|s)\.kind$", compared):
        return MEANT_BY["kind of a stage"]
    name = re.search(r"(\w+)['\"\])]*$", re.sub(r"\.get\('(\w+)'.*\)$", r".\1", compared))
    return MEANT_BY.get(name[1], ()) if name else ()


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_module_spells_a_word_that_an_enum_names(path: Path) -> None:
    name = path.relative_to(PACKAGE).as_posix()
    found = list(loose_words(path.read_text(encoding="utf-8"), SAID.get(name, frozenset())))
    assert not found, f"{name}: {found}"


@pytest.mark.parametrize(
    "source",
    [
        'x = "interrupted"',
        'if run.outcome == "running": pass',
        'if facts.get("outcome") in ("running", None): pass',
        'if stage.ended != "skipped": pass',
        'if cause["class"] == "hang": pass',
        'if stage.kind == "load": pass',
        'if plan.pattern == "pulses": pass',
        'Stage(ended="gate")',
        '{"outcome": "stopped"}',
    ],
)
def test_a_loose_word_is_found_wherever_it_may_stand(source: str) -> None:
    assert list(loose_words(source))


@pytest.mark.parametrize(
    "source",
    [
        'if event.kind == "load": pass',
        'class A(StrEnum):\n    B = "interrupted"',
        'fan = ("turns", "stopped")',
        'x["load"]',
    ],
)
def test_a_word_that_means_something_else_stays(source: str) -> None:
    assert not list(loose_words(source))


def test_the_words_are_those_of_the_contract() -> None:
    # The contract's JSON: outcome, cause.class, stages[].ended, stages[].kind; the profile's example; --as.
    assert list(Outcome) == ["running", "completed", "tripped", "stopped", "interrupted"]
    assert list(CauseClass) == ["operator", "terminated", "killed", "power-off", "hang", "suspend", "unknown"]
    assert list(StageEnd) == ["settled", "time", "gate", "tripped", "skipped", "stopped", "interrupted"]
    assert list(StageKind) == ["idle", "load", "cooldown"]
    assert list(LoadPattern) == ["steady", "pulses", "steps"]
    assert list(Purpose) == ["baseline", "check", "verification", "build"]
