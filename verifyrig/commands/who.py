"""Who is at the bench now: named with --by, asked once a shift, else the operator of bench.toml."""

from __future__ import annotations

from datetime import datetime

from verifyrig.bench.folder import Bench
from verifyrig.dialogs.prompt import Asker

_LONGEST = 100


def at_the_bench(bench: Bench, named: str | None = None) -> str:
    """Return who does what is done now."""
    from verifyrig.bench.day import read_day

    return (named or read_day(bench.root).on_shift(_now()) or bench.operator)[:_LONGEST]


def ask_who(bench: Bench, asker: Asker) -> None:
    """Ask who is at the bench where nobody said so in this shift."""
    from verifyrig.bench.day import read_day

    if not read_day(bench.root).on_shift(_now()):
        ask_anew(bench, asker)


def ask_anew(bench: Bench, asker: Asker) -> None:
    """Ask who is at the bench, for the rest of a shift."""
    name = asker.line("Who is at the bench?", default=bench.operator)
    set_shift(bench, name)


def set_shift(bench: Bench, name: str) -> None:
    """Remember who is at the bench from now on."""
    from verifyrig.bench.day import note_shift

    if name.strip():
        note_shift(bench.root, name.strip()[:_LONGEST], _now())


def _now() -> datetime:
    return datetime.now().astimezone()
