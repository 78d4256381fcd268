"""Edits TOML as text: comments, order and spacing of what stays are kept. Opens nothing.

A table that is new goes to the end of the file, as a person would write it; within a table that is there tomlkit edits.
Either way the new text is read back, and only if it says what was meant does it count: a file that is written in an odd
way is refused rather than bent.
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Callable, Mapping, MutableMapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

Value = str | float | date | Sequence[float] | Sequence[str] | Mapping[str, str]
_Tree = MutableMapping[str, Any]


class EditError(ValueError):
    """The text cannot be changed without saying something else than was meant."""


def set_keys(text: str, path: Sequence[str], values: Mapping[str, Value | None]) -> str:
    """Return the text with keys of the table at a path set; None takes a key away, and all other keys stay.

    Args:
        text: Valid TOML; empty for a new file.
        path: Names of the tables from the top, as ("channel", "plate_temp_c"); made where there is none.
        values: What the keys shall be.

    Raises:
        tomllib.TOMLDecodeError: The text is no TOML.
        EditError: It is written in a way that cannot be edited.
    """
    new = {key: value for key, value in values.items() if value is not None}
    table = _table_at(tomllib.loads(text), path)
    lost = [key for key in values if table is not None and _holds_tables(table.get(key))]
    if lost:
        raise EditError(f"{lost[0]} is a table")
    if table is None:
        if not new:
            return text
        ways = [lambda: _with_block(text, path, new), lambda: _within(text, lambda tree: _set(tree, path, values))]
    else:
        ways = [lambda: _within(text, lambda tree: _set(tree, path, values))]
    return _first_right(text, ways, lambda tree: _set(tree, path, values))


def put_by_id(text: str, key: str, table: Mapping[str, Value]) -> str:
    """Return the text with a table in an array of tables, in place of the one with its `id` where there is one.

    Args:
        text: Valid TOML; empty for a new file.
        key: Name of the array, as "instrument".
        table: The whole table; what stood in its place keeps no other keys.

    Raises:
        tomllib.TOMLDecodeError: The text is no TOML.
        EditError: It is written in a way that cannot be edited.
    """
    ways = [lambda: _within(text, lambda tree: _put(tree, key, table))]
    if not _is_known(tomllib.loads(text), key, table["id"]):
        ways.insert(0, lambda: _with_array_block(text, key, table))
    return _first_right(text, ways, lambda tree: _put(tree, key, table))


def _first_right(text: str, ways: Sequence[Callable[[], str]], change: Callable[[_Tree], None]) -> str:
    """Return the first of the new texts that reads as the plain data after the change."""
    from tomlkit.exceptions import TOMLKitError

    meant = copy.deepcopy(tomllib.loads(text))
    change(meant)
    for way in ways:
        try:
            new = way()
            if tomllib.loads(new) == meant:
                return new
        except (TOMLKitError, tomllib.TOMLDecodeError, LookupError, TypeError, ValueError, AttributeError):
            continue
    raise EditError("it would not say afterwards what was meant")


# ---- a table of its own at the end


def _with_block(text: str, path: Sequence[str], values: Mapping[str, Value]) -> str:
    import tomlkit

    block = tomlkit.document()
    inner = tomlkit.table()
    _fill(inner, values)
    for name in reversed(path[1:]):
        outer = tomlkit.table(is_super_table=True)
        outer[name] = inner
        inner = outer
    block[path[0]] = inner
    return _joined(text, block)


def _with_array_block(text: str, key: str, table: Mapping[str, Value]) -> str:
    import tomlkit

    item = tomlkit.table()
    _fill(item, table)
    block = tomlkit.document()
    block[key] = tomlkit.aot()
    block[key].append(item)
    return _joined(text, block)


def _joined(text: str, block: TOMLDocument) -> str:
    import tomlkit

    before = text if not text or text.endswith("\n") else text + "\n"
    gap = "\n" if before.strip() and not before.endswith("\n\n") else ""
    return before + gap + tomlkit.dumps(block).strip("\n") + "\n"


# ---- within what is there; each works on plain data and on a document of tomlkit alike


def _within(text: str, change: Callable[[_Tree], None]) -> str:
    import tomlkit

    document = tomlkit.parse(text)
    change(document)
    return tomlkit.dumps(document)


def _set(tree: _Tree, path: Sequence[str], values: Mapping[str, Value | None]) -> None:
    table = tree
    for name in path:
        if name not in table:
            table[name] = {}
        table = table[name]
    for key in [key for key, value in values.items() if value is None and key in table]:
        _take_away(table, key)
    _fill(table, {key: value for key, value in values.items() if value is not None})


def _put(tree: _Tree, key: str, table: Mapping[str, Value]) -> None:
    if key not in tree:
        tree[key] = []
    old = next((one for one in tree[key] if one.get("id") == table["id"]), None)
    if old is None:
        tree[key].append(dict(table))
    else:
        _replace(old, table)


def _replace(old: _Tree, new: Mapping[str, Value]) -> None:
    """Make a table say what the new one says; what is alike stays as it is written."""
    for gone in [key for key in old if key not in new]:
        _take_away(old, gone)
    for key, value in new.items():
        inner = old.get(key)
        if isinstance(value, Mapping) and isinstance(inner, MutableMapping):
            _replace(inner, value)
        elif inner != value:
            _fill(old, {key: value})


def _fill(table: _Tree, values: Mapping[str, Value]) -> None:
    """Set values; new keys go before the blank lines and comments at the table's end, which belong to what follows."""
    trail = _cut_trail(table) if any(key not in table for key in values) else []
    for key, value in values.items():
        table[key] = _plain(value) if type(table) is dict else _item(value)
    _add_trail(table, trail)


