"""The parts that an order expects, held against what the machine's own tables say.

    processor=Invented 9 X; memory=32 GiB; board=X1; drive=Invented SSD 1TB; graphics=10de:2684

Words fit where they stand in what the table says, whatever their case: tables say more than orders do ("12-Core
Processor"). What no table says is told apart from what differs.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from verifyrig.core.errors import UsageError

__all__ = ["PART_NAMES", "PartCheck", "PartState", "check_parts", "parse_parts"]

PART_NAMES = ("maker", "model", "board", "firmware", "processor", "cores", "memory", "drive", "graphics")
_SIZE = re.compile(r"(\d+(?:\.\d+)?)\s*(GiB|GB|TiB|TB|MiB|MB)?", re.I)
# Memory is sold in powers of two, whatever its label says (JEDEC; common practice).
_BYTES = {"g": 2**30, "t": 2**40, "m": 2**20}
# Firmware, kernel and graphics keep some of it, up to a fifth; sizes on sale lie a quarter apart (common practice, no
# source).
_LEAST_MEMORY_SHARE = 0.80


class PartState(StrEnum):
    """Whether a part is the one that was ordered."""

    FITS = "fits"
    DIFFERS = "differs"
    NOT_TOLD = "not-told"


@dataclass(frozen=True, slots=True, kw_only=True)
class PartCheck:
    """One expected part, and what the machine says in its place; empty where it says nothing."""

    part: str
    expected: str
    found: str
    state: PartState


def parse_parts(text: str) -> tuple[tuple[str, str], ...]:
    """Return part and value of each; raise `UsageError` where the text is none of parts."""
    found = []
    for piece in (piece.strip() for piece in text.split(";")):
        if not piece:
            continue
        name, equals, value = piece.partition("=")
        name, value = name.strip().lower(), " ".join(value.split())
        if name not in PART_NAMES or not equals or not value or len(value) > 100:
            raise UsageError(
                f"{piece[:60]!r} is no part",
                where="parts",
                mend=f"Write processor=...; memory=32 GiB, of {', '.join(PART_NAMES)}.",
            )
        if name == "memory" and _bytes(value) is None:
            raise UsageError(f"{value!r} is no size", where="parts", mend="Write memory=32 GiB.")
        found.append((name, value))
    return tuple(found)


def _bytes(text: str) -> float | None:
    size = _SIZE.fullmatch(text)
    return None if size is None else float(size[1]) * _BYTES[(size[2] or "g")[0].lower()]


def check_parts(expected: Sequence[tuple[str, str]], told: Mapping[str, Sequence[str]]) -> tuple[PartCheck, ...]:
    """Return each expected part with what the machine says.

    Args:
        told: By part, all that the tables name; `memory` in bytes. Of several drives or cards one must fit.
    """
    left = {name: list(values) for name, values in told.items()}
    checks = []
    for name, value in expected:
        here = left.get(name, [])
        fitting = next((one for one in here if _fits(name, value, one)), None)
        if fitting is not None and name in ("drive", "graphics"):
            here.remove(fitting)  # two drives of one kind are two
        state = PartState.FITS if fitting is not None else PartState.DIFFERS if told.get(name) else PartState.NOT_TOLD
        said = [fitting] if fitting is not None else list(told.get(name, ()))
        shown = ", ".join(f"{float(one) / 2**30:.1f} GiB" if name == "memory" else one for one in said)
        checks.append(PartCheck(part=name, expected=value, found=shown, state=state))
    return tuple(checks)


def _fits(name: str, expected: str, found: str) -> bool:
    if name == "memory":
        size = _bytes(expected) or 0.0
        return _LEAST_MEMORY_SHARE * size <= float(found) <= 1.001 * size
    if name == "cores":
        return expected == found
    # As whole words: "X1" is not in "X10".
    return f" {_plain(expected)} " in f" {_plain(found)} "


def _plain(text: str) -> str:
    return " ".join(text.casefold().split())
