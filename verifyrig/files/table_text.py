"""Sets keys of one table of bench.toml as text: what others wrote, their comments included, stays. Pure."""

from __future__ import annotations

import copy
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from verifyrig.files.settings_text import Changed

Value = str | float | date | Sequence[float]


def with_table_values(text: str, table: str, name: str, values: Mapping[str, Value], owned: Sequence[str]) -> Changed:
    """Return bench.toml with the `owned` keys of `[table.NAME]` replaced by `values`.

    Args:
        text: The file as it is, valid TOML; empty for a new one.
        table, name: As in `[channel.plate_temp_c]`.
        values: What the table shall say.
        owned: Keys that are taken away where they are not in `values`; all others stay.

    Raises:
        tomllib.TOMLDecodeError: The text is no TOML.
    """
    wanted = _wanted(tomllib.loads(text), table, name, values, owned)
    edited = _edited(text, table, name, values, owned)
    if _reads_as(edited, wanted):
        return Changed(text=edited, comments_kept=True)
    import tomli_w

    return Changed(text=tomli_w.dumps(wanted), comments_kept="#" not in text)


def _wanted(
    data: dict[str, Any], table: str, name: str, values: Mapping[str, Value], owned: Sequence[str]
) -> dict[str, Any]:
    wanted = copy.deepcopy(data)
    tables = wanted.setdefault(table, {})
    kept = {key: value for key, value in tables.get(name, {}).items() if key not in owned}
    tables[name] = kept | {key: _plain(value) for key, value in values.items()}
    return wanted


def _plain(value: Value) -> Any:
    return value if isinstance(value, str | int | float | date) else list(value)


def _edited(text: str, table: str, name: str, values: Mapping[str, Value], owned: Sequence[str]) -> str:
    new = [f"{key} = {_toml(value)}" for key, value in values.items()]
    lines = text.splitlines()
    head = re.compile(rf"\s*\[\s*{table}\s*\.\s*[\"']?{re.escape(name)}[\"']?\s*\]\s*(#.*)?")
    start = next((i for i, line in enumerate(lines) if head.fullmatch(line)), None)
    if start is None:
        gap = [""] if lines and lines[-1].strip() else []
        return "\n".join([*lines, *gap, f"[{table}.{_key(name)}]", *new]) + "\n"
    end = next((i for i in range(start + 1, len(lines)) if lines[i].lstrip().startswith("[")), len(lines))
    own = re.compile(rf"\s*({'|'.join(map(re.escape, owned))})\s*=")
    body = [line for line in lines[start + 1 : end] if not own.match(line)]
    blank = 0
    while body and not body[-1].strip():
        body.pop()
        blank += 1
    return "\n".join([*lines[: start + 1], *body, *new, *[""] * blank, *lines[end:]]) + "\n"


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else json.dumps(name, ensure_ascii=False)


def _toml(value: Value) -> str:
    if isinstance(value, date):
        return value.isoformat()
    # Strings, numbers and lists of numbers are written alike in JSON and TOML.
    return json.dumps(_plain(value), ensure_ascii=False)


def _reads_as(text: str, wanted: Mapping[str, Any]) -> bool:
    try:
        return tomllib.loads(text) == wanted
    except tomllib.TOMLDecodeError:
        return False