def _take_away(table: _Tree, key: str) -> None:
    trail = _cut_trail(table[key])
    del table[key]
    _add_trail(table, trail)


def _cut_trail(table: Any) -> list[Any]:
    """Take out and return what stands behind the last key: from the first blank line on, else the comments there."""
    from tomlkit.items import Table, Whitespace

    if not isinstance(table, Table):
        return []
    body = table.value.body
    if body and body[-1][0] is not None:
        return _cut_trail(body[-1][1])
    end = len(body)
    start = end
    while start and body[start - 1][0] is None:
        start -= 1
    blank = next((at for at in range(start, end) if isinstance(body[at][1], Whitespace)), start)
    trail = body[blank:]
    del body[blank:]
    return list(trail)


def _add_trail(table: _Tree, trail: list[Any]) -> None:
    """Put it behind the last key again: at the end of the last table within, where there is one."""
    from tomlkit.items import Table

    if not trail or not isinstance(table, Table):
        return
    body = table.value.body
    if body and isinstance(body[-1][1], Table):
        _add_trail(body[-1][1], trail)
    else:
        body.extend(trail)


def _item(value: Value) -> Any:
    """Return the value as tomlkit keeps it; a table inline, since it is short."""
    import tomlkit

    if not isinstance(value, Mapping):
        return tomlkit.item(_plain(value))
    inline = tomlkit.inline_table()
    inline.update(value)
    return inline


def _plain(value: Value) -> Any:
    if isinstance(value, Mapping):
        return dict(value)
    return value if isinstance(value, str | int | float | date) else list(value)


def _table_at(tree: _Tree, path: Sequence[str]) -> _Tree | None:
    """Return the table, None where there is none; raise `EditError` where something else stands in its place."""
    table = tree
    for name in path:
        if name not in table:
            return None
        table = table[name]
        if not isinstance(table, MutableMapping):
            raise EditError(f"{name} is no table")
    return table


def _holds_tables(value: Any) -> bool:
    return isinstance(value, MutableMapping) or (isinstance(value, list) and any(map(_holds_tables, value)))


def _is_known(tree: _Tree, key: str, table_id: Any) -> bool:
    """Return whether a table with that id is there; raise `EditError` where the key is no array of tables."""
    known = tree.get(key, [])
    if not isinstance(known, list) or not all(isinstance(one, MutableMapping) for one in known):
        raise EditError(f"{key} is no array of tables")
    return any(one.get("id") == table_id for one in known)
