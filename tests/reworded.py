"""A copy of the program in which every English text that a catalogue knows, and every reason, is worded otherwise.

A translator's keys are the English texts, so the catalogues of the copy have the new ones. Words that are codes as well
(`idle`, `fan`) are changed only where they stand as a text: as an argument of `t` or `n`, or as a value of a table of
words.
"""

from __future__ import annotations

import ast
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import verifyrig
from verifyrig.report.catalogue import read_catalogue

MARK = "⟧"
VOWELS, CHANGED = "aeiou", "āēīōū"
PACKAGE = Path(verifyrig.__file__).parent
# Tables whose keys are codes and whose values are words for people.
_TABLES = ("report/", "jobs/vocabulary.py", "jobs/dangers.py", "jobs/fitness_text.py", "jobs/safety.py",
           "jobs/cautions.py")  # fmt: skip
# Their texts are also data: job files and records hold them beside a code, and a catalogue keeps what they held.
_KEPT_IN_FILES = ("system/machine.py", "rig/simulated.py")
_REASONS = ("core/reason_texts.py", "core/texts_of_")


def changed(text: str) -> str:
    """Return a text with other vowels and a mark behind it, its places as they are; its first letter may be raised."""
    parts = re.split(r"(\{[^}]*\})", text)
    table = str.maketrans(VOWELS, CHANGED)
    return "".join(part if at % 2 else part.translate(table) for at, part in enumerate(parts)) + MARK


def unmarked(text: str) -> str:
    """Return a text as it was."""
    return text.replace(MARK, "").translate(str.maketrans(CHANGED + CHANGED.upper(), VOWELS + VOWELS.upper()))


def reworded_copy(folder: Path, languages: tuple[str, ...] = ("de",)) -> set[str]:
    """Write the copy into a folder, as its package `verifyrig`; return the texts that were changed."""
    copy = folder / "verifyrig"
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copytree(PACKAGE.parent / "profiles", folder / "profiles")
    known = {text for code in languages for text in _known(code) if re.search(r"[A-Za-z]{2}", text)}
    done: set[str] = set()
    kept: set[str] = set()
    for path in sorted(copy.rglob("*.py")):
        name = path.relative_to(copy).as_posix()
        found = list(_texts(path.read_text(encoding="utf-8"), name, known))
        _rewrite(path, found)
        done |= {text for *_, text in found}
        kept |= {text for *_, text in found} if name in _KEPT_IN_FILES else set()
    for path in sorted((copy / "report" / "templates").glob("*.j2")):
        done |= _rewrite_template(path, known)
    for code in languages:
        _rewrite_catalogue(copy / "report" / "locale" / code / "LC_MESSAGES" / "report.po", done, kept)
    return done


def _known(language: str) -> set[str]:
    catalogue = read_catalogue(language)
    return {*catalogue.texts, *(text for pair in catalogue.plurals for text in pair)}


_Place = tuple[int, int, int, int, str]


def _texts(source: str, name: str, known: set[str]) -> Iterator[_Place]:
    """Yield where the texts of a module stand: lines from 1, columns in bytes, and what they are."""
    tree = ast.parse(source)
    parents = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    all_values = name.startswith(_REASONS)
    for node in ast.walk(tree):
        if not isinstance(node, ast.Constant) or not isinstance(node.value, str):
            continue
        above = parents.get(node)
        is_value = isinstance(above, ast.Dict) and node in above.values
        if isinstance(above, ast.Expr | ast.JoinedStr) or "old_sentences" in name:
            continue
        is_text = node.value in known and (" " in node.value or _is_said(node, above, name))
        if is_text or (all_values and is_value):
            assert node.end_lineno is not None and node.end_col_offset is not None
            yield node.lineno, node.col_offset, node.end_lineno, node.end_col_offset, node.value


def _is_said(node: ast.Constant, above: ast.AST | None, name: str) -> bool:
    if isinstance(above, ast.Call) and node in above.args and isinstance(above.func, ast.Attribute):
        return above.func.attr in ("t", "n")
    if isinstance(above, ast.keyword):
        return name in _TABLES and above.arg in ("title", "text", "what", "do")
    # `none` is a word of pictures too: no fill, no dashes.
    return isinstance(above, ast.Dict) and node in above.values and name.startswith(_TABLES) and node.value != "none"


def _rewrite(path: Path, found: list[_Place]) -> None:
    lines = path.read_bytes().splitlines(keepends=True)
    for line, column, last, end, text in sorted(found, reverse=True):
        tail = lines[last - 1][end:]
        lines[line - 1 : last] = [lines[line - 1][:column] + repr(changed(text)).encode("utf-8") + tail]
    path.write_bytes(b"".join(lines))


def _rewrite_template(path: Path, known: set[str]) -> set[str]:
    done = set()

    def one(match: re.Match[str]) -> str:
        if match[2] not in known:
            return match.group()
        done.add(match[2])
        return f"{match[1]}{changed(match[2])}{match[1]}"

    source = path.read_text(encoding="utf-8")
    text = r"""(["'])((?:(?!\1).)*)\1"""
    calls = re.compile(r"""\b[tn]\((?:(?:"[^"]*"|'[^']*')(?:, )?)+""")
    path.write_text(calls.sub(lambda call: re.sub(text, one, call.group()), source), encoding="utf-8")
    return done


def _rewrite_catalogue(path: Path, done: set[str], kept: set[str]) -> None:
    """Reword the keys; what may be looked up as data stays beside its new form: a code, and what files hold."""
    from babel.messages.pofile import read_po, write_po

    with path.open("rb") as file:
        catalog = read_po(file)
    for message in list(catalog):
        if not message.id or message.context:
            continue
        ids = message.id if isinstance(message.id, tuple | list) else (message.id,)
        if not any(text in done for text in ids):
            continue
        new = tuple(changed(text) if text in done else text for text in ids)
        catalog.add(new if len(new) > 1 else new[0], message.string)
        is_code = ids[0] in kept or re.fullmatch("[a-z]+( [a-z]+)?", ids[0])
        if not is_code:
            catalog.delete(message.id)
    with path.open("wb") as file:
        write_po(file, catalog)
