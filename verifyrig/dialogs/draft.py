"""A long intake that is left keeps what was answered: it is asked again from there.

The draft holds the customer's words, as a job does: it lies in the bench folder (`draft.toml`) until the intake is gone
through, or somebody throws it away.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from verifyrig.core.plain_text import plain_line
from verifyrig.dialogs.prompt import Asker, Option
from verifyrig.files.atomic_write import write_whole
from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.files.toml_table import load_toml

DRAFT_NAME = "draft.toml"
_YES_NO = (Option(key="y", label="yes"), Option(key="n", label="no, throw it away"))


@dataclass(slots=True)
class DraftAsker:
    """Asks through another asker, keeps each answer, and gives those of a draft where the same is asked.

    Attributes:
        answers: Question and answer, in their order.
        left: What of a draft was not asked yet.
    """

    asker: Asker
    left: list[tuple[str, str]] = field(default_factory=list)
    answers: list[tuple[str, str]] = field(default_factory=list)

    def say(self, text: str = "") -> None:
        """Show a text; while answers come from the draft nobody need read it."""
        if not self.left:
            self.asker.say(text)

    def choose(self, question: str, options: Sequence[Option], default: str = "") -> str:
        """Return the draft's key, else ask."""
        kept = self._kept(question)
        if kept is None or kept not in [option.key for option in options]:
            self.left.clear()
            kept = self.asker.choose(question, options, default)
        self.answers.append((question, kept))
        return kept

    def row(self, question: str, rows: Sequence[str]) -> int:
        """Return the draft's row, else ask."""
        kept = self._kept(question)
        if kept is None or not kept.isdigit() or int(kept) >= len(rows):
            self.left.clear()
            kept = str(self.asker.row(question, rows))
        self.answers.append((question, kept))
        return int(kept)

    def line(self, question: str, default: str = "", typed: str = "") -> str:
        """Return the draft's line, else ask."""
        kept = self._kept(question)
        if kept is None:
            kept = self.asker.line(question, default, typed)
        self.answers.append((question, kept))
        return kept

    def _kept(self, question: str) -> str | None:
        """Return the draft's answer to a question; where something else is asked now, the rest of it is void."""
        if self.left and self.left[0][0] == question:
            return self.left.pop(0)[1]
        self.left.clear()
        return None


@contextlib.contextmanager
def drafted(asker: Asker, root: Path) -> Iterator[Asker]:
    """Give an asker whose answers are kept where somebody leaves inside; an earlier draft is offered first."""
    path = root / DRAFT_NAME
    kept = _read(path)
    if kept and asker.choose(f"Go on with the draft ({_named(kept)})?", _YES_NO, default="y") == "n":
        kept = []
        path.unlink(missing_ok=True)
    drafting = DraftAsker(asker, left=kept)
    try:
        yield drafting
    except KeyboardInterrupt:
        answers = [*drafting.answers, *drafting.left]
        if any(answer for _, answer in answers) and _write(path, answers):
            asker.say("Kept as a draft: the next intake goes on from there.")
        raise
    path.unlink(missing_ok=True)


def is_draft_older_than(root: Path, days: int, now: datetime) -> bool:
    """Return whether a draft lies in the bench folder and is older than so many days."""
    try:
        return (now - datetime.fromtimestamp((root / DRAFT_NAME).stat().st_mtime, UTC)).days >= days
    except OSError:
        return False


def _named(answers: Sequence[tuple[str, str]]) -> str:
    said = next((answer for _, answer in answers if answer), "")
    return f"{len(answers)} answers, “{plain_line(said, 60)}”"


def _read(path: Path) -> list[tuple[str, str]]:
    """Return the answers of a draft; none where it cannot be read, and then it is asked from the start."""
    try:
        lines = load_toml(read_text(path, FileKind.INTAKE)).get("answer", [])
    except (OSError, ValueError):
        return []
    lines = lines if isinstance(lines, list) else []
    pairs = [(line.get("question"), line.get("answer")) for line in lines if isinstance(line, dict)]
    return [(question, answer) for question, answer in pairs if isinstance(question, str) and isinstance(answer, str)]


def _write(path: Path, answers: Sequence[tuple[str, str]]) -> bool:
    import tomli_w

    lines = [{"question": question, "answer": answer} for question, answer in answers]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, tomli_w.dumps({"answer": lines}))
    except OSError:
        return False
    return True
