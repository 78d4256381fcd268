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
from verifyrig.core.event_kind import EventKind
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
    "kind of an event": (EventKind,),
}
ALONE = frozenset(
    {
        Outcome.COMPLETED, Outcome.INTERRUPTED, Outcome.TRIPPED, CauseClass.TERMINATED, CauseClass.KILLED,
        CauseClass.POWER_OFF, StageKind.COOLDOWN, WorkName.LINEAR_ALGEBRA, WorkName.GPU_LINEAR_ALGEBRA,
        WorkName.GPU_AND_PROCESSOR, Purpose.BASELINE,
        *(kind for kind in EventKind if "-" in kind and kind not in ("gate-closed", "read-hangs")),
    }
)  # fmt: skip


def loose_words(source: str) -> Iterator[tuple[int, str]]:
    """Yield line and word of each string of the source that an enum has a name for."""
    tree = ast.parse(source)
    parents = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and not _in_enum(node, parents):
            alone = node.value in ALONE and not _is_said(node, parents)
            if alone or any(node.value in set(enum) for enum in _meant(node, parents)):
                yield node.lineno, node.value


def _in_enum(node: ast.AST, parents: dict[ast.AST, ast.AST]) -> bool:
    while (node := parents.get(node)) is not None:  # type: ignore[assignment]
        if isinstance(node, ast.ClassDef):
            return any("Enum" in ast.unparse(base) for base in node.bases)
    return False


def _is_said(node: ast.AST, parents: dict[ast.AST, ast.AST]) -> bool:
    """Return whether a word is what a person is told, in a table whose keys are an enum's; no code reads it."""
    above = parents.get(node)
    return (
        isinstance(above, ast.Dict)
        and node in above.values
        and isinstance(above.keys[above.values.index(node)], ast.Attribute)
    )


def _meant(node: ast.AST, parents: dict[ast.AST, ast.AST]) -> tuple[type[StrEnum], ...]:
    above = parents.get(node)
    if isinstance(above, ast.Tuple | ast.List | ast.Set):
        node, above = above, parents.get(above)
    if isinstance(above, ast.Compare):
        others = [each for each in (above.left, *above.comparators) if each is not node]
        return _by_name(ast.unparse(others[0]))
    if isinstance(above, ast.Call) and isinstance(above.func, ast.Attribute) and above.func.attr == "event":
        return MEANT_BY["kind of an event"]
    if isinstance(above, ast.keyword):
        return MEANT_BY.get(above.arg or "", ())
    if isinstance(above, ast.Dict) and node in above.values:
        key = above.keys[above.values.index(node)]
        return MEANT_BY.get(str(key.value), ()) if isinstance(key, ast.Constant) else ()
    return ()


def _by_name(compared: str) -> tuple[type[StrEnum], ...]:
    if re.search(r"\b(stage|span|s)\.kind$", compared):
        return MEANT_BY["kind of a stage"]
    if re.search(r"\b(event|e)\.kind$", compared):
        return MEANT_BY["kind of an event"]
    name = re.search(r"(\w+)['\"\])]*$", re.sub(r"\.get\('(\w+)'.*\)$", r".\1", compared))
    return MEANT_BY.get(name[1], ()) if name else ()


def test_no_module_spells_a_word_that_an_enum_names() -> None:
    loose = {path.relative_to(PACKAGE).as_posix(): list(loose_words(path.read_text("utf-8"))) for path in MODULES}
    assert {name: words for name, words in loose.items() if words} == {}


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
        'if event.kind == "load": pass',
        'notes.event("switch-off-advised", why=why)',
        'x = "load-refused"',
    ],
)
def test_a_loose_word_is_found_wherever_it_may_stand(source: str) -> None:
    assert list(loose_words(source))


@pytest.mark.parametrize(
    "source",
    [
        'class A(StrEnum):\n    B = "interrupted"',
        'fan = ("turns", "stopped")',
        'x["load"]',
        '{Outcome.INTERRUPTED: "interrupted"}',
    ],
)
def test_a_word_that_means_something_else_stays(source: str) -> None:
    assert not list(loose_words(source))


def test_the_words_are_those_of_the_contract() -> None:
    # The contract's JSON: outcome, cause.class, stages[].ended, stages[].kind; the profile's example; --as.
    assert list(Outcome) == ["running", "completed", "tripped", "stopped", "interrupted"]
    # "load-failed" came later: docs/contract.md.
    causes = ["operator", "terminated", "killed", "power-off", "hang", "suspend", "load-failed", "unknown"]
    assert list(CauseClass) == causes
    assert list(StageEnd) == ["settled", "time", "gate", "tripped", "skipped", "stopped", "interrupted"]
    assert list(StageKind) == ["idle", "load", "cooldown"]
    assert list(LoadPattern) == ["steady", "pulses", "steps", "climb"]
    assert list(Purpose) == ["baseline", "check", "verification", "build"]


def test_the_kinds_of_events_keep_the_spelling_that_records_hold() -> None:
    # Read from what the versions before wrote, each beside its writer; a record is read for ever.
    assert set(EventKind) >= {
        "load", "load-refused", "load-left-out", "load-note", "bring-up-ended", "hold-limited", "compute-error",
        "dip", "dip-not-possible", "gate-closed", "trip", "stopped", "operator", "suspend", "danger", "read-hangs",
        "switch-off-ordered", "switch-off-advised", "load-not-seen-off", "touch", "finding", "rest-disturbed",
    }  # fmt: skip
