"""Changes bench.toml as text: what others wrote, their comments included, stays where it is. Pure.

A line is replaced or added, and the result is read back: only if it says exactly what was meant does it count. Where
that cannot be done (tables written inline, values over several lines) the whole is written anew, which keeps all
keys and loses the comments.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Changed:
    """The new text, and whether the comments of the old one are still in it."""

    text: str
    comments_kept: bool


def changed_settings(
    text: str, values: Mapping[tuple[str, str], str], instruments: Sequence[Mapping[str, Any]] = ()
) -> Changed:
    """Return bench.toml with some values set, and instruments added or, where the id is there already, replaced.

    Args:
        text: The file as it is, valid TOML; empty for a new one.
        values: Texts by table and key, as in `("shop", "name")`; an empty text takes the key away.
        instruments: `[[instrument]]` tables, each with an `id`.

    Raises:
        tomllib.TOMLDecodeError: The text is no TOML.
    """
    wanted = wanted_data(tomllib.loads(text), values, instruments)
    edited = text
    for (table, key), value in values.items():
        edited = _set(edited, table, key, value)
    edited = _append(edited, instruments)
    if _reads_as(edited, wanted):
        return Changed(text=edited, comments_kept=True)
    import tomli_w

    return Changed(text=tomli_w.dumps(wanted), comments_kept="#" not in text)


def wanted_data(
    data: Mapping[str, Any], values: Mapping[tuple[str, str], str], instruments: Sequence[Mapping[str, Any]]
) -> dict[str, Any]:
    """Return what the file shall say."""
    wanted: dict[str, Any] = copy.deepcopy(dict(data))
    for (table, key), value in values.items():
        part = wanted.get(table)
        part = part if isinstance(part, dict) else {}
        if value:
            part[key] = value
        else:
            part.pop(key, None)
        if part or table in wanted:
            wanted[table] = part
    if instruments:
        new_ids = {instrument["id"] for instrument in instruments}
        known = wanted.get("instrument")
        kept = [one for one in known if one.get("id") not in new_ids] if isinstance(known, list) else []
        wanted["instrument"] = [*kept, *(dict(instrument) for instrument in instruments)]
    return wanted


def _reads_as(text: str, wanted: Mapping[str, Any]) -> bool:
    try:
        return tomllib.loads(text) == wanted
    except tomllib.TOMLDecodeError:
        return False


def _set(text: str, table: str, key: str, value: str) -> str:
    """Replace, add or take away one line of a table."""
    lines = text.splitlines()
    start = next((n for n, line in enumerate(lines) if _is_header(line, table)), None)
    if start is None:
        if not value:
            return text
        gap = [""] if lines else []
        return "\n".join([*lines, *gap, f"[{table}]", _line(key, value)]) + "\n"
    end = next((n for n in range(start + 1, len(lines)) if lines[n].lstrip().startswith("[")), len(lines))
    found = next((n for n in range(start + 1, end) if re.match(rf"\s*{re.escape(key)}\s*=", lines[n])), None)
    if found is not None:
        lines[found : found + 1] = [_line(key, value) + _comment(lines[found])] if value else []
    elif value:
        last = max((n for n in range(start, end) if lines[n].strip()), default=start)
        lines.insert(last + 1, _line(key, value))
    return "\n".join(lines) + "\n"


def _is_header(line: str, table: str) -> bool:
    return re.fullmatch(rf"\s*\[\s*{re.escape(table)}\s*\]\s*(#.*)?", line) is not None


def _line(key: str, value: str) -> str:
    import tomli_w

    return tomli_w.dumps({key: value}).rstrip("\n")


def _comment(line: str) -> str:
    """Return the comment behind a value, with its blanks; none where it cannot be told from the value."""
    for at in (found.start() for found in re.finditer(r"\s*#", line)):
        try:
            tomllib.loads(line[:at])
        except tomllib.TOMLDecodeError:
            continue
        return line[at:]
    return ""


def _append(text: str, instruments: Sequence[Mapping[str, Any]]) -> str:
    if not instruments:
        return text
    import tomli_w

    gap = "\n" if text and not text.endswith("\n\n") else ""
    blocks = []
    for instrument in instruments:
        plain = {key: value for key, value in instrument.items() if not isinstance(value, dict)}
        lines = ["[[instrument]]", tomli_w.dumps(plain).rstrip("\n")]
        for key, value in instrument.items():
            if isinstance(value, dict):
                inner = ", ".join(_line(name, word) for name, word in value.items())
                lines.append(f"{key} = {{ {inner} }}")
        blocks.append("\n".join(lines))
    return text + gap + "\n\n".join(blocks) + "\n"
