"""Dangers that a person notes and that lock a machine until a person signs that they are gone. Pure; the one list.

A finding, an answer at intake, an answer before a load and a state of a run are all pairs KEY=VALUE; `danger_of` judges
any of them. Local codes, licensed practice and the maker's manual come first; all of this only advises.

What to do in each case is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from verifyrig.core.errors import UsageError
from verifyrig.core.reason import Reason, reason
from verifyrig.files.toml_table import shown
from verifyrig.jobs.model import EntryKind, Job, JobEntry

INTAKE = "intake"


class DangerCode(StrEnum):
    """Which danger."""

    LEAK = "leak"
    PACK = "pack"
    BURNT = "burnt"
    SHOCK = "shock"


@dataclass(frozen=True, slots=True, kw_only=True)
class DangerSign:
    """A key whose value names a danger.

    Attributes:
        harmful: Values that mean the danger.
        harmless: Values that mean there is none. Where it is given, any other value means the danger too: a word that
            is not known here is not taken for "all is well". Where it is None, only `harmful` does.
    """

    key: str
    harmful: tuple[str, ...]
    harmless: tuple[str, ...] | None

    def is_danger(self, value: str) -> bool:
        """Return whether the value means danger; letters' case and blanks do not matter."""
        word = " ".join(value.casefold().split())
        return bool(word) and (word in self.harmful or (self.harmless is not None and word not in self.harmless))


@dataclass(frozen=True, slots=True, kw_only=True)
class Danger:
    """Something that forbids heat, and that no machine leaves with as fit.

    Attributes:
        do: What to do now, in sentences.
        signs: What a person writes that means it.
    """

    code: DangerCode
    do: str
    signs: tuple[DangerSign, ...]

    @property
    def clause(self) -> Reason:
        """What is dangerous, as a clause."""
        return reason(f"danger-{self.code}")

    @property
    def what(self) -> str:
        """That clause in English."""
        return str(self.clause)


DANGERS = (
    Danger(
        code=DangerCode.PACK,
        do="Switch off and unplug. No charging, no load, no pressing, no prying. Keep it away from what burns and hand "
        "it to trained people.",
        signs=(DangerSign(key="pack", harmful=("swollen", "yes"), harmless=("flat", "no", "none", "not-known")),),
    ),
    Danger(
        code=DangerCode.SHOCK,
        do="Do not touch it. Cut the power at the outlet or the breaker, then pull the plug. Leave it to a qualified "
        "electrician or trained people.",
        signs=(DangerSign(key="touched", harmful=("shock",), harmless=None),),
    ),
    Danger(
        code=DangerCode.BURNT,
        do="Switch off and unplug. Do not start it again before the cause is found; leave a power supply closed.",
        signs=(
            DangerSign(key="smell", harmful=("burnt",), harmless=("none", "no", "not-known")),
            DangerSign(key="connector", harmful=("scorched",), harmless=("sound", "loose", "no", "none", "not-known")),
            DangerSign(key="smoke", harmful=("seen", "yes"), harmless=("none", "no", "not-known")),
            DangerSign(key="burnt", harmful=("yes",), harmless=("no", "none", "not-known")),
        ),
    ),
    Danger(
        code=DangerCode.LEAK,
        do="Switch off and unplug. Do not start it again to look. Photograph it and dry it: what got wet corrodes "
        "later.",
        signs=(DangerSign(key="leak", harmful=("seen", "yes"), harmless=("none", "no", "not-known")),),
    ),
)  # the gravest first
BY_CODE: Mapping[str, Danger] = {danger.code: danger for danger in DANGERS}
_BY_KEY = {sign.key: (sign, danger) for danger in DANGERS for sign in danger.signs}
SIGN_KEYS = tuple(_BY_KEY)


@dataclass(frozen=True, slots=True, kw_only=True)
class NotedDanger:
    """Where a danger was noted.

    Attributes:
        note_id: Id of the entry, or `intake`.
        time: UTC.
        by: Who noted it; empty where nobody was named.
        key, value: What was noted.
    """

    note_id: str
    time: datetime
    by: str
    key: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingDanger:
    """A danger that was noted and not lifted, with the notes that stand, oldest first."""

    danger: Danger
    notes: tuple[NotedDanger, ...]

    @property
    def code(self) -> DangerCode:
        """Which danger."""
        return self.danger.code

    @property
    def noted(self) -> str:
        """What was noted, as KEY=VALUE, each once."""
        return ", ".join(dict.fromkeys(f"{note.key}={note.value}" for note in self.notes))


