"""Words in a free text that may mean a danger. They lock nothing: a person is told how to note it if it is one. Pure.

A text says "no smell of smoke" as well as "it smokes", which no program can decide; a note by key and word is plain.
Which words people use is common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from verifyrig.jobs.dangers import BY_CODE, DangerCode, standing_dangers
from verifyrig.jobs.model import EntryKind, Job

_WORDS = {
    DangerCode.PACK: r"swollen|swell\w*|bulg\w*|puffed|bloated",
    DangerCode.SHOCK: r"electric\w* shocks?|shocks (?:me|you|us)|a shock|tingl\w*",
    DangerCode.BURNT: r"burnt|burned|burning|scorch\w*|charred|melted|smok(?:e|es|ed|ing|y)|sparks?|sparking|flames?",
    DangerCode.LEAK: r"leak\w*|dripp?\w*|puddle",
}
_PATTERNS = {code: re.compile(rf"\b(?:{words})\b", re.IGNORECASE) for code, words in _WORDS.items()}
# What a person writes by key and word in that case.
_NOTE = {
    DangerCode.PACK: "pack=swollen",
    DangerCode.SHOCK: "touched=shock",
    DangerCode.BURNT: "smell=burnt",
    DangerCode.LEAK: "leak=seen",
}


def hints(job: Job) -> list[str]:
    """Return for each danger that a text of the job may mean, and that nobody has answered by key, what to write."""
    standing = {found.code for found in standing_dangers(job)}
    answered = {key.casefold() for key in job.intake.answers}
    answered |= {entry.what.casefold() for entry in job.of_kind(EntryKind.FINDING)}
    texts = list(_texts(job))
    lines = []
    for code, pattern in _PATTERNS.items():
        found = next((match[0] for text in texts if (match := pattern.search(text)) is not None), None)
        is_answered = any(sign.key in answered for sign in BY_CODE[code].signs)
        if found is not None and code not in standing and not is_answered:
            lines.append(
                f'The words say "{found}", and words lock nothing: if {BY_CODE[code].what}, switch off and unplug, and '
                f"note it with `verifyrig job finding {_NOTE[code]}`."
            )
    return lines


def meant_note(value: str) -> str | None:
    """Return the note that a finding's value alone means, as in `battery=swollen`; None where it means none."""
    word = " ".join(value.casefold().split())
    notes = {"swollen": DangerCode.PACK, "burnt": DangerCode.BURNT, "scorched": DangerCode.BURNT}
    notes |= {"leaking": DangerCode.LEAK, "leaks": DangerCode.LEAK, "shock": DangerCode.SHOCK}
    return _NOTE[notes[word]] if word in notes else None


def _texts(job: Job) -> Iterator[str]:
    yield job.intake.complaint
    yield job.intake.condition
    yield from job.intake.answers.values()
    for entry in job.entries:
        yield entry.text("value")
        yield entry.text("note")