def danger_of(key: str, value: str) -> Danger | None:
    """Return the danger that KEY=VALUE means, None where it means none."""
    sign, danger = _BY_KEY.get(key.casefold(), (None, None))
    return danger if sign is not None and sign.is_danger(value) else None


def words_of(key: str) -> tuple[str, ...] | None:
    """Return all words that a key of a danger may have; None where the key is of none, or takes any word."""
    sign, _ = _BY_KEY.get(key.casefold(), (None, None))
    return (*sign.harmful, *sign.harmless) if sign is not None and sign.harmless is not None else None


def check_word(key: str, value: str, where: str) -> None:
    """Raise `UsageError` for a word about a danger that is not known: it must be plain whether there is one."""
    known = words_of(key)
    if known is not None and " ".join(value.casefold().split()) not in known:
        raise UsageError(
            f"{shown(value)} is no known word for {key}",
            where=where,
            mend=f"Write {' or '.join((known[0], words_of_none(key)))}; what else there is to say goes into note=TEXT.",
        )


def words_of_none(key: str) -> str:
    """Return the word that says that there is no such danger, as in `leak=none`."""
    sign, _ = _BY_KEY[key.casefold()]
    return sign.harmless[0] if sign.harmless else "no"


def dangers_in(pairs: Mapping[str, str]) -> tuple[Danger, ...]:
    """Return the dangers that the pairs KEY=VALUE mean, each once, the gravest first."""
    found = {danger.code for key, value in pairs.items() if (danger := danger_of(key, value)) is not None}
    return tuple(danger for danger in DANGERS if danger.code in found)


def standing_dangers(job: Job) -> tuple[StandingDanger, ...]:
    """Return the dangers that lock the machine: noted and not lifted, the gravest first.

    Only a finding or a change lifts a danger, and only the notes that it names, so that a note which another person
    wrote meanwhile, on this computer or on another, stands. A finding that merely says the contrary lifts nothing.
    """
    standing: dict[str, dict[str, NotedDanger]] = {}
    lifted = {(code, note_id) for entry in job.entries for code in lifts(entry) for note_id in _lifted_notes(entry)}
    for note in _notes(job):
        danger = danger_of(note.key, note.value)
        if danger is not None and (danger.code, note.note_id) not in lifted:
            standing.setdefault(danger.code, {})[note.note_id] = note
    return tuple(
        StandingDanger(danger=danger, notes=tuple(standing[danger.code].values()))
        for danger in DANGERS
        if danger.code in standing
    )


def lifts(entry: JobEntry) -> tuple[str, ...]:
    """Return the codes of the dangers that an entry lifts: none unless it says who signs for it and what was done."""
    codes = entry.detail.get("lifts")
    signed = entry.by.strip() and entry.text("done").strip()
    if entry.kind not in (EntryKind.FINDING, EntryKind.CHANGE) or not signed or not isinstance(codes, list | tuple):
        return ()
    return tuple(code for code in codes if isinstance(code, str) and code in BY_CODE)


def _lifted_notes(entry: JobEntry) -> tuple[str, ...]:
    """Return the notes that an entry names as lifted; its own is never one of them."""
    named = entry.detail.get("lifted_notes")
    ids = named if isinstance(named, list | tuple) else ()
    return tuple(note_id for note_id in ids if isinstance(note_id, str) and note_id != entry.entry_id)


def _notes(job: Job) -> Iterator[NotedDanger]:
    for key, value in job.intake.answers.items():
        yield NotedDanger(note_id=INTAKE, time=job.opened, by=job.operator, key=key, value=value)
    for entry in job.entries:
        if entry.kind != EntryKind.FINDING:  # one that was taken back counts, too: only a signature lifts a danger
            continue
        yield NotedDanger(
            note_id=entry.entry_id, time=entry.time, by=entry.by, key=entry.what, value=entry.text("value")
        )
